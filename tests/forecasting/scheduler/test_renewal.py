"""New data after the week's work: what nobody has approved is made again from it, once; the rest stays."""

from collections.abc import Callable
from datetime import datetime, timedelta
from decimal import Decimal
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from forecasting import leases
from forecasting.models import (
    ConsumableTerms,
    ForecastRun,
    Letter,
    PeriodWork,
    Purchase,
    Restock,
    RestockEvent,
    RestockLine,
    StockingTerms,
    VanSpace,
)
from forecasting.replenishment import approval, pick_ship_receive
from forecasting.schedule import WorkKind
from forecasting.scheduler import handlers, plan_basis, renewal
from forecasting.scheduler.handlers import Piece
from forecasting.scheduler.monitoring import overdue
from forecasting.scheduler.runner import Ending, do, do_all, ready
from inventory import documents, ledger
from inventory.models import Consumable, Place
from shop.jobs.bookings import save_booked
from shop.jobs.returns_and_corrections import post
from shop.models import DamageType, GlassType, Job, JobStatus, JobType, StandardUse, Van
from tests.forecasting.small_fleet import (
    DISCS,
    VANS,
    close,
    open_fleet,
    record_late_close,
    record_past,
    set_up_fleet,
    this_monday,
)

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]
# The depot is short of the first.
DISC, OTHER_DISC = DISCS[:2]


def run_due(*arguments: str) -> str:
    out = StringIO()
    call_command("run_due", *arguments, stdout=out)
    return out.getvalue()


def pause_is_over() -> None:
    """Let the last renewal have been a while ago."""
    long_ago = timezone.now() - renewal.PAUSE - timedelta(minutes=1)
    PeriodWork.objects.filter(kind=WorkKind.RENEWAL).update(done_at=long_ago)


def close_of_now() -> None:
    close("now", timezone.now())


def receipt() -> None:
    line = documents.ReceiptLine(DISC, Decimal(500), Decimal(1000))
    ledger.post(documents.Receipt("R-late", timezone.now(), "SUP-1", "DEPOT", (line,)), now=timezone.now())


def count() -> None:
    found = documents.CountedLine("VAN-2", OTHER_DISC, Decimal(1))
    ledger.post(documents.Count("N-late", timezone.now(), (found,)), now=timezone.now())


def transfer() -> None:
    line = documents.StockLine(OTHER_DISC, Decimal(15))
    ledger.post(documents.Transfer("T-late", timezone.now(), "VAN-3", "VAN-1", (line,)), now=timezone.now())


def correction() -> None:
    wrong = documents.Correction(
        "X-late", timezone.now(), documents.DocumentKind.TRANSFER, "T-VAN-2", reason="was never carried"
    )
    post(wrong, now=timezone.now())


NEWS = [record_late_close, close_of_now, receipt, count, transfer, correction]
OF_HISTORY = [record_late_close, correction]


def suggested() -> dict[tuple[str, str], Decimal]:
    rows = RestockLine.objects.values_list("restock__van__code", "consumable__code", "suggested")
    return {(van, code): quantity for van, code, quantity in rows}


def drafted_anew() -> int:
    return RestockEvent.objects.filter(what="drafted anew").count()


def test_an_import_after_the_weeks_run_gives_the_list_of_the_week_at_once() -> None:
    set_up_fleet()
    assert "0 drafts" in run_due()
    assert "nothing is due" in run_due()
    record_past()
    said = run_due()
    assert "forecast and drafts are made again" in said
    assert f"{len(VANS)} drafts" in said
    assert said.count(": sent\n") == len(VANS)
    assert "nothing drafted" not in said
    assert Purchase.objects.count() == 2
    assert any(suggested().values())
    assert "nothing is due" in run_due()
    assert Letter.objects.count() == len(VANS)
    assert ForecastRun.objects.count() == 2


