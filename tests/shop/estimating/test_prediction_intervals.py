"""What a job is likely to take: the jobs an estimate rests on, its intervals, its scaling, its price."""

import random
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.estimating.prediction_intervals import (
    ENOUGH_JOBS,
    FEWEST_JOBS,
    MOST_JOBS,
    Asked,
    PastJob,
    basis_for,
    length_exponent,
    length_factor,
    lost_share,
    price_for,
    ranks,
    spread,
)

ONE = Decimal(1)
MINUTES = st.decimals("0", "100000", places=2)
AMOUNTS = st.lists(MINUTES, min_size=FEWEST_JOBS, max_size=60)


def past(count: int, **changes: Any) -> list[PastJob]:
    """Return finished jobs on short scratches in tempered glass of an hour each."""
    facts: dict[str, Any] = {
        "damage_type": "scratch",
        "job_type": "short",
        "glass": "tempered",
        "catches_fingernail": None,
        "length_mm": None,
        "outcome": "removed",
        "technician": "ann",
        "labour_minutes": Decimal(60),
        **changes,
    }
    return [PastJob(number, **facts) for number in range(count)]


def seeded(seed: int) -> random.Random:
    """Return chance that is the same each time."""
    return random.Random(seed)  # noqa: S311 - nothing secret


def ones(values: Sequence[Decimal]) -> list[Decimal]:
    """Return a factor of one for each."""
    return [ONE] * len(values)


@pytest.mark.parametrize(
    ("jobs", "j", "k"), [(9, 1, 9), (18, 1, 18), (19, 2, 18), (39, 4, 36), (200, 20, 181)]
)
def test_the_interval_lies_as_far_in_as_its_level_allows(jobs: int, j: int, k: int) -> None:
    assert ranks(jobs, 80) == (j, k)
    assert (k - j) / (jobs + 1) >= 0.8
    assert (k - j - 2) / (jobs + 1) < 0.8


def test_too_few_jobs_for_a_level_are_refused() -> None:
    with pytest.raises(ValueError, match="8 jobs are too few for an interval of 80%"):
        ranks(8, 80)
    with pytest.raises(ValueError, match="between 0 and 100"):
        ranks(50, 100)


def test_the_next_of_exchangeable_values_lies_within_as_often_as_the_formula_says() -> None:
    """Wilks 1941: with probability (k - j) / (n + 1), whatever the distribution; here a skewed one."""
    chance = seeded(7)
    trials, hits = 20_000, 0
    j, k = ranks(19, 80)
    for _ in range(trials):
        seen = sorted(chance.lognormvariate(0, 1) for _ in range(19))
        hits += seen[j - 1] <= chance.lognormvariate(0, 1) <= seen[k - 1]
    assert hits / trials == pytest.approx((k - j) / 20, abs=4 * (0.8 * 0.2 / trials) ** 0.5)


def test_counts_with_many_zeros_are_covered_at_least_as_often() -> None:
    chance = seeded(8)

    def discs() -> Decimal:
        return Decimal(max(0, round(chance.gauss(0, 1.2))))

    hits = 0
    for _ in range(2000):
        found = spread([discs() for _ in range(29)], [ONE] * 29, in_whole=True)
        assert found.low is not None
        assert found.high is not None
        hits += found.low <= discs() <= found.high
    assert hits / 2000 > 0.8


@given(AMOUNTS)
def test_the_interval_is_ordered_and_grows_with_its_level(amounts: list[Decimal]) -> None:
    narrow = spread(amounts, ones(amounts), level_percent=50)
    wide = spread(amounts, ones(amounts), level_percent=80)
    assert wide.low is not None
    assert narrow.low is not None
    assert narrow.high is not None
    assert wide.high is not None
    assert wide.low <= narrow.low <= narrow.median <= narrow.high <= wide.high
    assert wide.median == narrow.median


