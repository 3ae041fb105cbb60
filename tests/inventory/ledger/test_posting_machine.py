"""Random documents against the real ledger and a naive one.

Late, repeated, same id with other content, backdated, negative stock, returned, corrected, counted in any
order, across locked periods; by FIFO, moving average and a change from one to the other.
"""

import os
from collections.abc import Iterable
from decimal import Decimal
from random import Random
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)

from inventory import documents as d
from inventory import ledger
from inventory.ledger import period_lock
from inventory.models import CostPolicy, CostPool, Holding, PeriodChange
from inventory.perpetual_valuation import stored_values, valuer
from inventory.valuation.cost_layers import CostFormula, Pool
from tests.factories import COMPOUND, DEPOT, DISC, NOW, OTHER_VAN, SUPPLIER, VAN, at, correction, make_shop
from tests.inventory.naive_ledger import NaiveLedger, WouldConflict, WouldRefuse
from tests.inventory.naive_movements import OUTSIDE, ZERO, Key
from tests.inventory.naive_valuation import Worth
from tests.inventory.stored_facts import (
    assert_every_cent_is_accounted_for,
    assert_revaluation_from_nothing_agrees,
    facts,
    result_by_document,
)
from tests.thoroughness import examples

CONSUMABLES = (DISC, COMPOUND)
# Few moments, ids and places, so that they often coincide.
DAYS = st.integers(0, 9)
IDS = st.builds("N-{}{}".format, st.sampled_from(["", "", "", "0"]), st.integers(1, 25))
PLACES = st.sampled_from([DEPOT, VAN, OTHER_VAN])
CENTS = st.integers(0, 5000).map(lambda cents: Decimal(cents) / 100)
# A cost of ten-thousandths can come from an import; an allocation then goes below the cent.
COSTS = st.one_of(CENTS, st.integers(0, 999_999).map(lambda scaled: Decimal(scaled) / 10_000))
PARTS = st.one_of(st.integers(1, 9).map(Decimal), st.integers(1, 99_999).map(lambda q: Decimal(q) / 10_000))
PAIRS = st.one_of(
    st.tuples(st.just(DISC), st.integers(1, 9).map(Decimal)), st.tuples(st.just(COMPOUND), PARTS)
)
LINES = st.lists(PAIRS.map(lambda pair: d.StockLine(*pair)), min_size=1, max_size=3).map(tuple)
USED = st.lists(PAIRS.map(lambda pair: d.StockLine(*pair)), max_size=3).map(tuple)
COUNTED = st.lists(
    st.builds(
        lambda place, pair, nothing: d.CountedLine(place, pair[0], ZERO if nothing else pair[1]),
        PLACES,
        PAIRS,
        st.booleans(),
    ),
    min_size=1,
    max_size=3,
    unique_by=lambda line: (line.place, line.consumable),
).map(tuple)

RECEIVED = st.builds(lambda pair, cost: d.ReceiptLine(pair[0], pair[1], cost), PAIRS, COSTS)
RECEIPTS = st.builds(
    d.Receipt,
    id=IDS,
    occurred_at=DAYS.map(at),
    supplier=st.just(SUPPLIER),
    place=PLACES,
    lines=st.lists(
        st.builds(lambda pair, cost: d.ReceiptLine(pair[0], pair[1], cost), PAIRS, COSTS),
        min_size=1,
        max_size=3,
    ).map(tuple),
    freight=CENTS,
    duty=CENTS,
    discount=st.one_of(st.just(ZERO), CENTS),
    share_by=st.sampled_from(["value", "quantity"]),
).filter(lambda r: r.discount <= sum((line.cost for line in r.lines), r.freight + r.duty))
TRANSFERS = st.builds(
    lambda id_, at_, ways, lines: d.Transfer(id_, at_, ways[0], ways[1], lines),
    IDS,
    DAYS.map(at),
    st.permutations([DEPOT, VAN, OTHER_VAN]).map(lambda places: places[:2]),
    LINES,
)
CLOSES = st.builds(d.Close, IDS, DAYS.map(at), PLACES, USED)
USES = st.builds(d.Use, IDS, DAYS.map(at), PLACES, USED)
COUNTS = st.builds(d.Count, IDS, DAYS.map(at), COUNTED)
SCRAPS = st.builds(d.Scrap, IDS, DAYS.map(at), PLACES, st.just("torn"), LINES)
PLAIN = st.one_of(RECEIPTS, TRANSFERS, CLOSES, USES, COUNTS, SCRAPS)
POLICIES = st.sampled_from(
    [
        [(None, "fifo")],
        [(None, "moving_average")],
        [(None, "fifo"), (at(5), "moving_average")],
        [(None, "moving_average"), (at(5), "fifo")],
    ]
)


