"""Which class of service a consumable is in."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecasting.replenishment.abc_classes import service_classes

A_SHARE, B_SHARE = Decimal("0.8"), Decimal("0.95")


def classes(stops: tuple[str, ...] = (), **used: int) -> dict[str, str]:
    """Return the classes at the usual cuts."""
    values = {code: Decimal(value) for code, value in used.items()}
    return service_classes(values, stops, A_SHARE, B_SHARE)


def test_the_first_80_percent_of_the_value_are_a_the_next_15_b() -> None:
    # Of 1000: 500, 300 make up the first 800; 100, 50 the next 150; 30 and 20 the rest.
    found = classes(p=500, q=300, r=100, s=50, t=30, u=20, never=0)
    assert found == {"p": "A", "q": "A", "r": "B", "s": "B", "t": "C", "u": "C", "never": "C"}


def test_what_crosses_a_cut_belongs_above_it() -> None:
    # 790 of 1000 are before q, which brings them to 900.
    assert classes(p=790, q=110, r=100) == {"p": "A", "q": "A", "r": "B"}


def test_what_stops_a_job_is_a_class_of_its_own_whatever_its_value() -> None:
    found = classes(("pad", "never"), p=900, pad=1, never=0)
    assert (found["pad"], found["never"]) == ("stops a job", "stops a job")


def test_without_any_use_all_are_c() -> None:
    assert classes(p=0, q=0) == {"p": "C", "q": "C"}
    assert classes() == {}


@pytest.mark.parametrize(("a", "b"), [("0", "0.9"), ("0.9", "0.9"), ("0.8", "1"), ("0.9", "0.8")])
def test_cuts_that_do_not_rise_between_0_and_1_are_refused(a: str, b: str) -> None:
    with pytest.raises(ValueError, match="Share"):
        service_classes({}, (), Decimal(a), Decimal(b))


@given(st.dictionaries(st.text("abcdef", min_size=1, max_size=4), st.integers(0, 1000), max_size=12))
def test_who_is_used_for_more_is_never_in_a_lower_class(used: dict[str, int]) -> None:
    found = service_classes({code: Decimal(value) for code, value in used.items()}, (), A_SHARE, B_SHARE)
    assert found.keys() == used.keys()
    ranked = sorted(used, key=lambda code: (-used[code], code))
    assert [found[code] for code in ranked] == sorted(found[code] for code in ranked)
