"""What arrived before a count and is entered after it: lost only where the count saw it, and asked about."""

from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory import ledger
from inventory.documents import Receipt, ReceiptLine, StockLine, Transfer
from inventory.integrity.document_checks import document_disagreements
from inventory.integrity.stock_checks import stock_disagreements
from inventory.ledger import late_arrivals
from inventory.ledger.late_arrivals import Seen, overtaken
from inventory.ledger.period_lock import change_lock
from inventory.models import CountLine, Document, Holding, MovementValue
from tests.inventory.small_shop import (
    NOW,
    correct,
    count,
    day,
    open_shop,
    receive,
    transfer,
    undone_afterwards,
    use,
)

pytestmark = pytest.mark.django_db
DISC = "disc-p400"
HAPPENINGS = ["count", "use", "receive", "move"]


@pytest.fixture(autouse=True)
def _shop() -> None:
    open_shop()


def delivery(on: int, quantity: str = "5", *, id_: str = "LATE", place: str = "depot") -> Receipt:
    return Receipt(id_, day(on), "maker", place, (ReceiptLine(DISC, Decimal(quantity), Decimal(10)),))


def held(place: str = "depot") -> Decimal:
    quantity: Decimal = Holding.objects.get(place__code=place, consumable__code=DISC).quantity
    return quantity


def lost_value() -> Decimal:
    """Return the value that counts have lost, less what they found."""
    values = MovementValue.objects.filter(movement__count_line__isnull=False).select_related(
        "movement__destination"
    )
    return sum(
        (row.value if row.movement.destination.kind == "lost" else -row.value for row in values), Decimal(0)
    )


def post(document: Receipt | Transfer, first: str | None) -> ledger.Posting:
    return late_arrivals.post(document, Seen(first), by="", now=NOW)


def all_is_well() -> bool:
    return not [*stock_disagreements(), *document_disagreements()]


def test_a_receipt_dated_before_a_count_is_flagged_with_what_is_lost() -> None:
    receive("R-1", 0, (DISC, "10", "20"))
    count("C-1", 9, "depot", DISC, "10")
    posting = ledger.post(delivery(5), now=NOW)
    (flag,) = posting.flags
    assert flag.startswith(
        "depot was counted after this came, on 2026-01-10, and 5 of disc-p400 count as lost;"
    )
    assert flag.endswith("if they were not on the shelf yet, undo count C-1 and count them in")
    assert held() == 10
    assert lost_value() > 0


def test_what_the_count_did_not_see_is_in_stock_once_the_count_is_corrected() -> None:
    receive("R-1", 0, (DISC, "10", "20"))
    count("C-1", 9, "depot", DISC, "10")
    use("J-1", 12, "depot", DISC, "2")
    found = overtaken(delivery(5))
    assert found is not None
    assert (found.place, dict(found.lost)) == ("depot", {DISC: Decimal(5)})
    assert [each.client_id for each in found.counts] == ["C-1"]
    first = post(delivery(5), None)
    assert (first.created, first.flags) == (True, ())
    assert held() == 13
    assert lost_value() == 0
    assert all_is_well()
    written = Document.objects.count()
    again = post(delivery(5), None)
    assert (again.document_id, again.created) == (first.document_id, False)
    assert Document.objects.count() == written
    assert overtaken(delivery(5)) is None
    standing = CountLine.objects.get(document__corrected_by__isnull=True)
    assert (standing.quantity, standing.counted_at) == (15, day(9))


def test_what_the_count_saw_stays_as_it_was_counted() -> None:
    receive("R-1", 0, (DISC, "10", "20"))
    count("C-1", 9, "depot", DISC, "10")
    assert post(delivery(5), "C-1").flags
    assert held() == 10
    assert not Document.objects.filter(kind="correction").exists()


def test_the_first_count_that_saw_it_is_not_corrected() -> None:
    """It came on the 5th, was found by the count of the 20th, and not by that of the 9th."""
    receive("R-1", 0, (DISC, "10", "20"))
    count("C-1", 9, "depot", DISC, "10")
    count("C-2", 20, "depot", DISC, "15")
    assert overtaken(delivery(5)) is not None
    post(delivery(5), "C-2")
    assert held() == 15
    assert lost_value() == 0
    assert set(Document.objects.filter(corrected_by__isnull=False).values_list("client_id", flat=True)) == {
        "C-1"
    }
    assert all_is_well()