class LedgerMachine(RuleBasedStateMachine):
    """Posts to the ledger and to the naive one, and compares all they hold."""

    def __init__(self) -> None:
        super().__init__()
        self.world = transaction.atomic()
        self.world.__enter__()
        make_shop()
        # So that short runs meet checkpoints and parts of a batch too.
        self.patch = pytest.MonkeyPatch()
        self.patch.setattr(valuer, "CHECKPOINT_EVERY", 3)
        self.patch.setattr("inventory.ledger.posting.BATCH", 2)
        self.naive = NaiveLedger([])
        self.locked: dict[Key, tuple[object, ...]] = {}
        self.ever_locked = False

    @initialize(policy=POLICIES, random=st.randoms(use_true_random=False))
    def open(self, policy: list[tuple[Any, str]], random: Random) -> None:
        CostPolicy.objects.all().delete()
        for since, method in policy:
            CostPolicy.objects.create(effective_from=since, method=method)
        self.naive.policy = policy
        self.random = random
        self.start = transaction.savepoint()

    @rule(document=PLAIN)
    def post_one(self, document: d.Document) -> None:
        self.post([document])

    @rule(batch=st.lists(PLAIN, max_size=5), repeats=st.integers(0, 2))
    def post_several(self, batch: list[d.Document], repeats: int) -> None:
        self.post(batch + batch[:repeats])

    @precondition(lambda self: self.naive.documents)
    @rule(data=st.data())
    def repeat(self, data: st.DataObject) -> None:
        again = self.pick(data, self.naive.documents)
        self.post([self.naive.documents[again]])

    @precondition(lambda self: self.taken())
    @rule(data=st.data(), id_=IDS, days_later=st.integers(-1, 4), place=PLACES)
    def give_back(self, data: st.DataObject, id_: str, days_later: int, place: str) -> None:
        name = self.pick(data, self.taken())
        target: Any = self.naive.documents[name]
        lines = data.draw(st.lists(st.sampled_from(target.lines), min_size=1, max_size=2))
        share = data.draw(st.sampled_from([Decimal(1), Decimal(2)]))
        returned = tuple(
            d.StockLine(line.consumable, line.quantity // share or line.quantity) for line in lines
        )
        occurred_at = target.occurred_at + (at(1) - at(0)) * days_later
        self.post([d.Return(id_, occurred_at, place, *name, returned)])

    @precondition(lambda self: self.naive.documents)
    @rule(data=st.data(), id_=IDS)
    def correct(self, data: st.DataObject, id_: str) -> None:
        self.post([correction(id_, *self.pick(data, self.naive.documents))])

    @precondition(lambda self: self.naive.documents)
    @rule(data=st.data(), batch=st.lists(PLAIN, max_size=2), ids=st.tuples(IDS, IDS))
    def post_and_undo_at_once(
        self, data: st.DataObject, batch: list[d.Document], ids: tuple[str, str]
    ) -> None:
        names = [*self.naive.documents, *((document.kind.value, document.id) for document in batch)]
        self.post([*batch, *(correction(id_, *self.pick(data, names)) for id_ in ids)])

    @rule(day=DAYS)
    def lock(self, day: int) -> None:
        if self.naive.first_open is None or at(day) > self.naive.first_open:
            self.change_lock(at(day))

    @precondition(lambda self: self.naive.first_open is not None)
    @rule(day=st.none() | DAYS)
    def reopen(self, day: int | None) -> None:
        assert self.naive.first_open is not None
        if day is None or at(day) < self.naive.first_open:
            self.change_lock(None if day is None else at(day))

    def change_lock(self, moment: Any) -> None:
        period_lock.change_lock(moment, reason="month end", by="owner", now=NOW)
        self.naive.first_open = moment
        self.ever_locked = True
        self.locked = {} if moment is None else facts(before=moment)

    def taken(self) -> list[tuple[str, str]]:
        """Return the documents that took something to a job."""
        return [
            name
            for name, document in self.naive.documents.items()
            if isinstance(document, d.Close | d.Use) and document.lines
        ]

    def pick(self, data: st.DataObject, names: Iterable[tuple[str, str]]) -> tuple[str, str]:
        return data.draw(st.sampled_from(sorted(names)))

    def post(self, batch: list[d.Document]) -> None:
        try:
            new = self.naive.post(batch)
        except WouldRefuse as refusal:
            expected = ledger.Conflict if isinstance(refusal, WouldConflict) else ledger.Refused
            before = facts()
            with pytest.raises(expected if len(batch) == 1 else ledger.Refused):
                ledger.post_many(batch, now=NOW)
            assert facts() == before
            return
        postings = ledger.post_many(batch, now=NOW)
        assert [posting.created for posting in postings] == new
        for document, posting in zip(batch, postings, strict=True):
            assert posting.posted_at == self.naive.posted_at[document.kind.value, document.id]
        self.compare()

    def compare(self) -> None:
        """Hold everything the ledger stores against the naive ledger."""
        worth = {consumable: self.naive.worth(consumable) for consumable in CONSUMABLES}
        assert facts() == self.expected_facts(worth)
        held = self.naive.holdings()
        stored = Holding.objects.values_list("place__code", "consumable__code", "quantity")
        assert {(place, consumable): q for place, consumable, q in stored if q} == {
            pair: quantity for pair, quantity in held.items() if pair[0] not in OUTSIDE
        }
        for consumable in CONSUMABLES:
            assert sum((q for (_, of), q in held.items() if of == consumable), ZERO) == 0
            pool = CostPool.objects.filter(consumable__code=consumable, state__isnull=False).first()
            closing = Pool.from_json(pool.state) if pool and pool.state else Pool(CostFormula.FIFO)
            assert (closing.quantity, closing.value) == (worth[consumable].quantity, worth[consumable].value)
            in_stock = sum(
                (q for (place, of), q in held.items() if of == consumable and place not in OUTSIDE), ZERO
            )
            assert closing.quantity == in_stock
        if self.naive.first_open is not None:
            assert facts(before=self.naive.first_open) == self.locked
        assert_every_cent_is_accounted_for()

    def expected_facts(self, worth: dict[str, Worth]) -> dict[Key | tuple[Key, Key], tuple[object, ...]]:
        expected: dict[Any, tuple[object, ...]] = {
            move.key: (
                move.posted_at,
                move.occurred_at,
                move.consumable,
                move.quantity,
                move.source,
                move.destination,
                worth[move.consumable].values.get(move.key),
                move.key in worth[move.consumable].provisional if move.crosses else None,
            )
            for move in self.naive.moves
        }
        for found in worth.values():
            expected |= found.adjustments
        return expected

    def teardown(self) -> None:
        try:
            self.at_the_end()
        finally:
            self.patch.undo()
            transaction.set_rollback(True)
            self.world.__exit__(None, None, None)

    def at_the_end(self) -> None:
        assert_revaluation_from_nothing_agrees()
        before = facts()
        assert stored_values.rebuild() == set()
        assert facts() == before
        assert_revaluation_from_nothing_agrees()
        if not self.ever_locked:
            results = result_by_document()
            transaction.savepoint_rollback(self.start)
            for document in self.in_another_order():
                ledger.post(document, now=NOW)
            assert result_by_document() == results

    def in_another_order(self) -> list[d.Document]:
        """Return the documents in any order in which none is refused.

        What returns or undoes stays behind what it is about, and what is about one document keeps its order.
        """
        chains: dict[tuple[str, str], list[d.Document]] = {}
        owner: dict[tuple[str, str], tuple[str, str]] = {}
        for name, document in self.naive.documents.items():
            about = name
            if isinstance(document, d.Return):
                about = (document.returns_kind, document.returns_id)
            elif isinstance(document, d.Correction):
                about = (document.corrects_kind, document.corrects_id)
            owner[name] = owner.get(about, name)
            chains.setdefault(owner[name], []).append(document)
        waiting = list(chains.values())
        order = []
        while waiting:
            chain = self.random.choice(waiting)
            order.append(chain.pop(0))
            waiting = [chain for chain in waiting if chain]
        return order


@pytest.mark.slow
@pytest.mark.django_db
def test_the_ledger_agrees_with_a_naive_one_whatever_is_posted() -> None:
    run_state_machine_as_test(
        LedgerMachine,
        settings=settings(
            max_examples=examples(25),
            stateful_step_count=examples(20, most=50),
            deadline=None,
            suppress_health_check=list(HealthCheck),
            # An example is many postings; shrinking one takes minutes. SHRINK=1 for when one is found.
            phases=list(Phase) if os.environ.get("SHRINK") else [Phase.reuse, Phase.generate],
        ),
    )
    assert not PeriodChange.objects.exists()