def test_files_imported_one_after_the_other_are_all_in_the_list() -> None:
    set_up_fleet()
    run_due()
    # The first file brings nothing to draft from.
    line = documents.ReceiptLine(DISC, Decimal(5), Decimal(10))
    early = this_monday() - timedelta(weeks=2)
    ledger.post(documents.Receipt("R-first", early, "SUP-1", "DEPOT", (line,)), now=timezone.now())
    run_due()
    assert not Letter.objects.exists()
    record_past()
    assert run_due().count(": sent\n") == len(VANS)


@pytest.mark.parametrize("news", NEWS)
def test_new_data_of_any_kind_makes_drafts_again_once(news: Callable[[], None]) -> None:
    open_fleet()
    found = documents.CountedLine("DEPOT", DISC, Decimal(2))
    ledger.post(documents.Count("N-short", timezone.now(), (found,)), now=timezone.now())
    run_due()
    before, letters, runs = suggested(), Letter.objects.count(), ForecastRun.objects.count()
    news()
    said = run_due()
    assert "are made again" in said, said
    assert suggested() != before
    assert ForecastRun.objects.count() == runs + (news in OF_HISTORY)
    assert drafted_anew() > 0
    once = drafted_anew()
    pause_is_over()
    assert "nothing is due" in run_due()
    assert (drafted_anew(), Letter.objects.count()) == (once, letters)
    # What is there is what would be drafted from the same books for the first time.
    again = suggested()
    RestockLine.objects.all().delete()
    PeriodWork.objects.filter(kind=WorkKind.RESTOCKS).update(done_at=None)
    run_due()
    assert suggested() == again


def book(days: int = 1) -> None:
    """Book a job of the second van for a day to come."""
    of_day = timezone.localdate() + timedelta(days=days)
    service = {
        "damage_type": DamageType.objects.get(code="scratch"),
        "glass": GlassType.objects.get(code="tempered"),
    }
    job = Job(
        reference=f"B-{Job.objects.count()}",
        van=Van.objects.get(place__code="VAN-2"),
        job_type=JobType.objects.get(),
        booked_for=of_day,
        **service,
    )
    save_booked(job)


def many_booked() -> None:
    for _ in range(40):
        book()


def moved_away() -> None:
    Job.objects.filter(status=JobStatus.BOOKED).update(booked_for=timezone.localdate() + timedelta(days=60))


def other_van() -> None:
    Job.objects.filter(status=JobStatus.BOOKED).update(van=Van.objects.get(place__code="VAN-1"))


def cancelled() -> None:
    Job.objects.filter(status=JobStatus.BOOKED).update(status=JobStatus.CANCELLED)


def other_service_of_class() -> None:
    StockingTerms.objects.update(service_a="0.55", service_b="0.55", service_c="0.55")


def longer_interval() -> None:
    StockingTerms.objects.update(review_days=21)


def own_service() -> None:
    ConsumableTerms.objects.create(consumable=Consumable.objects.get(code=OTHER_DISC), service="0.55")


def handed_out_in_tens() -> None:
    ConsumableTerms.objects.create(consumable=Consumable.objects.get(code=OTHER_DISC), usable_unit=10)


def little_room() -> None:
    VanSpace.objects.create(
        place=Place.objects.get(code="VAN-1"), consumable=Consumable.objects.get(code=OTHER_DISC), quantity=1
    )


def standard_of_a_new_service() -> None:
    service = JobType.objects.create(code="new")
    StandardUse.objects.create(
        job_type=service, consumable=Consumable.objects.get(code=OTHER_DISC), quantity=100
    )
    Job.objects.filter(status=JobStatus.BOOKED).update(job_type=service)


PLAN_CHANGES = [
    *(many_booked, moved_away, other_van, cancelled, other_service_of_class, longer_interval, own_service),
    *(handed_out_in_tens, little_room, standard_of_a_new_service),
]


@pytest.mark.parametrize("change", PLAN_CHANGES)
def test_every_booking_and_setting_that_drafts_rest_on_is_seen(change: Callable[[], None]) -> None:
    set_up_fleet()
    many_booked()
    before = plan_basis.digest(timezone.localdate())
    assert plan_basis.digest(timezone.localdate()) == before
    change()
    assert plan_basis.digest(timezone.localdate()) != before