@pytest.mark.parametrize(("found_too_much", "lost"), [(0, 5), (2, 3), (5, 0), (7, 0)])
def test_what_a_count_found_too_much_is_what_came(found_too_much: int, lost: int) -> None:
    receive("R-1", 0, (DISC, "10", "20"))
    count("C-1", 9, "depot", DISC, str(10 + found_too_much))
    found = overtaken(delivery(5))
    assert (dict(found.lost) if found else {}) == ({DISC: Decimal(lost)} if lost else {})
    assert bool(ledger.post(delivery(5), now=NOW).flags) == bool(lost)


def test_nothing_is_asked_about_what_is_not_overtaken() -> None:
    receive("R-1", 0, (DISC, "10", "20"))
    count("C-1", 9, "van-a", DISC, "0")
    count("C-2", 9, "depot", "compound", "0")
    count("C-3", 9, "depot", DISC, "4")
    correct("X-1", "count", "C-3")
    assert overtaken(delivery(5)) is None
    assert ledger.post(delivery(5), now=NOW).flags == ()
    count("C-4", 9, "depot", DISC, "15")
    assert overtaken(delivery(10, id_="R-2")) is None


def test_a_transfer_into_a_counted_place_is_the_same() -> None:
    receive("R-1", 0, (DISC, "10", "20"))
    count("C-1", 9, "van-a", DISC, "0")
    carried = Transfer("T-1", day(5), "depot", "van-a", (StockLine(DISC, Decimal(4)),))
    found = overtaken(carried)
    assert found is not None
    assert (found.place, dict(found.lost)) == ("van-a", {DISC: Decimal(4)})
    with undone_afterwards():
        assert "4 of disc-p400 count as lost" in ledger.post(carried, now=NOW).flags[0]
        assert held("van-a") == 0
    post(carried, None)
    assert (held("van-a"), held()) == (Decimal(4), Decimal(6))
    assert all_is_well()


def test_a_count_in_a_locked_period_is_corrected_in_the_open_one() -> None:
    receive("R-1", 0, (DISC, "10", "20"))
    count("C-1", 9, "depot", DISC, "10")
    change_lock(day(15), reason="month end", by="", now=NOW)
    posting = post(delivery(5), None)
    assert posting.posted_at == day(15)
    assert held() == 15
    assert lost_value() == 0
    assert all_is_well()


@settings(max_examples=15)
@given(
    st.lists(
        st.tuples(st.integers(1, 20), st.sampled_from(HAPPENINGS), st.integers(0, 9)),
        max_size=7,
    ),
    st.integers(0, 20),
    st.integers(1, 9),
)
def test_it_is_asked_exactly_when_the_stock_would_not_have_all_that_came(
    history: list[tuple[int, str, int]], on: int, quantity: int
) -> None:
    """Whatever happened: an unasked arrival, or one no count saw, is in stock in whole or explains a find."""
    with undone_afterwards():
        for number, (when, what, amount) in enumerate(history):
            if what == "count":
                count(f"D-{number}", when, "depot", DISC, str(amount))
            elif amount and what == "use":
                use(f"D-{number}", when, "depot", DISC, str(amount))
            elif amount and what == "receive":
                receive(f"D-{number}", when, (DISC, str(amount), str(amount)))
            elif amount:
                transfer(f"D-{number}", when, "depot", "van-a", DISC, str(amount))
        late = delivery(on, str(quantity))
        before = Holding.objects.filter(place__code="depot", consumable__code=DISC).first()
        stock = before.quantity if before else Decimal(0)
        lost = lost_units()
        found = overtaken(late)
        with undone_afterwards():
            flags = ledger.post(late, now=NOW).flags
            newly_lost = lost_units() - lost
            assert any("count as lost" in flag for flag in flags) == (found is not None)
            assert newly_lost == (found.lost[DISC] if found else 0)
        if found:
            post(late, None)
            assert held() == stock + quantity
            assert all_is_well()


def lost_units() -> Decimal:
    """Return what each count line has lost, added up: what it found too much is no gain here."""
    lines = CountLine.objects.filter(document__corrected_by__isnull=True)
    lost = Decimal(0)
    for line in lines.prefetch_related("movements"):
        booked = sum(
            (m.quantity if m.destination_id == line.place_id else -m.quantity for m in line.movements.all()),
            Decimal(0),
        )
        lost += max(-booked, Decimal(0))
    return lost


def test_what_cannot_be_posted_is_left_to_the_ledger_to_refuse() -> None:
    count("C-1", 9, "depot", DISC, "0")
    assert overtaken(delivery(5, "-1")) is None
    assert overtaken(delivery(5, place="nowhere")) is None
    far = Receipt("R", day(0).replace(year=1) + timedelta(1), "maker", "depot", delivery(5).lines)
    assert overtaken(far) is None
