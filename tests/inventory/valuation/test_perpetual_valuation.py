"""Stored values: kept up to date by the shortest way, equal to a rebuild from nothing."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from inventory import documents as d
from inventory import ledger, signals
from inventory.models import (
    Consumable,
    CostAdjustment,
    CostCheckpoint,
    CostPolicy,
    CostPool,
    Document,
    MovementValue,
)
from inventory.perpetual_valuation import stored_values, valuer
from inventory.perpetual_valuation.valuer import Opening, ValuationResult, ValuedMovement, Valuer
from inventory.valuation.cost_layers import CostFormula, Pool
from tests.factories import (
    COMPOUND,
    DISC,
    NOW,
    adjustments_by,
    at,
    close,
    correction,
    count,
    give_back,
    make_shop,
    pool_of,
    receipt,
    transfer,
    use,
    value_of,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _shop() -> None:
    make_shop(CostFormula.FIFO)


def post(*documents: d.Document) -> None:
    for document in documents:
        ledger.post(document, now=NOW)


def stored() -> list[Any]:
    return [
        *MovementValue.objects.order_by("pk").values_list("pk", "value", "provisional"),
        *CostAdjustment.objects.order_by("movement_id", "adjusts_id").values_list(
            "movement_id", "adjusts_id", "posted_at", "quantity", "valued", "actual"
        ),
        *(Pool.from_json(pool.state) for pool in CostPool.objects.order_by("pk") if pool.state),
    ]


HISTORY: list[d.Document] = [
    receipt("R-1", 0, (DISC, 10, 10), (COMPOUND, "100", 7)),
    close("J-1", 1, (DISC, 4), (COMPOUND, "33.3333")),
    receipt("R-2", 2, (DISC, 10, 30)),
    close("J-2", 3, (DISC, 12)),
    give_back("B-1", 4, "J-2", (DISC, 5)),
    count("N-1", 5, (DISC, 6), (COMPOUND, 60)),
    close("J-3", 6, (DISC, 9)),
    receipt("R-3", 7, (DISC, 5, 35)),
    correction("C-1", "close", "J-1"),
]


def test_a_use_that_was_undone_is_worth_nothing_and_waits_for_no_receipt() -> None:
    post(close("J-1", 1, (DISC, 4)), correction("C-1", "close", "J-1"))
    values = MovementValue.objects.values_list("value", "provisional")
    assert list(values) == [(Decimal(0), False), (Decimal(0), False)]


@pytest.mark.parametrize("every", [1, 2, 500])
def test_a_rebuild_finds_what_is_stored(monkeypatch: pytest.MonkeyPatch, every: int) -> None:
    monkeypatch.setattr(valuer, "CHECKPOINT_EVERY", every)
    post(*HISTORY)
    before = stored()
    assert stored_values.rebuild() == set()
    assert stored() == before
    post(close("J-9", 2.5, (DISC, 1)))
    late = stored()
    assert stored_values.rebuild() == set()
    assert stored() == late


def test_a_rebuild_repairs_what_was_tampered_with_and_names_the_documents() -> None:
    post(*HISTORY)
    before = stored()
    value = MovementValue.objects.get(movement__document__client_id="J-3")
    MovementValue.objects.filter(pk=value.pk).update(value=Decimal("0.0001"))
    CostAdjustment.objects.update(actual=Decimal(99))
    CostPool.objects.update(state=Pool(CostFormula.FIFO).to_json())
    assert stored_values.rebuild() == {Document.objects.get(client_id="J-3").pk}
    assert stored() == before


def test_a_rebuild_of_one_consumable_leaves_the_others_alone() -> None:
    post(*HISTORY)
    MovementValue.objects.update(value=Decimal(1))
    stored_values.rebuild([Consumable.objects.get(code=COMPOUND).pk])
    assert value_of("close", "J-3") == 1
    assert value_of("receipt", "R-1") == 8  # the tampered 1 of the discs and 7 of the compound


def test_a_backdated_receipt_revalues_what_came_after_it() -> None:
    post(receipt("R-2", 2, (DISC, 10, 30)), close("J-1", 3, (DISC, 10)))
    assert value_of("close", "J-1") == 30
    post(receipt("R-1", 1, (DISC, 10, 10)))
    assert value_of("close", "J-1") == 10
    assert pool_of(DISC).value == 30


def test_a_late_receipt_before_a_provisional_use_makes_it_certain() -> None:
    post(close("J-1", 3, (DISC, 2)), receipt("R-1", 4, (DISC, 2, 8)))
    assert adjustments_by("receipt", "R-1") == 8
    post(receipt("R-0", 1, (DISC, 2, 6)))
    assert (value_of("close", "J-1"), adjustments_by("receipt", "R-1")) == (Decimal(6), Decimal(0))
    assert not MovementValue.objects.filter(provisional=True).exists()
    assert not CostAdjustment.objects.exists()


def test_the_order_of_arrival_changes_no_value() -> None:
    plain = [document for document in HISTORY if not isinstance(document, d.Return | d.Correction)]

    def posted(documents: Iterable[d.Document]) -> dict[tuple[str, str], Any]:
        with transaction.atomic():
            post(*documents)
            # What a count books is the same in sum, but in movements of other sizes.
            names = Document.objects.exclude(kind="count").values_list("kind", "client_id")
            found: dict[tuple[str, str], Any] = {
                name: (value_of(*name), adjustments_by(*name)) for name in names
            }
            for code in (DISC, COMPOUND):
                found["pool", code] = (pool_of(code).quantity, pool_of(code).value)
            transaction.set_rollback(True)
        return found

    first = posted(plain)
    assert posted(reversed(plain)) == first
    assert posted(sorted(plain, key=lambda document: document.id)) == first


def test_documents_of_one_moment_are_valued_in_the_order_of_their_ids() -> None:
    post(
        receipt("R-10", 0, (DISC, 1, 100)), receipt("R-9", 0, (DISC, 1, 9)), receipt("R-09", 0, (DISC, 1, 5))
    )
    post(use("X-1", 1, (DISC, 1)), close("X-1", 1, (DISC, 1)), close("X-2", 1, (DISC, 1)))
    assert value_of("close", "X-1") == 5
    assert value_of("use", "X-1") == 9
    assert value_of("close", "X-2") == 100


def test_a_change_of_formula_takes_effect_from_its_moment_on() -> None:
    CostPolicy.objects.create(method=CostFormula.MOVING_AVERAGE, effective_from=at(2))
    post(
        receipt("R-1", 0, (DISC, 2, 2)),
        receipt("R-2", 0.5, (DISC, 2, 6)),
        close("J-1", 1, (DISC, 1)),
        close("J-2", 2, (DISC, 1)),
    )
    assert value_of("close", "J-1") == 1
    assert value_of("close", "J-2") == Decimal("2.3333")
    before = stored()
    assert stored_values.rebuild() == set()
    assert stored() == before


def test_checkpoints_let_a_slightly_late_use_read_little(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(valuer, "CHECKPOINT_EVERY", 10)
    post(receipt("R-1", 0, (DISC, 1000, 1000)))
    for number in range(60):
        post(close(f"J-{number}", 1 + number / 10, (DISC, 1)))
    assert CostCheckpoint.objects.count() == 6
    read: list[int] = []
    run = Valuer.run

    def counting_run(valuer: Valuer, rows: list[ValuedMovement], opening: Opening) -> ValuationResult:
        read.append(len(rows))
        return run(valuer, rows, opening)

    monkeypatch.setattr(Valuer, "run", counting_run)
    post(close("J-late", 6.85, (DISC, 1)))
    assert 0 < read[0] <= 11
    post(close("J-very-late", 0.5, (DISC, 1)))
    assert read[1] == 63
    assert CostCheckpoint.objects.count() >= 5
    assert stored_values.rebuild() == set()


def test_large_pools_are_kept_less_often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(valuer, "CHECKPOINT_EVERY", 2)
    ledger.post_many([close(f"J-{number}", number / 10, (DISC, 1)) for number in range(200)], now=NOW)
    sizes = [len(row.state["owed"]) for row in CostCheckpoint.objects.order_by("posted_at")]
    assert sizes == [2, 4, 8, 16, 32, 64, 128]
    post(close("J-late", 3.05, (DISC, 1)))
    assert stored_values.rebuild() == set()


def test_those_who_listen_hear_which_earlier_documents_changed_and_where_receipts_did() -> None:
    heard: list[tuple[set[int], dict[int, Any]]] = []

    def listen(documents: set[int], received_from: dict[int, Any], **_: Any) -> None:
        heard.append((documents, received_from))

    post(receipt("R-2", 2, (DISC, 10, 30)), close("J-1", 3, (DISC, 10)))
    signals.revalued.connect(listen)
    try:
        post(receipt("R-1", 1, (DISC, 10, 10)))
        post(transfer("T-1", 4, "DEPOT", "VAN-1", (DISC, 1)), close("J-2", 5, (DISC, 1)))
        post(close("J-0", 2.5, (DISC, 5)))
    finally:
        signals.revalued.disconnect(listen)
    ids = dict(Document.objects.values_list("client_id", "pk"))
    assert heard == [
        ({ids["J-1"]}, {Consumable.objects.get(code=DISC).pk: at(1)}),
        ({ids["J-1"]}, {}),
    ]


def test_a_late_use_before_many_returns_takes_no_more_queries() -> None:
    ledger.post_many([use(f"U-{n}", n / 10, (DISC, 1)) for n in range(40)], now=NOW)
    stored_values.rebuild()
    opening = CostPool.objects.get(consumable__code=DISC)
    assert opening.state is not None
    assert opening.posted_at is not None
    CostCheckpoint.objects.create(consumable_id=opening.pk, posted_at=opening.posted_at, state=opening.state)

    def late(id_: str) -> int:
        with CaptureQueriesContext(connection) as captured:
            post(close(id_, 5, (DISC, 1)))
        return len(captured)

    ledger.post_many([give_back("B-0", 6, "U-0", (DISC, 1), kind="use")], now=NOW)
    before = late("J-1")
    ledger.post_many([give_back(f"B-{n}", 6, f"U-{n}", (DISC, 1), kind="use") for n in range(1, 30)], now=NOW)
    assert late("J-2") == before
    assert stored_values.rebuild() == set()


def test_a_rebuild_takes_the_same_queries_for_a_longer_history() -> None:
    def rebuild() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert stored_values.rebuild() == set()
        return len(captured)

    ledger.post_many(HISTORY, now=NOW)
    before = rebuild()
    ledger.post_many([use(f"U-{n}", 8 + n / 100, (DISC, 1), (COMPOUND, 1)) for n in range(200)], now=NOW)
    assert rebuild() == before
