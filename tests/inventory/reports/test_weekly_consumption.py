"""Weekly use and weeks without stock, as the books were known at a moment."""

from collections import Counter, defaultdict
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, tzinfo
from decimal import Decimal
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings

from inventory import ledger
from inventory.db.fixed_point import from_scaled
from inventory.documents import Close, Correction, Count, CountedLine, Return, StockLine, Transfer
from inventory.models import Consumable, Document, Movement, Place
from inventory.reports.iso_weeks import BEFORE, Weeks
from inventory.reports.weekly_consumption import (
    places_with_stock_moved,
    used_consumables,
    weekly_flows,
    weekly_use,
)
from inventory.weeks import monday_of
from tests.inventory.small_shop import ACTIONS, NOW, day, open_shop, play, undone_afterwards
from tests.thoroughness import examples

pytestmark = pytest.mark.django_db

MONDAY = date(2026, 1, 5)
DISC = "disc-p400"

PlaceConsumable = tuple[int, int]  # place id, consumable id


@pytest.fixture(autouse=True)
def _shop() -> None:
    open_shop()


def use(
    id_: str,
    moment: datetime,
    quantity: int,
    *,
    place: str = "van-a",
    consumable: str = DISC,
    recorded: datetime = NOW,
) -> None:
    lines = (StockLine(consumable, Decimal(quantity)),)
    ledger.post(Close(id_, moment, place, lines), now=recorded)


def found(weeks: Weeks, known_at: datetime = NOW, place: str = "van-a", of: str = DISC) -> dict[int, int]:
    pair = Place.objects.get(code=place).pk, Consumable.objects.get(code=of).pk
    return {week: int(quantity) for week, quantity in used(weeks, known_at).get(pair, {}).items()}


def used(weeks: Weeks, known_at: datetime = NOW) -> dict[PlaceConsumable, dict[int, Decimal]]:
    """Return the use in stock units, by van and consumable."""
    totals: dict[PlaceConsumable, dict[int, Decimal]] = defaultdict(dict)
    for van, consumable, week, quantity in weekly_use(weeks, known_at):
        assert week not in totals[van, consumable]
        totals[van, consumable][week] = from_scaled(quantity)
    return dict(totals)


def bare_weeks(weeks: Weeks, known_at: datetime = NOW) -> dict[PlaceConsumable, list[bool]]:
    """Return the weeks in which a van had nothing at the start, nor with all that came, row after row."""
    came, went = (Counter[tuple[int, int, int]](), Counter[tuple[int, int, int]]())
    for total, rows in zip((came, went), weekly_flows(weeks, known_at), strict=True):
        for van, consumable, week, quantity in rows:
            total[van, consumable, week] += quantity
    found: dict[PlaceConsumable, list[bool]] = {}
    for pair in {key[:2] for key in came.keys() | went.keys()}:
        held, found[pair] = came[*pair, BEFORE] - went[*pair, BEFORE], []
        for week in range(weeks.count):
            found[pair].append(held + came[*pair, week] <= 0)
            held += came[*pair, week] - went[*pair, week]
    return found


def bare(weeks: Weeks, known_at: datetime = NOW, place: str = "van-a") -> list[bool] | None:
    pair = Place.objects.get(code=place).pk, Consumable.objects.get(code=DISC).pk
    return bare_weeks(weeks, known_at).get(pair)


def test_a_week_starts_on_monday_at_midnight_on_the_clocks_of_the_shop() -> None:
    # 2026-W53 has the last day of 2026, and 2027-W01 starts on 4 January; ISO 8601, computed.
    for zone in (
        UTC,
        ZoneInfo("Pacific/Kiritimati"),
        ZoneInfo("Pacific/Pago_Pago"),
        ZoneInfo("Asia/Kolkata"),
    ):
        weeks = Weeks(monday_of(date(2026, 12, 31)), 2, zone)
        assert [monday.isocalendar()[:2] for monday in weeks.mondays] == [(2026, 53), (2027, 1)]
        midnight = datetime(2027, 1, 4, tzinfo=zone).astimezone(UTC)
        recorded = datetime(2027, 2, 1, tzinfo=UTC)
        name = str(zone)
        use(f"{name} before", midnight - timedelta(microseconds=1), 3, recorded=recorded)
        use(f"{name} at", midnight, 5, recorded=recorded)
        assert found(weeks, recorded) == {0: 3, 1: 5}
        for id_ in ("before", "at"):
            correction = Correction(f"K {name} {id_}", recorded, "close", f"{name} {id_}", "next zone")
            ledger.post(correction, now=recorded)


