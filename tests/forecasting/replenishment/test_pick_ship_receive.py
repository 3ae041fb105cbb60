"""From a draft to stock on board: every step once, undone where it can be, nothing lost on the way."""

import csv
import io
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pypdf
import pytest

from forecasting.models import Restock, StockingTerms
from forecasting.replenishment.approval import approve, cancel, reopen, take_approval_back
from forecasting.replenishment.discrepancies import Settlement, settle
from forecasting.replenishment.pick_list import pick_list_csv, pick_list_pdf
from forecasting.replenishment.pick_ship_receive import confirm, pick, take_confirmation_back, take_pick_back
from forecasting.workflow import Done, StepConflict, StepRefused
from inventory import ledger
from inventory.documents import Correction
from inventory.integrity import stock_checks
from inventory.models import Document
from inventory.reports.stock_on_hand import stock_at
from tests.forecasting.restock_shop import (
    COMPOUND,
    DISC,
    NEXT_WEEK,
    NOW,
    PAD,
    draft,
    forecast,
    line,
    open_restock_shop,
    stock,
)

pytestmark = pytest.mark.django_db
BURN = (1, 4, 6, 9, 14, 15, 16, 17)
WAY = "van-a-UNDER-WAY"
# A week takes 14 in 90 of 100 cases (class C); 5 discs are on board, and the depot has no more than 10 pads.
WANTED = {DISC: Decimal(9), COMPOUND: Decimal(14), PAD: Decimal(10)}


@pytest.fixture
def restock() -> Restock:
    """Draft van-a's restock, where the depot has all but pads enough."""
    return new_restock()


def new_restock() -> Restock:
    """Open the shop and draft."""
    open_restock_shop()
    StockingTerms.objects.update(van_lead_days=0)
    return draft(forecast({("van-a", consumable): BURN for consumable in (DISC, COMPOUND, PAD)}))["van-a"]


def step(
    action: Callable[..., Done[Restock]], restock: Restock, *arguments: Any, by: str = "sue"
) -> Done[Restock]:
    """Take a step."""
    return action(restock.pk, *arguments, by=by, now=NOW + timedelta(hours=1))


def amounts(**quantities: int) -> dict[str, Decimal]:
    """Return quantities by code: disc=3 is three discs."""
    codes = {"disc": DISC, "compound": COMPOUND, "pad": PAD}
    return {codes[name]: Decimal(quantity) for name, quantity in quantities.items()}


def events(restock: Restock) -> list[str]:
    """Return what happened to a restock."""
    return list(restock.events.values_list("what", flat=True))


def test_the_whole_way_leaves_balances_and_values_right(restock: Restock) -> None:
    before = stock()
    assert {row.consumable.code: row.suggested for row in restock.lines.all()} == WANTED
    assert step(approve, restock, amounts(disc=8, compound=0)).changed
    assert stock() == before
    assert step(pick, restock, amounts(disc=7)).flags == ()
    # 7 of 8 discs were found, and the 10 pads.
    assert stock() == {
        ("depot", DISC): 93,
        ("depot", COMPOUND): 2000,
        ("van-a", DISC): 5,
        (WAY, DISC): 7,
        (WAY, PAD): 10,
    }
    done = step(confirm, restock, amounts(disc=6), by="ann")
    assert done.order.status == "received"
    assert stock() == {
        ("depot", DISC): 93,
        ("depot", COMPOUND): 2000,
        ("van-a", DISC): 11,
        ("van-a", PAD): 10,
        (WAY, DISC): 1,
    }
    assert line(restock).open == 1
    step(settle, restock, {DISC: Settlement(Decimal(1), lost=Decimal(1))})
    assert line(restock).open == 0
    assert line(restock).lost == 1
    values = {(row.place, row.consumable): row.value for row in stock_at(NOW + timedelta(days=1))}
    # Discs cost 2.50 and pads 40 each; the lost disc is no longer stock.
    assert values == {
        ("depot", DISC): Decimal("232.5"),
        ("depot", COMPOUND): 60,
        ("van-a", DISC): Decimal("27.5"),
        ("van-a", PAD): 400,
    }
    assert list(stock_checks.stock_disagreements()) == []
    assert events(restock) == ["drafted", "approved", "picked", "confirmed", "settled"]
    assert list(restock.events.values_list("by", flat=True)) == ["clock", "sue", "sue", "ann", "sue"]
    assert (
        Document.objects.get(kind="transfer", client_id="RESTOCK-2026-W10-van-a-OUT-1").recorded_by == "sue"
    )


def test_as_suggested_approved_and_picked_without_a_word(restock: Restock) -> None:
    for action in (approve, pick, confirm):
        step(action, restock)
    assert {row.consumable.code: row.received for row in restock.lines.all()} == WANTED
    assert stock()["van-a", COMPOUND] == 14


