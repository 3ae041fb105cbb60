"""Burn forecasts from the books: what they hold, that they can be made again, and that they never change."""

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pandas as pd
import pytest
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext

from forecasting.append_only import FORECASTS
from forecasting.burn import runs
from forecasting.burn.inputs import van_panel
from forecasting.burn.runs import (
    LEVELS,
    chunks_of,
    finish_run,
    forecast_burn,
    forecast_chunk,
    latest_run,
    start_run,
)
from forecasting.demand import panel_forecast
from forecasting.demand.candidate_models import Candidate, candidates
from forecasting.models import BurnForecast, ForecastRun, SupplierTerms
from inventory import ledger
from inventory.db.fixed_point import SCALE
from inventory.documents import Correction, Return, StockLine
from inventory.models import Books, Place, PlaceKind, Supplier
from shop.jobs.close_data import UsedLine
from shop.jobs.close_job import close_job
from shop.models import DamageType, GlassType, Job, JobType, Van
from tests.forecasting.burn_shop import (
    COMPOUND,
    DISC,
    JOBS_A_WEEK,
    WEEKS,
    bring,
    closing,
    moment,
    open_burn_shop,
    work,
)
from tests.shop.job_shop import open_job_shop

pytestmark = pytest.mark.django_db

THEN = moment(WEEKS, hour=6)


def rows(run: ForecastRun) -> dict[tuple[str, str, int], dict[str, Any]]:
    """Return all that a run says, by place, consumable and weeks ahead."""
    said = (
        *("mean", "quantiles", "model", "reason", "demand_class", "history", "jobs_known", "tested", "held"),
        "accuracy",
    )
    found = BurnForecast.objects.filter(run=run).select_related("place", "consumable")
    return {
        (row.place.code, row.consumable.code, row.weeks_ahead): {name: getattr(row, name) for name in said}
        for row in found
    }


def test_every_van_and_the_depot_are_forecast_from_whole_weeks() -> None:
    open_burn_shop()
    run = forecast_burn(known_at=THEN + timedelta(days=3), by="olga", now=THEN + timedelta(days=3))
    assert (run.first_week, run.weeks, run.made_by) == (date(2024, 1, 1), WEEKS, "olga")
    assert run.levels == list(LEVELS)
    assert latest_run() == run
    found = rows(run)
    # Vans: a review of 7 days and 2 days on the way are 2 weeks; depot: 7 x 1.4 + 7 days are 3.
    assert set(found) == {
        (place, consumable, ahead)
        for consumable in (DISC, COMPOUND)
        for place, weeks in (("van-a", 2), ("van-b", 2), ("depot", 3))
        for ahead in range(1, weeks + 1)
    }
    for (place, consumable, ahead), row in found.items():
        quantiles = [Decimal(quantile) for quantile in row["quantiles"]]
        assert quantiles == sorted(quantiles)
        assert min(quantiles) >= 0
        if consumable == DISC:
            assert all(quantile == int(quantile) for quantile in quantiles)
        if ahead > 1:
            shorter = found[place, consumable, ahead - 1]
            before = [Decimal(quantile) for quantile in shorter["quantiles"]]
            assert all(a <= b for a, b in zip(before, quantiles, strict=True))
            assert row["mean"] >= shorter["mean"]
            assert row["history"] == []
        else:
            assert len(row["history"]) == WEEKS
    # 6 jobs of 0, 1, 2 or 3 discs are 9 a week.
    assert 7 < found["van-a", DISC, 1]["mean"] < 11
    assert 14 < found["depot", DISC, 1]["mean"] < 22
    sums = zip(*(found[van, DISC, 1]["history"] for van in ("van-a", "van-b")), strict=True)
    assert [str(int(a) + int(b)) for a, b in sums] == found["depot", DISC, 1]["history"]


def test_the_backtest_is_summed_up_in_words() -> None:
    open_burn_shop()
    run = forecast_burn(known_at=THEN, now=THEN)
    of_vans = [row for (place, _, ahead), row in rows(run).items() if place != "depot" and ahead == 1]
    tested = sum(row["tested"] for row in of_vans)
    place = LEVELS.index(0.95)
    held = sum(row["held"][place] for row in of_vans)
    assert tested > 0
    assert run.summary["in_words"] == f"The stated 95% held in {held} of {tested} weeks."
    assert run.summary["vans"]["1"]["all"]["tested"] == tested
    assert "intervals of 2 weeks" in run.summary["vans"]["2"]["all"]["in_words"]
    assert {"pinball", "rmsse", "bias"} == of_vans[0]["accuracy"].keys()