@pytest.mark.parametrize(
    ("zone", "first", "hours"),
    [
        (ZoneInfo("Europe/Lisbon"), date(2026, 3, 23), [167, 168]),
        (ZoneInfo("Europe/Lisbon"), date(2026, 10, 19), [169, 168]),
        # In Asuncion the clocks went forward at midnight from a Sunday's start: 2023-10-01, tz database.
        (ZoneInfo("America/Asuncion"), date(2023, 9, 25), [167, 168]),
        (UTC, date(2026, 3, 23), [168, 168]),
    ],
)
def test_a_week_in_which_the_clocks_change_is_an_hour_shorter_or_longer(
    zone: tzinfo, first: date, hours: list[int]
) -> None:
    starts = Weeks(first, 2, zone).starts
    assert [(b - a) / timedelta(hours=1) for a, b in pairwise(starts)] == hours


def test_weeks_start_on_a_monday_and_are_not_fewer_than_none() -> None:
    with pytest.raises(ValueError, match="2026-01-06 is not a Monday; weeks start on 2026-01-05"):
        Weeks(date(2026, 1, 6), 1, UTC)
    with pytest.raises(ValueError, match="-1 weeks cannot be"):
        Weeks(MONDAY, -1, UTC)
    assert Weeks(MONDAY, 0, UTC).start == Weeks(MONDAY, 0, UTC).end


@pytest.mark.parametrize("count", [1, 2, 3, 7, 104])
def test_each_moment_falls_into_its_week(count: int) -> None:
    weeks = Weeks(MONDAY, count, UTC)
    moments = {number: start + timedelta(hours=number) for number, start in enumerate(weeks.starts[:-1])} | {
        BEFORE: weeks.start - timedelta(seconds=1)
    }
    for number, moment in moments.items():
        use(f"C-{number}", moment, 1, recorded=weeks.end)
    rows = Movement.objects.annotate(week=weeks.number_of("occurred_at")).values_list("occurred_at", "week")
    assert {week: moment for moment, week in rows} == moments


def test_only_what_was_recorded_by_then_counts() -> None:
    weeks = Weeks(MONDAY, 3, UTC)
    use("C-1", day(5), 4, recorded=day(6))
    use("C-late", day(6), 2, recorded=day(20))
    assert found(weeks, day(6)) == {0: 4}
    assert found(weeks, day(20) - timedelta(microseconds=1)) == {0: 4}
    assert found(weeks, day(20)) == {0: 6}
    ledger.post(Correction("K-1", day(21), "close", "C-1", "wrong"), now=day(21))
    assert found(weeks, day(20)) == {0: 6}
    assert found(weeks, day(21)) == {0: 2}
    assert found(weeks, day(5)) == {}


def test_a_return_counts_in_the_week_and_at_the_van_of_its_use() -> None:
    weeks = Weeks(MONDAY, 3, UTC)
    use("C-1", day(5), 4)
    ledger.post(Return("B-1", day(13), "depot", "close", "C-1", (StockLine(DISC, Decimal(3)),)), now=NOW)
    assert found(weeks) == {0: 1}
    ledger.post(Correction("K-1", day(14), "return", "B-1", "wrong"), now=NOW)
    assert found(weeks) == {0: 4}
    assert found(weeks, place="depot") == {}


def test_transfers_counts_and_what_the_depot_uses_are_no_use_of_a_van() -> None:
    weeks = Weeks(MONDAY, 3, UTC)
    ledger.post(Transfer("T-1", day(5), "depot", "van-a", (StockLine(DISC, Decimal(9)),)), now=NOW)
    ledger.post(Count("N-1", day(6), (CountedLine("van-a", DISC, Decimal(2)),)), now=NOW)
    use("C-1", day(6), 1, place="depot")
    assert weekly_use(weeks, NOW) == []
    assert used_consumables(weeks, NOW) == []
    assert places_with_stock_moved(NOW) == {Place.objects.get(code="van-a").pk}


