"""Lots replayed first expired, first out; and what expires, read from the ledger."""

from collections import defaultdict
from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory import ledger
from inventory.documents import DocumentKind
from inventory.lots.fefo import (
    REMEMBERED,
    UNKNOWN,
    LotBalance,
    LotMovement,
    LotReplay,
    Quantities,
    first_to_expire,
)
from inventory.models import REAL_KINDS, Consumable, Holding, LotCheckpoint, Movement, Place
from inventory.models import Lot as StoredLot
from inventory.reports import expiring_stock
from inventory.reports.expiring_stock import ExpiringRow, expiring, remaining
from tests.inventory.small_shop import (
    ACTIONS,
    FIRST_DAY,
    correct,
    count,
    give_back,
    open_shop,
    play,
    receive,
    transfer,
    undone_afterwards,
    use,
)
from tests.thoroughness import examples

DEPOT, VAN = 1, 2
MARCH, APRIL, MAY = (LotBalance(month, date(2026, month, 1)) for month in (3, 4, 5))
FOREVER = LotBalance(9, None)


def moves(*steps: tuple[int, int | None, int | None, LotBalance | int | None]) -> list[LotMovement]:
    """Return moves from (quantity, source, destination, lot or number of the move returned) steps."""
    return [
        LotMovement(
            key,
            Decimal(quantity),
            source,
            destination,
            extra if isinstance(extra, LotBalance) else None,
            extra if isinstance(extra, int) else None,
        )
        for key, (quantity, source, destination, extra) in enumerate(steps, 1)
    ]


def remaining_lots(drawn: list[LotMovement]) -> dict[int, Quantities]:
    """Return what is left of each lot at each place after moves, given in the order they happened."""
    replay = LotReplay()
    replay.expect(drawn)
    for move in drawn:
        replay.play(move)
    return replay.left()


def test_the_first_to_expire_is_used_first_whenever_it_came() -> None:
    left = remaining_lots(moves((5, None, DEPOT, MAY), (5, None, DEPOT, MARCH), (7, DEPOT, None, None)))
    assert left == {DEPOT: {MAY: Decimal(3)}}


def test_lots_that_keep_forever_go_last_and_unknown_ones_after_them() -> None:
    assert first_to_expire([UNKNOWN, FOREVER, MAY, MARCH]) == [MARCH, MAY, FOREVER, UNKNOWN]


def test_a_transfer_carries_its_lots_along() -> None:
    left = remaining_lots(moves((5, None, DEPOT, MARCH), (5, None, DEPOT, MAY), (7, DEPOT, VAN, None)))
    assert left == {DEPOT: {MAY: Decimal(3)}, VAN: {MARCH: Decimal(5), MAY: Decimal(2)}}


def test_what_a_job_brings_back_is_the_last_to_expire_of_what_it_took() -> None:
    taken = moves((5, None, DEPOT, MARCH), (5, None, DEPOT, MAY), (7, DEPOT, None, None), (3, None, VAN, 3))
    assert remaining_lots(taken) == {
        DEPOT: {MAY: Decimal(3)},
        VAN: {MAY: Decimal(2), MARCH: Decimal(1)},
    }


def test_what_a_count_finds_is_the_last_to_expire_of_what_left_that_place() -> None:
    found = moves(
        (5, None, DEPOT, MARCH), (5, None, VAN, APRIL), (5, DEPOT, None, None), (5, VAN, None, None),
        (2, None, DEPOT, None), (9, None, VAN, None),
    )  # fmt: skip
    assert remaining_lots(found) == {
        DEPOT: {MARCH: Decimal(2)},
        VAN: {APRIL: Decimal(5), UNKNOWN: Decimal(4)},
    }


def test_a_delivery_without_a_lot_is_not_taken_for_something_found_again() -> None:
    left = remaining_lots(moves((5, None, DEPOT, MARCH), (5, DEPOT, None, None), (5, None, DEPOT, UNKNOWN)))
    assert left == {DEPOT: {UNKNOWN: Decimal(5)}}


def test_a_late_delivery_makes_up_for_what_was_used_before_it_was_known() -> None:
    short = moves((3, DEPOT, None, None), (10, None, DEPOT, MARCH))
    assert remaining_lots(short) == {DEPOT: {MARCH: Decimal(7)}}
    brought_back = moves((3, DEPOT, None, None), (10, None, DEPOT, MARCH), (2, None, DEPOT, 1))
    assert remaining_lots(brought_back) == {DEPOT: {MARCH: Decimal(9)}}


def test_a_place_that_is_still_short_has_no_lots() -> None:
    assert remaining_lots(moves((3, DEPOT, VAN, None), (2, None, DEPOT, MARCH))) == {
        VAN: {UNKNOWN: Decimal(3)}
    }


