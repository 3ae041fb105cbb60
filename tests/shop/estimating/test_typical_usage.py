"""What jobs of a kind usually take, by hand-made closes."""

from decimal import Decimal

from shop.estimating.typical_usage import PastClose, usual_by_kind

OWN, OTHER = 1, 2


def close(
    technician: int, discs: int, *, kind: str = "scratch", labour: int = 60, compound: int = 0
) -> PastClose:
    """Return a close that took so many discs for ten minutes each, and perhaps compound."""
    uses = {"disc": (Decimal(discs), Decimal(10 * discs))} if discs else {}
    if compound:
        uses["compound"] = (Decimal(compound), Decimal(0))
    return PastClose(kind, technician, Decimal(labour), Decimal(20), uses)


def test_the_median_of_the_own_closes_is_usual() -> None:
    usual = usual_by_kind([close(OWN, n) for n in (1, 2, 9)] + [close(OTHER, 50)] * 5, OWN)["scratch"]
    assert (usual.own, usual.closes) == (True, 3)
    assert usual.uses == {"disc": (Decimal(2), Decimal(20))}


def test_with_few_own_closes_everybodys_are_usual() -> None:
    usual = usual_by_kind([close(OWN, 1)] * 2 + [close(OTHER, 5)] * 3, OWN)["scratch"]
    assert (usual.own, usual.closes) == (False, 5)
    assert usual.uses["disc"] == (Decimal(5), Decimal(50))


def test_too_few_closes_say_nothing_and_kinds_are_kept_apart() -> None:
    found = usual_by_kind([close(OWN, 1)] * 2 + [close(OWN, 4, kind="graffiti")] * 3, OWN)
    assert set(found) == {"graffiti"}


def test_a_half_is_rounded_up_to_a_whole_disc() -> None:
    usual = usual_by_kind([close(OWN, n, labour=m) for n, m in ((1, 50), (2, 55), (3, 60), (3, 60))], OWN)
    assert usual["scratch"].uses["disc"][0] == 3  # the median of 1, 2, 3, 3 is 2.5
    assert usual["scratch"].labour_minutes == 58  # the median of 50, 55, 60, 60 is 57.5


def test_what_most_closes_did_without_is_left_out() -> None:
    usual = usual_by_kind([close(OWN, 1, compound=c) for c in (30, 0, 0)], OWN)["scratch"]
    assert set(usual.uses) == {"disc"}