@pytest.mark.parametrize("change", [many_booked, handed_out_in_tens, longer_interval])
def test_other_bookings_and_settings_make_drafts_again_once(change: Callable[[], None]) -> None:
    open_fleet()
    plenty = tuple(documents.ReceiptLine(code, Decimal(2000), Decimal(4000)) for code in DISCS)
    ledger.post(documents.Receipt("R-plenty", timezone.now(), "SUP-1", "DEPOT", plenty), now=timezone.now())
    run_due()
    before, letters, runs = suggested(), Letter.objects.count(), ForecastRun.objects.count()
    change()
    said = run_due()
    assert "bookings or settings were changed" in said
    assert "made again" in said
    assert suggested() != before
    assert ForecastRun.objects.count() == runs + (change is longer_interval)
    once = drafted_anew()
    assert once > 0
    pause_is_over()
    assert "nothing is due" in run_due()
    assert (drafted_anew(), Letter.objects.count()) == (once, letters)


def test_an_approved_restock_stays_when_bookings_change() -> None:
    open_fleet()
    run_due()
    for restock in Restock.objects.all():
        approval.approve(restock.pk, {DISC: Decimal(2)}, by="sue", now=timezone.now())
    before = suggested()
    many_booked()
    assert "nothing is due" in run_due()
    assert suggested() == before


def test_settings_that_no_draft_rests_on_are_no_news() -> None:
    set_up_fleet()
    book(days=3)
    before = plan_basis.digest(timezone.localdate())
    StockingTerms.objects.update(letter_time="00:00:01", restock_emails="sue@example.org", holding_rate="0.3")
    assert plan_basis.digest(timezone.localdate()) == before


def test_every_setting_of_restocks_is_watched_or_known_to_be_of_something_else() -> None:
    """A new field of the terms must be named here or in the digest."""
    of_letters = {"id", "letter_weekday", "letter_time", "restock_emails"}
    of_purchases = {"service_depot", "cover_days_after_top_up", "holding_rate"}
    fields = {field.attname for field in StockingTerms._meta.concrete_fields}
    assert fields == {*plan_basis.OF_VANS} | of_letters | of_purchases


def test_what_was_approved_changed_or_cancelled_stays() -> None:
    open_fleet()
    run_due()
    by_van = {restock.van.code: restock for restock in Restock.objects.select_related("van")}
    now = timezone.now()
    approval.approve(by_van["VAN-1"].pk, {DISC: Decimal(2)}, by="sue", now=now)
    approval.change(by_van["VAN-2"].pk, {DISC: Decimal(1)}, by="sue", now=now)
    approval.cancel(by_van["VAN-3"].pk, by="sue", now=now)
    before = suggested()
    for news in NEWS:
        news()
    assert "nothing is due" in run_due()
    assert suggested() == before


def test_a_restock_that_is_carried_out_is_no_news_for_the_others() -> None:
    open_fleet()
    run_due()
    restock = Restock.objects.get(van__code="VAN-1")
    now = timezone.now()
    approval.approve(restock.pk, {DISC: Decimal(2)}, by="sue", now=now)
    pick_ship_receive.pick(restock.pk, by="sue", now=now)
    pick_ship_receive.confirm(restock.pk, by="sue", now=now)
    assert "nothing is due" in run_due()
    assert drafted_anew() == 0


def test_after_a_renewal_the_next_waits_a_while_and_says_so() -> None:
    open_fleet()
    run_due()
    record_late_close()
    run_due()
    receipt()
    said = run_due()
    assert "nothing is due" in said
    assert "this week's drafts are made again at" in said
    pause_is_over()
    assert "are made again" in run_due()


def test_letters_wait_for_new_data_but_not_for_a_renewal_that_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    open_fleet()
    now = timezone.now()
    StockingTerms.objects.update(letter_weekday=now.isoweekday(), letter_time="23:59:59")
    run_due()
    record_late_close()
    evening = now.replace(hour=23, minute=59, second=59, microsecond=0)
    kinds = [attempt.piece.kind for attempt in do_all(evening)]
    assert kinds.index(WorkKind.RENEWAL) < kinds.index(WorkKind.RESTOCKS) < kinds.index(WorkKind.LETTER)
    assert kinds.count(WorkKind.LETTER) == len(VANS)