def test_a_forecast_made_later_says_what_it_said_then() -> None:
    open_burn_shop()
    book("J-next", THEN.date())
    first = forecast_burn(known_at=THEN, now=THEN)
    # Afterwards a late close, a correction, a return, a further week, a new van, and the booking is gone.
    later = THEN + timedelta(days=20)
    close_job(closing("late", "van-a", moment(3), (UsedLine(DISC, Decimal(50), Decimal(9)),)), now=later)
    for id_, what in (("K-1", "van-a-4-0-0"), ("K-2", "van-b-5-1-0")):
        ledger.post(Correction(id_, later, "close", what, "wrong"), now=later)
    back = (StockLine(COMPOUND, Decimal(10)),)
    ledger.post(Return("B-1", later, "depot", "close", "van-a-6-1-0", back), now=later)
    work("van-a", [WEEKS, WEEKS + 1])
    Van.objects.create(place=Place.objects.create(code="van-c", kind=PlaceKind.VAN))
    bring("T-c", "van-c", later, (DISC, 5))
    Job.objects.filter(reference="J-next").update(status="cancelled")

    again = forecast_burn(known_at=THEN, now=later)
    assert rows(again) == rows(first)
    assert again.summary == first.summary
    assert rows(first)["van-a", DISC, 1]["jobs_known"] == 1
    now = forecast_burn(known_at=later, now=later)
    assert latest_run() == now
    assert rows(now)["van-a", DISC, 1]["history"][:WEEKS] != rows(first)["van-a", DISC, 1]["history"]
    assert ("van-c", DISC, 1) in rows(now)


def test_a_moment_that_no_run_noted_knows_no_bookings_and_only_vans_seen_by_then() -> None:
    open_burn_shop(6)
    book("J-next", moment(6).date())
    Van.objects.create(place=Place.objects.create(code="van-c", kind=PlaceKind.VAN))
    run = forecast_burn(known_at=moment(6), now=moment(9))
    assert {place for place, _, _ in rows(run)} == {"van-a", "van-b", "depot"}
    assert {row["jobs_known"] for row in rows(run).values()} == {None}
    soon = forecast_burn(known_at=moment(6), now=moment(6))  # the same moment again: as noted before
    assert {row["jobs_known"] for row in rows(soon).values()} == {None}
    within = forecast_burn(known_at=moment(6, hour=10), now=moment(6, hour=10))
    assert rows(within)["van-a", DISC, 1]["jobs_known"] == 1
    assert "van-c" in {place for place, _, _ in rows(within)}


def test_many_booked_jobs_raise_the_forecast_and_few_do_not(monkeypatch: pytest.MonkeyPatch) -> None:
    # Which model does best is another matter: here all demand is forecast from its jobs.
    monkeypatch.setattr(panel_forecast, "candidates", only_by_jobs)
    open_burn_shop()
    plain = forecast_burn(known_at=THEN, now=THEN)
    book("J-0", THEN.date())
    few = forecast_burn(known_at=THEN + timedelta(minutes=1), now=THEN + timedelta(minutes=1))
    for number in range(1, 5 * JOBS_A_WEEK):
        book(f"J-{number}", THEN.date() + timedelta(days=number % 7))
    many = forecast_burn(known_at=THEN + timedelta(minutes=2), now=THEN + timedelta(minutes=2))
    of = "van-a", DISC, 1
    assert rows(many)[of]["model"] == "panel levels per job"
    assert rows(few)[of]["mean"] == rows(plain)[of]["mean"]
    assert rows(many)[of]["jobs_known"] == 5 * JOBS_A_WEEK
    assert rows(many)[of]["mean"] > 2 * rows(plain)[of]["mean"]
    other = "van-b", DISC, 1
    assert rows(many)[other]["mean"] == rows(plain)[other]["mean"]


def only_by_jobs(*args: Any, **options: Any) -> list[Candidate]:
    """Return the one model that forecasts demand from jobs."""
    return [model for model in candidates(*args, **options) if model.name == "panel levels per job"]


def book(reference: str, on: date, van: str = "van-a") -> None:
    Job.objects.create(
        reference=reference,
        van=Van.objects.get(place__code=van),
        job_type=JobType.objects.get(),
        damage_type=DamageType.objects.get(code="scratch"),
        glass=GlassType.objects.get(code="tempered"),
        booked_for=on,
    )