@given(AMOUNTS, st.randoms(use_true_random=False))
def test_the_order_of_jobs_does_not_matter(amounts: list[Decimal], chance: random.Random) -> None:
    pairs = [(amount, Decimal(chance.randint(1, 30)) / 10) for amount in amounts]
    mixed = chance.sample(pairs, len(pairs))
    assert spread([a for a, _ in pairs], [f for _, f in pairs]) == spread(
        [a for a, _ in mixed], [f for _, f in mixed]
    )


@given(AMOUNTS, st.decimals("0.05", "20", places=3))
def test_what_is_counted_comes_in_whole_pieces(amounts: list[Decimal], factor: Decimal) -> None:
    found = spread(amounts, [factor] * len(amounts), in_whole=True)
    for value in (found.low, found.median, found.high):
        assert value is not None
        assert value == value.to_integral_value()


@given(AMOUNTS)
def test_half_of_the_jobs_stayed_within_the_middle(amounts: list[Decimal]) -> None:
    median = spread(amounts, ones(amounts)).median
    assert sum(amount <= median for amount in amounts) * 2 >= len(amounts)
    assert sum(amount < median for amount in amounts) * 2 < len(amounts) + 1


def test_it_rests_on_the_narrowest_set_with_enough_jobs() -> None:
    alike, other_glass = past(ENOUGH_JOBS), past(30, glass="laminated")
    asked = Asked("scratch", "short", "tempered")
    enough = basis_for(asked, [*alike, *other_glass])
    assert enough is not None
    assert (enough.alike_in, len(enough.jobs)) == (("damage_type", "job_type", "glass"), ENOUGH_JOBS)
    one_short = basis_for(asked, [*alike[1:], *other_glass])
    assert one_short is not None
    assert (one_short.alike_in, len(one_short.jobs)) == (("damage_type", "job_type"), ENOUGH_JOBS + 29)


def test_depth_is_used_where_both_sides_know_it() -> None:
    deep, unknown = past(20, catches_fingernail=True, labour_minutes=Decimal(90)), past(40)
    asked = Asked("scratch", "short", "tempered", catches_fingernail=True)
    known = basis_for(asked, [*deep, *unknown])
    assert known is not None
    assert known.alike_in == ("damage_type", "job_type", "catches_fingernail", "glass")
    not_told = basis_for(Asked("scratch", "short", "tempered"), [*deep, *unknown])
    assert not_told is not None
    assert len(not_told.jobs) == 60
    shallow = basis_for(Asked("scratch", "short", "tempered", catches_fingernail=False), [*deep, *unknown])
    assert shallow is not None
    assert shallow.alike_in == ("damage_type", "job_type", "glass")


def test_with_few_it_falls_back_to_the_damage_type_and_then_to_all() -> None:
    asked = Asked("scratch", "short", "tempered")
    few = past(FEWEST_JOBS, job_type="long")
    of_damage = basis_for(asked, few)
    assert of_damage is not None
    assert of_damage.alike_in == ("damage_type",)
    assert basis_for(asked, few[1:]) is None
    of_all = basis_for(asked, few[1:], [*few[1:], *past(4, damage_type="scuff")])
    assert of_all is not None
    assert of_all.alike_in == ()
    assert len(of_all.jobs) == FEWEST_JOBS + 3
    assert basis_for(asked, [], []) is None


def test_only_the_latest_finished_jobs_count_and_all_tell_how_many_came_to_nothing() -> None:
    jobs = [*past(10, outcome="abandoned"), *past(10, outcome="not removable"), *past(MOST_JOBS + 50)]
    found = basis_for(Asked("scratch"), jobs)
    assert found is not None
    assert found.jobs == tuple(past(MOST_JOBS))
    assert (found.lost.lost, found.lost.jobs) == (20, MOST_JOBS + 70)


def lengths_that_matter(chance: random.Random, count: int) -> list[PastJob]:
    """Return jobs whose minutes grow as the square root of the length, with a fifth of noise."""
    jobs = []
    for number in range(count):
        length = chance.randint(50, 1500)
        minutes = 3 * length**0.5 * chance.lognormvariate(0, 0.2)
        made = past(1, length_mm=Decimal(length), labour_minutes=Decimal(round(minutes, 2)))[0]
        jobs.append(PastJob(number, *[getattr(made, name) for name in made.__slots__[1:]]))
    return jobs