def test_an_older_list_goes_out_when_the_renewal_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    open_fleet()
    now = timezone.now()
    StockingTerms.objects.update(letter_weekday=now.isoweekday(), letter_time="23:59:59")
    run_due()
    record_late_close()

    def failing(_piece: Piece, _now: datetime) -> None:
        raise RuntimeError("the moon is in the way")

    monkeypatch.setitem(handlers._FIRST_STEPS, WorkKind.FORECAST_PART, failing)
    evening = now.replace(hour=23, minute=59, second=59, microsecond=0)
    endings = [(attempt.piece.kind, attempt.ending) for attempt in do_all(evening)]
    assert (WorkKind.FORECAST_PART, Ending.FAILED) in endings
    assert endings.count((WorkKind.LETTER, Ending.DONE)) == len(VANS)


def test_a_worker_that_comes_late_to_a_renewal_makes_no_second_one() -> None:
    open_fleet()
    run_due()
    record_late_close()
    (piece,) = (piece for piece in ready(timezone.now()) if piece.kind == WorkKind.RENEWAL)
    assert do(piece, timezone.now()) is not None
    assert do(piece, timezone.now()) is None
    run_due()
    # Its message comes once more when all is done.
    assert do(piece, timezone.now()) is None
    assert ForecastRun.objects.count() == 2
    assert "nothing is due" in run_due()


def test_a_worker_thought_dead_opens_nothing_again(monkeypatch: pytest.MonkeyPatch) -> None:
    open_fleet()
    run_due()
    record_late_close()
    (piece,) = (piece for piece in ready(timezone.now()) if piece.kind == WorkKind.RENEWAL)
    done = leases.Lease.done

    def overtaken(claim: leases.Lease, result: dict[str, object]) -> None:
        raise leases.ClaimLost

    monkeypatch.setattr(leases.Lease, "done", overtaken)
    attempt = do(piece, timezone.now())
    assert attempt is not None
    assert attempt.ending == Ending.LEFT
    assert PeriodWork.objects.get(kind=WorkKind.FORECAST).done_at is not None
    monkeypatch.setattr(leases.Lease, "done", done)
    PeriodWork.objects.update(alive_at=timezone.now() - leases.STALE - timedelta(seconds=1))
    run_due()
    assert ForecastRun.objects.count() == 2


def test_new_data_that_waits_is_no_trouble() -> None:
    open_fleet()
    run_due()
    record_late_close()
    long_ago = timezone.now() - timedelta(hours=3)
    PeriodWork.objects.update(claimed_at=long_ago, alive_at=long_ago, done_at=long_ago)
    assert overdue(timezone.now() + timedelta(hours=2)) == []


def test_work_done_before_it_kept_what_it_knew_is_left_alone() -> None:
    open_fleet()
    run_due()
    for work in PeriodWork.objects.filter(kind__in=(WorkKind.FORECAST, WorkKind.RESTOCKS)):
        work.result = {name: work.result[name] for name in ("said", "run") if name in work.result}
        work.save()
    record_late_close()
    assert "nothing is due" in run_due()


def test_without_a_depot_one_sentence_says_what_to_do(capfd: pytest.CaptureFixture[str]) -> None:
    open_fleet()
    Place.objects.filter(code="DEPOT").update(kind="van")
    out = StringIO()
    with pytest.raises(CommandError, match="2 pieces of work went wrong") as ended:
        call_command("run_due", stdout=out)
    assert ended.value.returncode == 1
    said = out.getvalue() + "".join(capfd.readouterr())
    assert "Traceback" not in said
    assert said.count("There is no depot to fill vans from; add a place of the kind depot under Set-up.") == 1
    again = run_due()
    assert "is tried again at" in again
    Place.objects.filter(code="DEPOT").update(kind="depot")
    PeriodWork.objects.update(not_before=None)
    assert f"{len(VANS)} drafts" in run_due()