def test_an_empty_shop_has_an_empty_forecast_and_says_why() -> None:
    open_job_shop()
    run = forecast_burn(known_at=THEN, now=THEN)
    assert run.weeks == 0
    assert rows(run) == {}
    assert run.summary["in_words"].startswith("No van has used anything in a whole week yet")
    work("van-a", [WEEKS], recorded=moment(WEEKS, 1))  # this week is not over
    assert rows(forecast_burn(known_at=moment(WEEKS, 4), now=moment(WEEKS, 4))) == {}


def test_vans_that_were_given_up_are_not_forecast_unless_they_have_a_job_booked() -> None:
    open_burn_shop(4)
    later = moment(4 + 13)
    run = forecast_burn(known_at=later, now=later)
    assert rows(run) == {}
    assert run.summary["in_words"].startswith("No van did a job in the last 13 weeks or has one booked")
    book("J-1", later.date())
    again = forecast_burn(known_at=later + timedelta(minutes=1), now=later + timedelta(minutes=1))
    assert {place for place, _, _ in rows(again)} == {"van-a", "depot"}


def test_one_week_of_history_gives_a_wide_forecast_and_no_claim_about_its_past() -> None:
    open_burn_shop(1, vans=["van-a"])
    run = forecast_burn(known_at=moment(1), now=moment(1))
    found = rows(run)
    assert run.weeks == 1
    assert "short history" in found["van-a", DISC, 1]["reason"]
    assert "no history" in found["van-b", DISC, 1]["reason"]  # a new van borrows from the other
    assert found["van-b", DISC, 1]["mean"] > 0
    assert found["van-b", DISC, 1]["history"] == [None]
    assert found["van-a", DISC, 1]["tested"] == 0
    assert "too short" in run.summary["in_words"]


def test_weeks_off_the_road_and_without_stock_do_not_count_as_weeks_without_need() -> None:
    open_burn_shop(12, vans=["van-a"])
    work("van-b", [*range(5), *range(8, 12)])
    history = rows(forecast_burn(known_at=moment(12), now=moment(12)))["van-b", DISC, 1]["history"]
    assert [week for week, used in enumerate(history) if used is None] == [5, 6, 7]


@pytest.mark.parametrize(
    ("zone", "first_week"),
    # Sunday 20:00 UTC is Monday 10:00 in Kiritimati (+14) and Sunday 09:00 in Pago Pago (-11).
    [("Pacific/Kiritimati", date(2024, 1, 15)), ("Pacific/Pago_Pago", date(2024, 1, 8))],
)
def test_weeks_are_those_of_the_shops_clocks(zone: str, first_week: date) -> None:
    open_job_shop()
    Books.objects.update(time_zone=zone)
    use = UsedLine(DISC, Decimal(3), Decimal(9))
    close_job(closing("J-1", "van-a", moment(1, 6, 20), (use,)), now=moment(2))
    run = start_run(known_at=moment(4), now=moment(4))
    assert run.first_week == first_week
    panel = van_panel(run, chunks_of(run)[0])
    assert panel.use.max(axis=1).tolist() == [3 * SCALE] + [0] * (run.weeks - 1)