def test_every_step_again_is_answered_with_the_first(restock: Restock) -> None:
    steps: list[tuple[Callable[..., Done[Restock]], dict[str, Decimal]]] = [
        (approve, amounts(disc=8)),
        (pick, amounts(disc=7)),
        (confirm, amounts(disc=5)),
    ]
    for action, quantities in steps:
        assert step(action, restock, quantities).changed
        after = stock()
        assert not step(action, restock, quantities).changed
        assert stock() == after
        for other in ({}, amounts(disc=1)):
            with pytest.raises(StepConflict, match="by sue"):
                step(action, restock, other)
    said = {DISC: Settlement(Decimal(2), at_depot=Decimal(2))}
    assert step(settle, restock, said).changed
    assert not step(settle, restock, said).changed
    assert Document.objects.filter(kind="transfer").count() == 3
    assert events(restock) == ["drafted", "approved", "picked", "confirmed", "settled"]


def test_steps_out_of_turn_are_refused(restock: Restock) -> None:
    for action in (pick, confirm, take_pick_back, take_confirmation_back, reopen):
        if action is reopen:
            assert not step(action, restock).changed
            continue
        with pytest.raises(StepConflict, match="status draft does not allow it"):
            step(action, restock)
    step(approve, restock)
    with pytest.raises(StepConflict, match="approved by sue on 2026-03-02 07:00"):
        step(confirm, restock)
    step(pick, restock)
    for action in (cancel, take_approval_back, approve):
        with pytest.raises(StepConflict):
            step(action, restock)
    with pytest.raises(StepConflict, match="once the van has confirmed"):
        step(settle, restock, {})


@pytest.mark.parametrize(
    ("quantities", "said"),
    [
        ({DISC: Decimal(-1)}, "disc-p400 -1 is negative"),
        ({DISC: Decimal("1.5")}, "disc-p400 1.5 is not whole; disc-p400 is counted"),
        ({DISC: Decimal("NaN")}, "is not a number"),
        ({COMPOUND: Decimal("0.00001")}, "more than 4 decimal places"),
        ({DISC: Decimal(10**8)}, "check the unit"),
        ({"glue": Decimal(1)}, "consumable glue is not on this restock"),
        ({DISC: Decimal(0), COMPOUND: Decimal(0), PAD: Decimal(0)}, "all nothing"),
    ],
)
def test_quantities_that_cannot_be_are_refused_with_their_consumable(
    restock: Restock, quantities: dict[str, Decimal], said: str
) -> None:
    for action in (approve, pick):
        with pytest.raises(StepRefused, match=said):
            step(action, restock, quantities)
        if action is approve:
            step(approve, restock)


def test_an_approval_can_be_taken_back_and_changed(restock: Restock) -> None:
    step(approve, restock)
    assert step(take_approval_back, restock).changed
    assert not step(take_approval_back, restock).changed
    assert line(restock).approved is None
    step(approve, restock, amounts(disc=3))
    assert line(restock).approved == 3
    last = restock.events.last()
    assert last is not None
    assert last.details == {"changed": {DISC: "3"}}


def test_a_pick_can_be_taken_back_and_done_anew(restock: Restock) -> None:
    before = stock()
    step(approve, restock)
    step(pick, restock)
    assert step(take_pick_back, restock).changed
    assert not step(take_pick_back, restock).changed
    assert stock() == before
    step(pick, restock, amounts(disc=2, compound=0, pad=0))
    assert stock()[WAY, DISC] == 2
    restock.refresh_from_db()
    assert restock.sent_document is not None
    assert restock.sent_document.client_id == "RESTOCK-2026-W10-van-a-OUT-2"


def test_a_confirmation_can_be_taken_back_until_something_is_settled(restock: Restock) -> None:
    step(approve, restock)
    step(pick, restock)
    under_way = stock()
    step(confirm, restock, amounts(disc=1))
    assert step(take_confirmation_back, restock).changed
    assert stock() == under_way
    step(confirm, restock, amounts(disc=7))
    step(settle, restock, {DISC: Settlement(Decimal(2), on_van=Decimal(1))})
    with pytest.raises(StepConflict, match="differences that were settled"):
        step(take_confirmation_back, restock)


def test_a_pick_that_was_corrected_by_hand_is_not_confirmed(restock: Restock) -> None:
    before = stock()
    step(approve, restock)
    step(pick, restock)
    id_ = "RESTOCK-2026-W10-van-a-OUT-1"
    ledger.post(Correction("K-1", NOW + timedelta(hours=2), "transfer", id_, "wrong van"))
    with pytest.raises(StepConflict, match="undone by correction K-1"):
        step(confirm, restock)
    step(take_pick_back, restock)
    assert stock() == before


def test_nothing_arrived(restock: Restock) -> None:
    step(approve, restock)
    step(pick, restock)
    step(confirm, restock, amounts(disc=0, compound=0, pad=0))
    assert {row.consumable.code: row.open for row in restock.lines.all()} == WANTED
    restock.refresh_from_db()
    assert restock.received_document is None
    step(
        settle,
        restock,
        {
            code: Settlement(open_, at_depot=open_ - (1 if code == PAD else 0), lost=Decimal(code == PAD))
            for code, open_ in WANTED.items()
        },
    )
    assert stock() == {
        ("depot", DISC): 100,
        ("depot", COMPOUND): 2000,
        ("depot", PAD): 9,
        ("van-a", DISC): 5,
    }


