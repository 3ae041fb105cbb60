"""Days in permanent records are the shop's, whatever offset a moment comes with and wherever the shop is."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from decimal import Decimal
from zoneinfo import ZoneInfo, available_timezones

import pytest
from django.core.exceptions import ValidationError
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory import documents, ledger
from inventory.db.time_zones import NOT_A_ZONE
from inventory.documents import Correction, Receipt, ReceiptLine
from inventory.integrity.document_checks import document_disagreements
from inventory.ledger import flags
from inventory.ledger.period_lock import change_lock
from inventory.models import Books, Document, Lot
from tests.inventory.small_shop import open_shop

NOW = datetime(2027, 3, 1, tzinfo=UTC)
ZONES = st.sampled_from(
    ["UTC", "Pacific/Kiritimati", "Pacific/Pago_Pago", "Asia/Kathmandu", "America/St_Johns", "Europe/Lisbon"]
) | st.sampled_from(sorted(available_timezones() - NOT_A_ZONE))
# Offsets of clocks go from -12 to +14 hours; what computers may write goes on to almost a day.
OFFSETS = st.integers(-15 * 60, 15 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
NEW_YEAR = datetime(2026, 1, 1, tzinfo=UTC)
MOMENTS = st.timedeltas(timedelta(), timedelta(365)).map(lambda since: NEW_YEAR + since)
FEW = settings(max_examples=25)

pytestmark = pytest.mark.django_db


@contextmanager
def a_shop_in(zone: str) -> Iterator[None]:
    """Open a shop whose clocks go by a zone, and take back all that is written there."""
    with transaction.atomic():
        open_shop()
        Books.objects.update(time_zone=zone)
        yield
        transaction.set_rollback(True)


def delivery(occurred_at: datetime, lot: str = "") -> Receipt:
    """Return a delivery of compound, which keeps 90 days."""
    line = ReceiptLine("compound", Decimal(5), Decimal(5), lot=lot)
    return Receipt("R-1", occurred_at, "maker", "depot", (line,))


def shop_day(moment: datetime, zone: str) -> date:
    """Return the day on the clocks of a zone, by another way than the books do."""
    offset = ZoneInfo(zone).utcoffset(moment.astimezone(ZoneInfo(zone)).replace(tzinfo=None))
    assert offset is not None
    return (moment.astimezone(UTC).replace(tzinfo=None) + offset).date()


@FEW
@given(ZONES, OFFSETS, MOMENTS, st.timedeltas(timedelta(seconds=1), timedelta(days=40)))
def test_a_late_documents_flag_names_the_shops_day_on_which_it_counts(
    zone: str, offset: tzinfo, moment: datetime, late: timedelta
) -> None:
    with a_shop_in(zone):
        first_open = moment + late
        change_lock(first_open, reason="month end", by="", now=NOW)
        posting = ledger.post(delivery(moment.astimezone(offset)), now=NOW)
        assert posting.posted_at == first_open
        expected = f"happened in a locked period; counts on {shop_day(first_open, zone)}"
        assert posting.flags == (expected,)
        assert Document.objects.get().flags == [expected]


@FEW
@given(ZONES, OFFSETS, MOMENTS)
def test_a_correction_over_a_lock_names_the_shops_day(zone: str, offset: tzinfo, moment: datetime) -> None:
    with a_shop_in(zone):
        ledger.post(delivery(moment), now=NOW)
        first_open = moment + timedelta(days=3)
        change_lock(first_open, reason="month end", by="", now=NOW)
        undo = Correction("C-1", (moment + timedelta(days=4)).astimezone(offset), "receipt", "R-1", "wrong")
        expected = f"undoes what is in a locked period; counts on {shop_day(first_open, zone)}"
        assert expected in ledger.post(undo, now=NOW).flags


@FEW
@given(ZONES, OFFSETS, MOMENTS)
def test_a_date_in_the_future_is_told_on_the_shops_clocks(
    zone: str, offset: tzinfo, moment: datetime
) -> None:
    with a_shop_in(zone):
        (flag,) = ledger.post(delivery(moment.astimezone(offset)), now=moment - timedelta(days=2)).flags
        local = moment.astimezone(ZoneInfo(zone))
        assert flag == f"dated {local:%Y-%m-%d %H:%M}, in the future; check the clock"


@FEW
@given(ZONES, OFFSETS, OFFSETS, MOMENTS)
def test_the_same_moment_with_another_offset_is_the_same_delivery_and_expires_the_same_day(
    zone: str, offset: tzinfo, other: tzinfo, moment: datetime
) -> None:
    with a_shop_in(zone):
        first = ledger.post(delivery(moment.astimezone(offset)), now=NOW)
        again = ledger.post(delivery(moment.astimezone(other)), now=NOW)
        assert first.created
        assert again == ledger.Posting(first.document_id, first.posted_at, first.flags, created=False)
        assert Lot.objects.get().expires_on == shop_day(moment, zone) + timedelta(days=90)
        assert list(document_disagreements()) == []


@FEW
@given(ZONES, OFFSETS, MOMENTS, st.sampled_from([-2, -1, 1, 2]), st.sampled_from(["", "L-1"]))
def test_an_expiry_a_day_off_is_named(
    zone: str, offset: tzinfo, moment: datetime, days: int, lot: str
) -> None:
    with a_shop_in(zone):
        ledger.post(delivery(moment.astimezone(offset), lot), now=NOW)
        stored = Lot.objects.get()
        Lot.objects.update(expires_on=stored.expires_on + timedelta(days=days))  # type: ignore[operator]
        assert [(found.what, found.where) for found in document_disagreements()] == [
            ("lot", "receipt R-1 line 1")
        ]


@given(OFFSETS, OFFSETS, st.sampled_from([2000, 2101]), st.timedeltas(timedelta(-1), timedelta(1)))
def test_whether_a_moment_is_one_of_the_books_does_not_depend_on_its_offset(
    offset: tzinfo, other: tzinfo, year: int, apart: timedelta
) -> None:
    moment = datetime(year, 1, 1, tzinfo=UTC) + apart
    said = [documents.time_problem(moment.astimezone(each)) for each in (UTC, offset, other)]
    assert said[0] == said[1] == said[2]
    assert (said[0] is None) == (moment.year in documents.YEARS)


def test_the_first_and_last_moment_there_is_are_refused_in_words() -> None:
    for hours in (-14, 14):
        there = timezone(timedelta(hours=hours))
        for moment in (datetime.min.replace(tzinfo=there), datetime.max.replace(tzinfo=there)):
            assert documents.time_problem(moment) == "is outside the years 2000 to 2100"


@given(ZONES, ZONES, MOMENTS)
def test_a_flag_of_other_clocks_says_the_shops_day_too(before: str, now: str, moment: datetime) -> None:
    late = moment + timedelta(days=1)
    for flag in (
        flags.late(late, ZoneInfo(before)),
        flags.undone_late(late, ZoneInfo(before)),
        flags.in_future(moment, ZoneInfo(before)),
    ):
        (shown,) = flags.as_shown([flag], occurred_at=moment, posted_at=late, zone=ZoneInfo(now))
        assert shown.startswith(flag)
        named = re.findall(r"\d{4}-\d\d-\d\d(?: \d\d:\d\d)?", shown)[-1]
        due = moment if "future" in flag else late
        assert named == f"{due.astimezone(ZoneInfo(now)):%Y-%m-%d %H:%M}"[: len(named)]
        assert (shown == flag) == (re.search(re.escape(named), flag) is not None)


def test_what_a_flag_says_besides_days_is_shown_as_it_is() -> None:
    said = ["van-a held 0 of disc by the book, 5 went out; enter the missing receipt or transfer"]
    assert list(flags.as_shown(said, occurred_at=NOW, posted_at=NOW, zone=ZoneInfo("Asia/Tokyo"))) == said


@pytest.mark.parametrize("name", ["", "Lisbon", "localtime", "Factory", "europe/lisbon", "../UTC", "UTC+1"])
def test_the_books_refuse_what_is_no_zone(name: str) -> None:
    with pytest.raises(ValidationError):
        Books(pk=1, time_zone=name).clean_fields()