def test_a_year_of_53_weeks_is_read_week_by_week() -> None:
    open_burn_shop(0)
    # 2020 has a week 53, from 28 December, and 2021 begins on 4 January: ISO 8601.
    start = (date(2020, 12, 21) - moment(0).date()).days // 7
    work("van-a", range(start, start + 4))
    run = start_run(known_at=moment(start + 3, 2), now=moment(start + 3, 2))
    assert (run.first_week, run.weeks) == (date(2020, 12, 21), 3)
    panel = van_panel(run, chunks_of(run)[0])
    assert panel.jobs.iloc[:, 0].tolist() == [JOBS_A_WEEK] * 3
    assert panel.use.index.equals(pd.PeriodIndex(["2020-12-21", "2020-12-28", "2021-01-04"], freq="W-SUN"))
    assert (panel.use[Place.objects.get(code="van-a").pk].to_numpy() > 0).all()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"known_at": THEN + timedelta(seconds=1)}, "is still to come"),
        ({"known_at": THEN.replace(tzinfo=None)}, "has no time zone"),
        ({"weeks": 0}, "0 weeks ahead cannot be forecast; give 1 to 26"),
        ({"weeks": 27}, "27 weeks ahead"),
    ],
)
def test_what_cannot_be_forecast_is_refused_with_the_reason(arguments: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        start_run(**arguments, now=THEN)
    assert not ForecastRun.objects.exists()


def test_weeks_ahead_follow_the_terms_of_vans_and_suppliers() -> None:
    open_burn_shop(3)
    SupplierTerms.objects.create(supplier=Supplier.objects.get(), lead_days=20)
    run = start_run(known_at=moment(3), weeks=4, now=moment(3))
    assert (run.noted["van_weeks"], run.noted["depot_weeks"]) == (4, 5)  # 20 x 1.4 + 7 days
    assert start_run(known_at=moment(3), weeks=1, now=moment(3)).noted["van_weeks"] == 2


def test_without_a_depot_vans_are_forecast_alone() -> None:
    open_burn_shop(3)
    Place.objects.create(code="depot-2", kind=PlaceKind.DEPOT)  # and nobody said which one fills the vans
    run = forecast_burn(known_at=moment(3), now=moment(3))
    assert {place for place, _, _ in rows(run)} == {"van-a", "van-b"}


def test_chunks_keep_a_consumable_together_and_may_be_made_again(monkeypatch: pytest.MonkeyPatch) -> None:
    open_burn_shop(6)
    monkeypatch.setattr(runs, "SERIES_PER_CHUNK", 3)
    run = start_run(known_at=moment(6), now=moment(6))
    parts = chunks_of(run)
    assert [len(part) for part in parts] == [1, 1]
    forecast_chunk(run, parts[1])
    with pytest.raises(ValueError, match="1 chunks are still to be forecast"):
        finish_run(run)
    assert latest_run() is None
    forecast_chunk(run, parts[0])
    before = rows(run)
    forecast_chunk(run, parts[0])
    assert rows(run) == before
    finished = finish_run(run)
    assert finish_run(run).finished_at == finished.finished_at
    assert len(before) == 2 * (2 + 2 + 3)


def test_progress_is_told_chunk_by_chunk(monkeypatch: pytest.MonkeyPatch) -> None:
    open_burn_shop(3)
    monkeypatch.setattr(runs, "SERIES_PER_CHUNK", 2)
    told: list[tuple[int, int]] = []
    forecast_burn(known_at=moment(3), now=moment(3), progress=lambda done, of: told.append((done, of)))
    assert told == [(0, 2), (1, 2), (2, 2)]


def test_the_number_of_queries_does_not_grow_with_the_history() -> None:
    def queries(weeks: int, work: Callable[[ForecastRun], None]) -> int:
        run = start_run(known_at=moment(weeks), now=moment(weeks))
        with CaptureQueriesContext(connection) as captured:
            work(run)
        return len(captured)

    def all_of(run: ForecastRun) -> None:
        for chunk in chunks_of(run):
            forecast_chunk(run, chunk)
        finish_run(run)

    open_burn_shop(3)
    short = queries(3, all_of)
    for week in range(3, 15):
        work("van-a", [week])
    assert queries(15, all_of) == short


def refused(work: Callable[[], object]) -> None:
    with pytest.raises(DatabaseError, match=FORECASTS.message), transaction.atomic():
        work()


def test_a_finished_run_and_its_forecasts_never_change() -> None:
    open_burn_shop(3)
    open_ = start_run(known_at=moment(2), now=moment(2))
    run = forecast_burn(known_at=moment(3), now=moment(3))
    before = rows(run)
    refused(lambda: BurnForecast.objects.update(mean=Decimal(1)))
    refused(lambda: BurnForecast.objects.all().delete())
    refused(lambda: ForecastRun.objects.filter(pk=open_.pk).delete())

    def changed(which: ForecastRun, **change: object) -> Callable[[], object]:
        return lambda: ForecastRun.objects.filter(pk=which.pk).update(**change)

    refused(changed(run, summary={}))
    refused(changed(run, finished_at=None))
    refused(changed(run, known_at=moment(1)))
    refused(changed(open_, weeks=9))
    refused(changed(open_, weeks=9, finished_at=moment(3)))
    refused(changed(open_, summary={"in_words": "fine"}))
    assert rows(run) == before
    assert ForecastRun.objects.get(pk=open_.pk).finished_at is None


@pytest.mark.skipif(connection.vendor != "sqlite", reason="only SQLite can replace rows in an INSERT")
def test_replacing_a_forecast_is_refused() -> None:
    open_burn_shop(2)
    forecast_burn(known_at=moment(2), now=moment(2))

    def replaced(table: str) -> Callable[[], object]:
        statement = f"INSERT OR REPLACE INTO {table} SELECT * FROM {table} LIMIT 1"  # noqa: S608 - our names
        return lambda: connection.cursor().execute(statement)

    for table in FORECASTS.keys:
        refused(replaced(table))