def test_more_arrived_than_was_written_down(restock: Restock) -> None:
    step(approve, restock)
    step(pick, restock)
    step(confirm, restock, amounts(disc=12))
    assert stock()[WAY, DISC] == -3
    assert line(restock).open == -3
    said = Settlement(Decimal(-3), at_depot=Decimal(1), on_van=Decimal(1), lost=Decimal(1))
    step(settle, restock, {DISC: said})
    # The depot had given one more, one was not there after all, and one was found.
    assert stock()["depot", DISC] == 100 - 9 - 1
    assert stock()["van-a", DISC] == 5 + 12 - 1
    assert (WAY, DISC) not in stock()
    assert line(restock).open == 0
    assert list(stock_checks.stock_disagreements()) == []


def test_a_settlement_says_what_the_person_saw(restock: Restock) -> None:
    step(approve, restock)
    step(pick, restock)
    step(confirm, restock, amounts(disc=4))
    for settlements, error, said in (
        ({DISC: Settlement(Decimal(4), lost=Decimal(1))}, StepConflict, "now it is 5: look again"),
        ({DISC: Settlement(Decimal(5), lost=Decimal(6))}, StepRefused, "more than the 5 that are open"),
        ({DISC: Settlement(Decimal(5), lost=Decimal("0.5"))}, StepRefused, "not whole"),
        ({DISC: Settlement(Decimal(5), on_van=Decimal(-1))}, StepRefused, "negative"),
        ({"glue": Settlement(Decimal(5))}, StepRefused, "not on this restock"),
        ({DISC: Settlement(Decimal(5))}, StepRefused, "say nothing"),
        ({}, StepRefused, "say nothing"),
    ):
        with pytest.raises(error, match=said):
            step(settle, restock, settlements)
    step(settle, restock, {DISC: Settlement(Decimal(5), lost=Decimal(2))})
    step(settle, restock, {DISC: Settlement(Decimal(3), at_depot=Decimal(2), on_van=Decimal(1))})
    assert stock()["van-a", DISC] == 5 + 4 + 1
    assert line(restock).open == 0


def test_what_is_lost_on_the_way_takes_nothing_from_what_follows(restock: Restock) -> None:
    step(approve, restock)
    step(pick, restock)
    step(confirm, restock, amounts(disc=4))
    later = draft(restock.run, NEXT_WEEK)["van-a"]
    # What did not arrive is no longer in transit.
    assert (line(later).on_the_way, line(later).wanted) == (0, 5)
    step(approve, later)
    # Another machine's clock is an hour behind, and picks after the loss was counted.
    step(settle, restock, {DISC: Settlement(Decimal(5), lost=Decimal(5))})
    pick(later.pk, by="sue", now=NOW)
    assert stock()[WAY, DISC] == 5
    take_pick_back(later.pk, by="sue", now=NOW)
    pick(later.pk, by="sue", now=NOW)
    confirm(later.pk, by="ann", now=NOW)
    assert stock()["van-a", DISC] == 5 + 4 + 5
    assert not [place for place, _ in stock() if place == WAY]
    assert list(stock_checks.stock_disagreements()) == []


def test_cancelled_and_opened_again(restock: Restock) -> None:
    step(approve, restock)
    assert step(cancel, restock).changed
    assert not step(cancel, restock).changed
    assert step(reopen, restock).order.status == "draft"
    assert line(restock).approved is None
    step(cancel, restock)
    draft(restock.run, NEXT_WEEK)
    with pytest.raises(StepConflict, match="later week"):
        step(reopen, restock)


def test_the_pick_list_has_what_is_to_be_taken(restock: Restock) -> None:
    restock.lines.filter(consumable__code=COMPOUND).update(usable_unit=Decimal(7))
    step(approve, restock, amounts(pad=0))
    restock.refresh_from_db()
    pages = pypdf.PdfReader(io.BytesIO(pick_list_pdf(restock))).pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    for shown in (
        "Pick list for van-a",
        "2026-W10",
        "disc-p400",
        "9 each",
        "2 x 7 ml = 14 ml",
        "approved",
    ):
        assert shown in text
    assert "pad" not in text
    rows = list(csv.DictReader(io.StringIO(pick_list_csv(restock), newline="")))
    assert [(row["consumable"], row["quantity"], row["unit"]) for row in rows] == [
        (COMPOUND, "14", "ml"),
        (DISC, "9", "each"),
    ]
    assert rows[1]["why"].startswith("14 cover the next 7 days")
    assert rows[1]["grade"] == "P400"


def test_an_empty_pick_list_says_so(restock: Restock) -> None:
    restock.lines.update(suggested=0)
    text = pypdf.PdfReader(io.BytesIO(pick_list_pdf(restock))).pages[0].extract_text()
    assert "Nothing is to be taken" in text
    assert "not approved yet" in text
    assert len(pick_list_csv(restock).splitlines()) == 1
