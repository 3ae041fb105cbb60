"""The one door: complete, exactly-once, never refused for what the book says."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from inventory import documents as d
from inventory import ledger
from inventory.ledger import Conflict, Refused
from inventory.models import (
    Consumable,
    Document,
    Holding,
    Lot,
    Movement,
    MovementValue,
    RefusedDocument,
)
from tests.factories import (
    COMPOUND,
    DEPOT,
    DISC,
    NOW,
    OTHER_VAN,
    PAD,
    VAN,
    at,
    close,
    correction,
    count,
    give_back,
    holding,
    make_shop,
    pool_of,
    receipt,
    scrap,
    transfer,
    use,
    value_of,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _shop() -> None:
    make_shop()


def post(*documents: d.Document) -> list[ledger.Posting]:
    return [ledger.post(document, by="storekeeper", now=NOW) for document in documents]


def written() -> tuple[int, ...]:
    return tuple(model.objects.count() for model in (Document, Movement, Holding, MovementValue))


def test_stock_moves_and_its_holdings_follow() -> None:
    post(
        receipt("R-1", 0, (DISC, 100, 50), (COMPOUND, "1000", 20)),
        transfer("T-1", 1, DEPOT, VAN, (DISC, 40), (COMPOUND, "250.5")),
        close("J-1", 2, (DISC, 3), (COMPOUND, "10.25"), place=VAN),
        scrap("S-1", 3, (DISC, 1), place=VAN),
        give_back("B-1", 4, "J-1", (DISC, 1), place=OTHER_VAN),
    )
    assert holding(DISC) == 60
    assert holding(DISC, VAN) == 36
    assert holding(DISC, OTHER_VAN) == 1
    assert holding(COMPOUND, VAN) == Decimal("240.25")


def test_a_transfer_moves_no_value() -> None:
    post(receipt("R-1", 0, (DISC, 10, 50)), transfer("T-1", 1, DEPOT, VAN, (DISC, 4)))
    assert not MovementValue.objects.filter(movement__document__kind="transfer").exists()
    assert pool_of(DISC).value == 50


def test_the_document_is_kept_as_it_was_sent() -> None:
    sent = receipt("R-1", 0, (DISC, 10, "50.10"), note="two boxes\none torn")
    (posting,) = post(sent)
    row = Document.objects.get(pk=posting.document_id)
    assert row.content == d.content(sent)
    assert (row.recorded_by, row.recorded_at, row.occurred_at) == ("storekeeper", NOW, at(0))


def test_the_same_document_again_is_answered_with_the_first_result() -> None:
    (first,) = post(close("J-1", 1, (DISC, 2)))
    before = written()
    (again,) = post(close("J-1", 1, (DISC, "2.0")))
    assert again == replace(first, created=False)
    assert written() == before


def test_an_id_is_taken_within_its_kind_only() -> None:
    postings = post(close("X-1", 1, (DISC, 2)), use("X-1", 1, (DISC, 3)))
    assert all(posting.created for posting in postings)
    assert holding(DISC) == -5


@pytest.mark.django_db(transaction=True)
def test_other_content_under_a_taken_id_is_refused_and_kept() -> None:
    post(close("J-1", 1, (DISC, 2)))
    before = written()
    other = close("J-1", 1, (DISC, 3))
    with pytest.raises(Conflict, match="posted before with other content") as refusal:
        ledger.post(other, by="phone 2", now=NOW)
    assert [(document, problem.field) for document, problem in refusal.value.problems] == [(other, "id")]
    assert written() == before
    kept = RefusedDocument.objects.get()
    assert (kept.kind, kept.client_id, kept.refused_by, kept.refused_at) == ("close", "J-1", "phone 2", NOW)
    assert kept.content == d.content(other)
    with pytest.raises(Conflict):
        ledger.post(other, by="phone 2", now=NOW)
    assert RefusedDocument.objects.count() == 1
    with pytest.raises(Conflict):
        ledger.post(close("J-1", 1, (DISC, 4)), by="phone 2", now=NOW)
    assert RefusedDocument.objects.count() == 2


@pytest.mark.django_db(transaction=True)
def test_a_batch_with_any_problem_writes_nothing_and_names_them_all() -> None:
    post(close("J-1", 1, (DISC, 2)))
    before = written()
    batch: list[d.Document] = [
        close("J-2", 1, (DISC, 1)),
        close("J-1", 1, (DISC, 9)),
        close("J-3", 1, ("UNKNOWN", 1), (DISC, "1.5")),
        receipt("R-1", 1, (DISC, -1, 1), supplier="NOBODY"),
    ]
    with pytest.raises(Refused) as refusal:
        ledger.post_many(batch, now=NOW)
    assert not isinstance(refusal.value, Conflict)
    assert sorted((document.id, problem.field) for document, problem in refusal.value.problems) == [
        ("J-1", "id"),
        ("J-3", "consumable"),
        ("J-3", "quantity"),
        ("R-1", "quantity"),
        ("R-1", "supplier"),
    ]
    assert written() == before
    assert not RefusedDocument.objects.exists()


def test_a_refused_document_inside_a_callers_transaction_leaves_it_usable() -> None:
    with transaction.atomic():
        with pytest.raises(Refused):
            ledger.post(close("J-1", 1, ("UNKNOWN", 1)), now=NOW)
        ledger.post(close("J-1", 1, (DISC, 1)), now=NOW)
    assert holding(DISC) == -1


@pytest.mark.parametrize(
    ("document", "says"),
    [
        (close("J-1", 1, (DISC, 1), place="NOWHERE"), "place NOWHERE is not a known place"),
        (close("J-1", 1, (DISC, 1), place="job"), "place job is outside the shop"),
        (close("J-1", 1, (DISC, 1), place=""), "place  is empty"),
        (count("N-1", 1, (DISC, 1), place="lost"), "line 1: place lost is outside the shop"),
        (transfer("T-1", 1, "supplier", VAN, (DISC, 1)), "source supplier is outside the shop"),
        (receipt("R-1", 1, (DISC, 1, 1), supplier="X"), "supplier X is not a known supplier"),
        (close("J-1", 1, (DISC, "1.5")), "line 1: quantity 1.5 is not whole; DISC-P400 is counted"),
        (close("J-1", 1, (PAD, "0.5")), "line 1: quantity 0.5 is not whole; PAD-SOFT is worn"),
        (close("J-1", 1, (DISC, "1E+999999")), "check the unit"),
        (close("J-1", 1, (DISC, "sNaN")), "is not a number"),
        (close("J\x00", 1, (DISC, 1)), "has a control character"),
        (close("J-1", 1, ("D\x00", 1)), "has a control character"),
        (give_back("B-1", 1, "J\x00", (DISC, 1)), "has a control character"),
        (receipt("R-1", 1, (DISC, 1, 1), discount=Decimal("NaN")), "discount NaN is not a number"),
        (give_back("B-1", 1, "J-9", (DISC, 1)), "returns_id close J-9 is not a posted close or use"),
        (correction("C-1", "close", "J-9"), "corrects_id close J-9 is not a posted document"),
    ],
)
def test_bad_input_gets_a_clear_answer_and_writes_nothing(document: d.Document, says: str) -> None:
    with pytest.raises(Refused, match=says.replace("+", r"\+")):
        ledger.post(document, now=NOW)
    assert written() == (0, 0, 0, 0)


def test_an_expiry_that_is_no_date_is_refused() -> None:
    line = d.ReceiptLine(COMPOUND, Decimal(1), Decimal(1), expires_on="31.12.2026")
    with pytest.raises(Refused, match=r"line 1: expires_on 31\.12\.2026 is not a date as 2026-12-31"):
        ledger.post(replace(receipt("R-1", 0), lines=(line,)), now=NOW)


def test_a_lot_expires_when_its_receipt_says_or_after_its_shelf_life() -> None:
    said = d.ReceiptLine(COMPOUND, Decimal(1), Decimal(1), lot="L7", expires_on="2026-12-31")
    post(replace(receipt("R-1", 0), lines=(said,)), receipt("R-2", 0, (COMPOUND, 1, 1), (DISC, 1, 1)))
    lots = Lot.objects.order_by("pk").values_list("document__client_id", "code", "expires_on")
    assert list(lots) == [
        ("R-1", "L7", date(2026, 12, 31)),
        ("R-2", "", (at(0) + timedelta(days=365)).date()),
    ]


def test_more_used_than_known_is_accepted_and_flagged() -> None:
    post(receipt("R-1", 0, (DISC, 2, 10)))
    (posting,) = post(close("J-1", 1, (DISC, 5)))
    assert holding(DISC) == -3
    (flag,) = posting.flags
    assert flag.startswith("DEPOT held 2 of DISC-P400 by the book, 5 went out; enter the missing receipt")
    assert MovementValue.objects.get(movement__document__kind="close").provisional


def test_a_use_within_the_stock_is_not_flagged() -> None:
    post(receipt("R-1", 0, (DISC, 2, 10)))
    assert post(close("J-1", 1, (DISC, 2)))[0].flags == ()


def test_two_lines_that_together_take_too_much_are_flagged_once() -> None:
    post(receipt("R-1", 0, (DISC, 3, 10)))
    (posting,) = post(close("J-1", 1, (DISC, 2), (DISC, 2)))
    assert len(posting.flags) == 1
    assert "held 1 of DISC-P400" in posting.flags[0]


def test_a_date_in_the_future_is_accepted_and_flagged() -> None:
    (posting,) = post(close("J-1", 62))
    assert "in the future; check the clock" in posting.flags[0]


def test_a_return_brings_back_no_more_than_went_out() -> None:
    post(close("J-1", 1, (DISC, 3)), give_back("B-1", 2, "J-1", (DISC, 2)))
    with pytest.raises(Refused, match="line 1: quantity 2 is more than the 1 left of close J-1"):
        ledger.post(give_back("B-2", 2, "J-1", (DISC, 2)), now=NOW)
    post(give_back("B-3", 2, "J-1", (DISC, 1)))
    assert holding(DISC) == 0


def test_two_returns_of_one_batch_bring_back_no_more_than_went_out() -> None:
    batch: list[d.Document] = [
        close("J-1", 1, (DISC, 3)),
        give_back("B-1", 2, "J-1", (DISC, 2)),
        give_back("B-2", 2, "J-1", (DISC, 2)),
    ]
    with pytest.raises(Refused, match="return B-2: line 1: quantity 2 is more than the 1 left"):
        ledger.post_many(batch, now=NOW)
    assert written() == (0, 0, 0, 0)


def test_a_return_of_one_consumable_used_on_two_lines_takes_from_both() -> None:
    post(close("J-1", 1, (DISC, 3), (DISC, 2)), give_back("B-1", 2, "J-1", (DISC, 4)))
    back = Movement.objects.filter(document__kind="return").order_by("line")
    assert [(m.line, m.quantity, m.reverses.line if m.reverses else None) for m in back] == [
        (1, 3, 1),
        (2, 1, 2),
    ]


def test_a_return_before_its_use_is_refused() -> None:
    post(close("J-1", 2, (DISC, 1)))
    with pytest.raises(Refused, match="is before close J-1"):
        ledger.post(give_back("B-1", 1, "J-1", (DISC, 1)), now=NOW)


def test_a_return_of_what_is_no_use_is_refused() -> None:
    post(scrap("S-1", 1, (DISC, 1)))
    with pytest.raises(Refused, match="scrap S-1 is not a posted close or use"):
        ledger.post(give_back("B-1", 2, "S-1", (DISC, 1), kind="scrap"), now=NOW)


@pytest.mark.parametrize(
    "document",
    [
        receipt("X-1", 1, (DISC, 10, 70)),
        transfer("X-1", 1, DEPOT, VAN, (DISC, 2)),
        close("X-1", 1, (DISC, 2)),
        use("X-1", 1, (DISC, 2)),
        count("X-1", 1, (DISC, 2)),
        scrap("X-1", 1, (DISC, 2)),
        give_back("X-1", 1, "J-0", (DISC, 1)),
    ],
)
def test_a_correction_undoes_any_document_as_if_it_had_never_been(document: d.Document) -> None:
    post(receipt("R-0", 0, (DISC, 10, 50)), close("J-0", 0.5, (DISC, 1)))
    before = (holding(DISC), holding(DISC, VAN), pool_of(DISC))
    post(document, close("J-2", 2, (DISC, 1)), correction("C-1", document.kind, "X-1"))
    post(correction("C-2", "close", "J-2"))
    assert (holding(DISC), holding(DISC, VAN), pool_of(DISC)) == before
    assert value_of(document.kind, "X-1") == 0
    with pytest.raises(Refused, match="was undone by correction C-1"):
        ledger.post(correction("C-3", document.kind, "X-1"), now=NOW)
    with pytest.raises(Refused, match="is a correction; post the document again instead"):
        ledger.post(correction("C-4", "correction", "C-1"), now=NOW)


def test_a_use_with_returns_is_corrected_after_them() -> None:
    post(close("J-1", 1, (DISC, 3)), give_back("B-1", 2, "J-1", (DISC, 2)))
    with pytest.raises(Refused, match="has returns; correct those first"):
        ledger.post(correction("C-1", "close", "J-1"), now=NOW)
    post(correction("C-1", "return", "B-1"), correction("C-2", "close", "J-1"))
    assert holding(DISC) == 0
    with pytest.raises(Refused, match="was undone by correction C-2"):
        ledger.post(give_back("B-2", 2, "J-1", (DISC, 1)), now=NOW)


def test_a_corrected_return_can_be_made_again() -> None:
    post(
        receipt("R-1", 0, (DISC, 4, 10)),
        close("J-1", 1, (DISC, 3)),
        give_back("B-1", 2, "J-1", (DISC, 3)),
        correction("C-1", "return", "B-1"),
        give_back("B-2", 3, "J-1", (DISC, 3)),
    )
    assert holding(DISC) == 4
    assert (value_of("return", "B-1"), value_of("return", "B-2")) == (Decimal(0), Decimal("7.5"))


def test_a_batch_may_hold_a_document_its_repeat_and_what_undoes_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("inventory.ledger.posting.BATCH", 2)
    used = close("J-1", 1, (DISC, 3))
    back = give_back("B-1", 2, "J-1", (DISC, 2))
    batch: list[d.Document] = [
        used,
        used,
        back,
        back,
        used,
        correction("C-1", "return", "B-1"),
        correction("C-2", "close", "J-1"),
    ]
    postings = ledger.post_many(batch, now=NOW)
    assert [posting.created for posting in postings] == [True, False, True, False, False, True, True]
    assert len({posting.document_id for posting in postings}) == 4
    assert holding(DISC) == 0


def test_one_id_with_two_contents_in_a_batch_is_a_conflict() -> None:
    with pytest.raises(Conflict):
        ledger.post_many([close("J-1", 1, (DISC, 3)), close("J-1", 1, (DISC, 4))], now=NOW)
    assert written() == (0, 0, 0, 0)


def test_progress_counts_every_document_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("inventory.ledger.posting.BATCH", 2)
    seen: list[int] = []
    batch: list[d.Document] = [close(f"J-{n}", 1, (DISC, 3)) for n in range(5)]
    ledger.post_many([*batch, correction("C-1", "close", "J-0")], now=NOW, progress=seen.append)
    assert sum(seen) == 6


def test_an_empty_batch_is_nothing() -> None:
    assert ledger.post_many([], now=NOW) == []


SIX = [f"M-{n}" for n in range(6)]


def six_lines(id_: str, day: float) -> d.Use:
    return use(id_, day, *((code, 1) for code in SIX))


@pytest.fixture
def six() -> None:
    """Add six more consumables, received once."""
    Consumable.objects.bulk_create(
        Consumable(code=code, name=code, kind="counted", stock_unit="each") for code in SIX
    )
    ledger.post(receipt("R-0", 0, *((code, 1000, 500) for code in SIX)), now=NOW)


def queries(work: Callable[[], object]) -> int:
    with CaptureQueriesContext(connection) as captured:
        work()
    return len(captured)


@pytest.mark.usefixtures("six")
def test_posting_takes_the_same_number_of_queries_after_2000_movements() -> None:
    post(six_lines("U-0", 1))
    new_before = queries(lambda: post(six_lines("U-1", 2)))
    late_before = queries(lambda: post(six_lines("U-2", 1.5)))
    history = [six_lines(f"H-{n}", 3 + n / 100) for n in range(2000 // len(SIX) + 1)]
    ledger.post_many(history, now=NOW)
    assert Movement.objects.count() > 2000
    new_after = queries(lambda: post(six_lines("U-3", 20)))
    late_after = queries(lambda: post(six_lines("U-4", 19.5)))
    very_late_after = queries(lambda: post(six_lines("U-5", 2.5)))
    assert new_after == new_before
    assert late_after == late_before
    # Starting again from further back writes no more statements than starting from a little way back, but
    # for the values that change: a moving average of equal costs changes none.
    assert very_late_after <= late_before + 2
    assert new_after <= 25


def test_the_largest_count_of_the_dearest_stock_can_be_valued() -> None:
    ledger.post(receipt("R-1", 0, (COMPOUND, 1000, 1_000_000_000)), now=NOW)
    ledger.post(count("N-1", 1, (COMPOUND, d.LARGEST_QUANTITY)), now=NOW)
    found = MovementValue.objects.get(movement__document__client_id="N-1")
    assert found.value == Decimal("9999000000000")