def test_what_is_found_again_long_after_it_left_is_of_no_known_lot() -> None:
    batches = [
        LotBalance(number, date(2026, 1, 1) + timedelta(number)) for number in range(1, REMEMBERED + 3)
    ]
    steps = [(1, None, DEPOT, batch) for batch in batches] + [(len(batches), DEPOT, None, None)]
    found = remaining_lots(moves(*steps, (len(batches), None, DEPOT, None)))
    assert found == {DEPOT: {UNKNOWN: Decimal(2)} | dict.fromkeys(batches[2:], Decimal(1))}


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["deliver", "carry", "use", "find", "return"]),
        st.integers(1, 9),
        st.sampled_from([DEPOT, VAN]),
        st.sampled_from([MARCH, APRIL, MAY, FOREVER, UNKNOWN]),
    ),
    max_size=40,
)


@given(STEPS)
def test_lots_sum_to_the_holding_and_never_exceed_what_was_received(
    steps: list[tuple[str, int, int, LotBalance]],
) -> None:
    drawn: list[LotMovement] = []
    uses: dict[int, Decimal] = {}
    holdings: dict[int, Decimal] = defaultdict(Decimal)
    received: dict[LotBalance, Decimal] = defaultdict(Decimal)
    for key, (what, number, place, lot) in enumerate(steps, 1):
        quantity = Decimal(number)
        if what == "deliver":
            drawn.append(LotMovement(key, quantity, None, place, lot))
            received[lot] += quantity
        elif what == "carry":
            drawn.append(LotMovement(key, quantity, place, DEPOT + VAN - place))
            holdings[DEPOT + VAN - place] += quantity
        elif what == "use":
            drawn.append(LotMovement(key, quantity, place, None))
            uses[key] = quantity
        elif what == "return" and uses:
            used, most = uses.popitem()
            quantity = min(quantity, most)
            drawn.append(LotMovement(key, quantity, None, place, returns=used))
        else:
            drawn.append(LotMovement(key, quantity, None, place))
        holdings[place] += -quantity if what in ("carry", "use") else quantity
    left = remaining_lots(drawn)
    for place, holding in holdings.items():
        assert sum(left.get(place, {}).values(), Decimal(0)) == max(holding, Decimal(0))
    assert all(quantity > 0 for quantities in left.values() for quantity in quantities.values())
    for lot in received.keys() - {UNKNOWN}:
        assert sum(quantities.get(lot, Decimal(0)) for quantities in left.values()) <= received[lot]


@pytest.fixture
def shop(db: None) -> None:
    open_shop()


@pytest.mark.usefixtures("shop")
def test_expiring_stock_is_listed_by_day_with_place_and_lot() -> None:
    """Compound keeps 90 days from its receipt when the delivery says no day."""
    receive("R-1", 0, ("compound", "100", "10"))
    receive("R-2", 1, ("compound", "100", "10"), expires_on="2026-02-15")
    receive("R-3", 2, ("disc-p400", "10", "10"))
    transfer("T-1", 3, "depot", "van-a", "compound", "120")
    use("J-1", 4, "van-a", "compound", "30")
    give_back("B-1", 5, "van-b", "J-1", "compound", "5")
    expected = [
        ExpiringRow("van-a", "compound", "R-2", Decimal(70), date(2026, 2, 15)),
        ExpiringRow("van-b", "compound", "R-2", Decimal(5), date(2026, 2, 15)),
        ExpiringRow("depot", "compound", "R-1", Decimal(80), date(2026, 4, 1)),
        ExpiringRow("van-a", "compound", "R-1", Decimal(20), date(2026, 4, 1)),
    ]
    assert expiring(date(2026, 4, 1)) == expected
    assert expiring(date(2026, 3, 31)) == expected[:2]
    assert expiring(date(2026, 2, 14)) == []


@pytest.mark.usefixtures("shop")
def test_documents_entered_by_mistake_leave_no_trace_in_the_lots() -> None:
    receive("R-1", 0, ("compound", "100", "10"))
    receive("R-2", 1, ("compound", "50", "10"), expires_on="2026-02-15")
    use("J-1", 2, "depot", "compound", "40")
    correct("X-1", "receipt", "R-2")
    correct("X-2", "close", "J-1")
    assert expiring(date(2026, 12, 31)) == [
        ExpiringRow("depot", "compound", "R-1", Decimal(100), date(2026, 4, 1))
    ]