def test_a_week_is_bare_when_the_van_held_nothing_throughout() -> None:
    weeks = Weeks(MONDAY, 6, UTC)
    assert bare(weeks) is None

    def bring(id_: str, on: int) -> None:
        ledger.post(Transfer(id_, day(on), "depot", "van-a", (StockLine(DISC, Decimal(2)),)), now=day(on))

    bring("T-1", 12)  # Tuesday of the second week
    use("C-1", day(13), 2, recorded=day(13))
    assert bare(weeks) == [True, False, True, True, True, True]
    use("C-2", day(19), 3, recorded=day(19))  # more than the book says
    bring("T-2", 27)  # still less than nothing
    bring("T-3", 34)
    assert bare(weeks) == [True, False, True, True, False, False]
    # As it was known on the day after the first use.
    assert bare(weeks, day(14)) == [True, False, True, True, True, True]


def test_a_corrected_document_never_brought_anything() -> None:
    weeks = Weeks(MONDAY, 3, UTC)
    ledger.post(Transfer("T-1", day(5), "depot", "van-a", (StockLine(DISC, Decimal(2)),)), now=NOW)
    ledger.post(Correction("K-1", NOW, "transfer", "T-1", "it was van-b"), now=NOW)
    assert bare(weeks) == [True, True, True]
    use("C-1", day(12), 2)
    ledger.post(Correction("K-2", NOW, "close", "C-1", "it was van-b"), now=NOW)
    assert bare(weeks) == [True, True, True]


def naive_use(weeks: Weeks) -> dict[tuple[int, int], dict[int, Decimal]]:
    """Return the use one movement after the other."""
    totals: dict[tuple[int, int], dict[int, Decimal]] = defaultdict(lambda: defaultdict(Decimal))
    for movement in Movement.objects.select_related("source", "destination", "reverses__reverses"):
        first = movement
        while first.reverses is not None:
            first = first.reverses
        sign = {(True, False): -1, (False, True): 1}.get(
            (movement.source.kind == "job", movement.destination.kind == "job"), 0
        )
        week = (first.occurred_at.date() - weeks.first).days // 7
        if sign and first.source.kind == "van" and 0 <= week < weeks.count:
            totals[first.source_id, movement.consumable_id][week] += sign * movement.quantity
    return {
        pair: kept for pair, used in totals.items() if (kept := {week: n for week, n in used.items() if n})
    }


def held_in(weeks: Weeks, pair: tuple[int, int], week: int) -> tuple[Decimal, Decimal]:
    """Return the most that was held in a week, and what it began with plus all that came.

    Documents that were undone are left out.
    """
    undone = Document.objects.exclude(corrects=None).values_list("pk", "corrects_id")
    out = {pk for both in undone for pk in both}
    moves = Movement.objects.exclude(document__in=out).filter(consumable=pair[1], occurred_at__lt=weeks.end)
    steps = [
        (move.occurred_at, move.quantity * ((move.destination_id == pair[0]) - (move.source_id == pair[0])))
        for move in moves.order_by("occurred_at", "rank")
    ]
    start, end = weeks.starts[week : week + 2]
    held = most = came = sum((step for moment, step in steps if moment < start), Decimal(0))
    for moment, step in steps:
        if start <= moment < end:
            held += step
            came += max(step, Decimal(0))
            most = max(most, held)
    return most, came


@given(actions=ACTIONS)
@settings(
    max_examples=examples(25), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_use_and_bare_weeks_agree_with_a_replay_of_every_movement(
    actions: list[tuple[str, int, str, str, int]],
) -> None:
    with undone_afterwards():
        play(actions)
        weeks = Weeks(MONDAY, 4, UTC)
        assert used(weeks) == naive_use(weeks)
        for pair, is_bare in bare_weeks(weeks).items():
            for week in range(weeks.count):
                most, came = held_in(weeks, pair, week)
                assert most <= 0 if is_bare[week] else came > 0
    assert not Movement.objects.exists()


def test_the_number_of_queries_does_not_grow_with_the_history() -> None:
    def queries(work: Callable[[], object]) -> int:
        with CaptureQueriesContext(connection) as captured:
            work()
        return len(captured)

    readers: list[Callable[[], object]] = [
        lambda: weekly_use(weeks, NOW),
        lambda: weekly_flows(weeks, NOW),
        lambda: used_consumables(weeks, NOW),
    ]
    weeks = Weeks(MONDAY, 2, UTC)
    use("C-0", day(6), 1)
    short = [queries(reader) for reader in readers]
    weeks = Weeks(MONDAY, 20, UTC)
    for number in range(1, 60):
        use(f"C-{number}", day(6 + 2 * number), 1, consumable=("pad", DISC)[number % 2])
    assert [queries(reader) for reader in readers] == short == [1, 2, 1]