def test_where_longer_takes_longer_the_estimate_follows_the_length_and_still_covers() -> None:
    chance = seeded(3)
    jobs = lengths_that_matter(chance, 400)
    hits, width, plain_width = 0, Decimal(0), Decimal(0)
    for number in range(100, 400):
        new, before = jobs[number], jobs[number - 100 : number]
        found = basis_for(Asked("scratch", length_mm=new.length_mm), before)
        assert found is not None
        assert found.exponent == pytest.approx(0.5, abs=0.15)
        scaled = spread([job.labour_minutes for job in found.jobs], found.factors)
        plain = spread([job.labour_minutes for job in before], [ONE] * 100)
        assert scaled.low is not None
        assert scaled.high is not None
        assert plain.low is not None
        assert plain.high is not None
        hits += scaled.low <= new.labour_minutes <= scaled.high
        width += scaled.high - scaled.low
        plain_width += plain.high - plain.low
    assert 0.74 <= hits / 300 <= 0.88
    assert width < plain_width * Decimal("0.6")


def test_where_the_length_says_nothing_it_is_not_used() -> None:
    chance = seeded(4)
    jobs = [
        PastJob(
            n,
            "scratch",
            "short",
            "tempered",
            None,
            Decimal(chance.randint(50, 900)),
            "removed",
            "ann",
            minutes,
        )
        for n, minutes in enumerate(Decimal(chance.randint(40, 80)) for _ in range(100))
    ]
    found = basis_for(Asked("scratch", length_mm=Decimal(500)), jobs)
    assert found is not None
    assert found.exponent is None
    assert set(found.factors) == {ONE}


def test_an_exact_power_is_found_and_applied() -> None:
    lengths = [Decimal(length) for length in range(100, 2000, 100)]
    assert length_exponent(lengths, [length * 2 for length in lengths]) == pytest.approx(1)
    assert length_exponent(lengths, [2000 - length for length in lengths]) is None
    assert length_exponent(lengths, [Decimal(5)] * len(lengths)) is None
    assert length_exponent(lengths, [length**3 for length in lengths]) == 2.0
    assert length_factor(Decimal(400), Decimal(100), 0.5) == 2


def test_jobs_without_a_length_are_left_out_only_where_it_is_used() -> None:
    chance = seeded(5)
    jobs = [*past(30), *lengths_that_matter(chance, 60)]
    scaled = basis_for(Asked("scratch", length_mm=Decimal(300)), jobs)
    assert scaled is not None
    assert len(scaled.jobs) == 60
    plain = basis_for(Asked("scratch"), jobs)
    assert plain is not None
    assert len(plain.jobs) == 90


def test_a_share_of_no_jobs_may_be_anything_and_one_of_too_few_is_refused() -> None:
    found = lost_share(0, 0)
    assert (found.low, found.high) == (0.0, 1.0)
    for jobs in range(1, 200):
        assert (lost_share(0, jobs).low, lost_share(jobs, jobs).high) == (0.0, 1.0)
    with pytest.raises(ValueError, match="4 of 3 jobs"):
        lost_share(4, 3)


@given(MINUTES, st.decimals("0", "95", places=1), st.sampled_from([0, 2, 3]))
def test_the_price_is_the_least_that_reaches_the_target(cost: Decimal, target: Decimal, digits: int) -> None:
    price = price_for(cost, target, digits)
    assert price is not None
    step = Decimal(1).scaleb(-digits)
    assert price % step == 0
    assert (price - cost) * 100 >= target * price
    less = price - step
    assert less < 0 or (less - cost) * 100 < target * less or less == price


def test_no_price_reaches_a_target_of_all_of_it() -> None:
    assert price_for(Decimal(10), Decimal(100), 2) is None
    assert price_for(Decimal(75), Decimal(25), 2) == 100