@pytest.mark.usefixtures("shop")
@settings(max_examples=examples(25), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(actions=ACTIONS)
def test_lots_of_any_history_fit_in_what_is_held(actions: list[tuple[str, int, str, str, int]]) -> None:
    with undone_afterwards():
        play(actions)
        found: dict[str, Decimal] = defaultdict(Decimal)
        for row in expiring(FIRST_DAY.date() + timedelta(days=999)):
            assert row.quantity > 0
            found[row.place] += row.quantity
        holdings = Holding.objects.filter(consumable__code="compound")
        held = dict(holdings.values_list("place__code", "quantity"))
        assert all(quantity <= held[place] for place, quantity in found.items())


@pytest.mark.usefixtures("shop")
def test_a_lot_that_ran_out_no_longer_expires() -> None:
    receive("R-1", 0, ("compound", "100", "10"))
    count("C-1", 1, "depot", "compound", "0")
    assert expiring(date(2026, 12, 31)) == []


def _remaining_by_all_movements(consumable: int) -> dict[int, Quantities]:
    """Play every movement of a consumable: what a reading from a checkpoint must equal."""
    real = set(Place.objects.filter(kind__in=REAL_KINDS).values_list("pk", flat=True))
    batches = {(lot.document_id, lot.line): lot for lot in StoredLot.objects.all()}
    standing = Movement.objects.filter(consumable=consumable, document__corrected_by__isnull=True)
    drawn = []
    for movement in (
        standing.exclude(document__kind=DocumentKind.CORRECTION)
        .select_related("document")
        .order_by("occurred_at", "rank", "document__order", "line", "part")
    ):
        received = None
        if movement.document.kind == DocumentKind.RECEIPT:
            batch = batches.get((movement.document_id, movement.line))
            received = LotBalance(batch.pk, batch.expires_on) if batch else UNKNOWN
        source, destination = (
            place if place in real else None for place in (movement.source_id, movement.destination_id)
        )
        drawn.append(
            LotMovement(movement.pk, movement.quantity, source, destination, received, movement.reverses_id)
        )
    return remaining_lots(drawn)


@pytest.mark.usefixtures("shop")
@settings(
    max_examples=examples(25), suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(actions=ACTIONS, every=st.integers(1, 4))
def test_going_on_from_checkpoints_is_the_same_as_playing_every_movement(
    actions: list[tuple[str, int, str, str, int]], every: int
) -> None:
    """Read after every single document: late ones, returns and corrections meet checkpoints."""
    keys = list(Consumable.objects.values_list("pk", flat=True))
    post = ledger.post

    def post_and_read(*args: object, **named: object) -> object:
        posted = post(*args, **named)  # type: ignore[arg-type]
        left = remaining(keys)
        assert left == {key: _remaining_by_all_movements(key) for key in keys}
        return posted

    with undone_afterwards(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(expiring_stock, "CHECKPOINT_EVERY", every)
        patch.setattr(ledger, "post", post_and_read)
        play(actions)


@pytest.mark.usefixtures("shop")
def test_a_reading_takes_only_the_movements_after_a_checkpoint(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(expiring_stock, "CHECKPOINT_EVERY", 3)
    receive("R-1", 0, ("compound", "100", "10"))
    for number in range(1, 20):
        use(f"J-{number}", number, "depot", "compound", "1")
    played: list[LotMovement] = []
    play_one = LotReplay.play

    def play_and_tell(replay: LotReplay, move: LotMovement) -> None:
        played.append(move)
        play_one(replay, move)

    monkeypatch.setattr(LotReplay, "play", play_and_tell)
    by = date(2026, 12, 31)
    expected = [ExpiringRow("depot", "compound", "R-1", Decimal(81), date(2026, 4, 1))]
    assert expiring(by) == expected
    assert len(played) == 20
    played.clear()
    assert expiring(by) == expected
    assert 3 <= len(played) < 6
    kept = LotCheckpoint.objects.count()
    assert kept == 5
    played.clear()
    # Late: the checkpoints after it are thrown away, and made again.
    use("J-late", 17, "depot", "compound", "1")
    correct("X-1", "close", "J-2")
    assert expiring(by) == expected
    assert len(played) > 15
    assert LotCheckpoint.objects.count() == kept
    played.clear()
    assert expiring(by) == expected
    assert len(played) < 6


@pytest.mark.usefixtures("shop")
def test_what_a_job_brings_back_is_known_though_a_checkpoint_came_between(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(expiring_stock, "CHECKPOINT_EVERY", 1)
    receive("R-1", 0, ("compound", "5", "10"), expires_on="2026-03-01")
    receive("R-2", 0, ("compound", "9", "10"), expires_on="2026-04-01")
    use("J-1", 1, "depot", "compound", "5")
    use("J-2", 2, "depot", "compound", "2")
    use("J-3", 3, "depot", "compound", "2")
    by = date(2026, 12, 31)
    assert [row.lot for row in expiring(by)] == ["R-2"]
    assert LotCheckpoint.objects.exists()
    give_back("B-1", 4, "depot", "J-1", "compound", "3")
    assert [(row.lot, row.quantity) for row in expiring(by)] == [
        ("R-1", Decimal(3)),
        ("R-2", Decimal(5)),
    ]
