"""Sharing a short depot: no other sharing leaves less expected shortage, and asking first wins nothing."""

from itertools import product
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.arrays import FloatArray
from forecasting.stock_control.allocation import Claim, share
from tests.oracles.poisson import poisson


@st.composite
def claims(draw: st.DrawFn) -> list[Claim]:
    """One to four vans; some owe stock, some want nothing, some are equal."""
    asked = []
    for number in range(draw(st.integers(1, 4))):
        weights = draw(st.lists(st.integers(0, 4), min_size=1, max_size=8).filter(any))
        asked.append(
            Claim(
                van=f"Van {number}",
                stock=draw(st.integers(-2, 5)),
                wanted=draw(st.integers(0, 5)),
                demand=np.array(weights) / sum(weights),
            )
        )
    return asked


def expected_shortage(stock: int, demand: FloatArray) -> float:
    return sum(float(probability) * max(units - stock, 0) for units, probability in enumerate(demand))


def total_shortage(asked: list[Claim], units: tuple[int, ...]) -> float:
    return sum(
        expected_shortage(claim.stock + given_units, claim.demand)
        for claim, given_units in zip(asked, units, strict=True)
    )


@settings(max_examples=80)
@given(claims(), st.integers(0, 16))
def test_no_other_sharing_leaves_less_expected_shortage(asked: list[Claim], available: int) -> None:
    shares = share(available, asked)
    to_share = min(available, sum(claim.wanted for claim in asked))
    others = (
        units for units in product(*(range(claim.wanted + 1) for claim in asked)) if sum(units) == to_share
    )
    least = min(total_shortage(asked, units) for units in others)
    assert total_shortage(asked, tuple(shares[claim.van] for claim in asked)) == pytest.approx(
        least, abs=1e-9
    )


@given(claims(), st.integers(0, 16))
def test_all_is_shared_and_nobody_gets_more_than_wanted(asked: list[Claim], available: int) -> None:
    shares = share(available, asked)
    assert sum(shares.values()) == min(available, sum(claim.wanted for claim in asked))
    assert all(0 <= shares[claim.van] <= claim.wanted for claim in asked)


@given(claims(), st.integers(0, 16), st.randoms())
def test_the_order_of_asking_does_not_matter(asked: list[Claim], available: int, random: Random) -> None:
    shuffled = list(asked)
    random.shuffle(shuffled)
    assert share(available, shuffled) == share(available, asked)


@given(claims(), st.integers(0, 15))
def test_one_more_unit_takes_nothing_from_anyone(asked: list[Claim], available: int) -> None:
    fewer, more = share(available, asked), share(available + 1, asked)
    assert all(more[van] >= units for van, units in fewer.items())


def test_the_van_that_will_more_likely_run_out_comes_first() -> None:
    busy = Claim("Busy", stock=2, wanted=5, demand=poisson(6, 1))
    quiet = Claim("Quiet", stock=2, wanted=5, demand=poisson(1, 1))
    assert share(3, [quiet, busy]) == {"Busy": 3, "Quiet": 0}


def test_equal_vans_share_equally() -> None:
    # Float sums of the same numbers must not tip the scale: 9 units for 3 vans are 3 each.
    vans = [Claim(name, stock=1, wanted=8, demand=poisson(4, 1)) for name in ("C", "A", "B")]
    assert share(9, vans) == {"A": 3, "B": 3, "C": 3}


def test_likelihoods_that_differ_by_rounding_alone_are_equal() -> None:
    # Summed in float, three tenths exceed 0.3; still the van that would be short of more comes first.
    tenths = Claim("A", stock=6, wanted=1, demand=np.full(10, 0.1))
    rarely_many = Claim("B", stock=0, wanted=1, demand=np.array([0.7, 0, 0, 0, 0, 0.3]))
    assert share(1, [tenths, rarely_many]) == {"A": 0, "B": 1}


def test_a_van_that_owes_stock_is_served_before_one_that_may_run_out() -> None:
    owing = Claim("Owing", stock=-2, wanted=6, demand=np.array([1.0]))
    likely = Claim("Likely", stock=0, wanted=6, demand=np.array([0.01, 0.99]))
    assert share(2, [likely, owing]) == {"Owing": 2, "Likely": 0}


def test_of_vans_that_owe_stock_the_one_that_owes_more_is_served_first() -> None:
    little = Claim("A", stock=-1, wanted=6, demand=np.array([0.5, 0.5]))
    much = Claim("B", stock=-3, wanted=6, demand=np.array([0.5, 0.5]))
    assert share(2, [little, much]) == {"A": 0, "B": 2}


def test_nobody_asks() -> None:
    assert share(5, []) == {}
