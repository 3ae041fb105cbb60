"""What a job cost: labour, wear, overhead, margin, callbacks, and what was absorbed against what was spent.

Pure arithmetic. Money is a Decimal in the shop's currency, net of tax, rounded to 4 places half-even, once
per result. Minutes are Decimals.
"""

from collections.abc import Iterable
from dataclasses import dataclass, fields
from datetime import date
from decimal import ROUND_HALF_EVEN, Decimal, localcontext
from typing import Literal, Protocol, TypeVar

from inventory.decimals import LAST_PLACE, PRECISION, ZERO

MINUTES_PER_HOUR = Decimal(60)


def rounded_share(amount: Decimal, part: Decimal, whole: Decimal) -> Decimal:
    """Return `amount * part / whole`, multiplied before it is divided and rounded once."""
    with localcontext(prec=PRECISION):
        return (amount * part / whole).quantize(LAST_PLACE, rounding=ROUND_HALF_EVEN)


def minutes_cost(minutes: Decimal, rate_per_hour: Decimal) -> Decimal:
    """Return the cost of `minutes` of labour or travel at a loaded rate per hour.

    Raises ValueError when either is negative or not a number.
    """
    _must_not_be_negative("minutes", minutes)
    _must_not_be_negative("rate per hour", rate_per_hour)
    return rounded_share(rate_per_hour, minutes, MINUTES_PER_HOUR)


def wear_cost(minutes: Decimal, unit_cost: Decimal, life_minutes: Decimal) -> Decimal:
    """Return the wear of a long-lived part over `minutes` of work: its cost by the share of its life used.

    The units-of-production method (IAS 16 paragraph 62), without a residual value. Minutes
    beyond the life go on being charged: the wear pool shows the over-absorption. Raises ValueError when a
    value is negative or the life is not positive.
    """
    _must_not_be_negative("minutes", minutes)
    _must_not_be_negative("unit cost", unit_cost)
    _must_be_positive("life in minutes", life_minutes)
    return rounded_share(unit_cost, minutes, life_minutes)


def overhead_cost(minutes: Decimal, monthly_overhead: Decimal, capacity_minutes: Decimal) -> Decimal:
    """Return the overhead absorbed by `minutes` of labour: monthly overhead over practical capacity minutes.

    Practical capacity, not the minutes worked, is the divisor, so a quiet month does not make each job look
    more expensive; what is not absorbed is reported (IAS 2 paragraph 13; Kaplan and Anderson 2004). Raises
    ValueError when a value is negative or the capacity is not positive.
    """
    _must_not_be_negative("minutes", minutes)
    _must_not_be_negative("monthly overhead", monthly_overhead)
    _must_be_positive("capacity in minutes", capacity_minutes)
    return rounded_share(monthly_overhead, minutes, capacity_minutes)


@dataclass(frozen=True, slots=True)
class JobCosts:
    """Revenue net of tax and discount, and the costs of one job or, added up, of any group of jobs."""

    revenue: Decimal
    materials: Decimal
    wear: Decimal
    labour: Decimal
    travel: Decimal
    overhead: Decimal

    @property
    def contribution(self) -> Decimal:
        """What the job leaves towards overhead and profit."""
        return self.revenue - self.materials - self.wear - self.labour - self.travel

    @property
    def margin(self) -> Decimal:
        """What the job leaves after its share of overhead."""
        return self.contribution - self.overhead

    def __add__(self, other: "JobCosts") -> "JobCosts":
        # Written out for speed: reports add up a hundred thousand of these.
        return JobCosts(
            self.revenue + other.revenue,
            self.materials + other.materials,
            self.wear + other.wear,
            self.labour + other.labour,
            self.travel + other.travel,
            self.overhead + other.overhead,
        )


# The names of the amounts, in the order in which JobCosts takes them.
AMOUNTS = tuple(field.name for field in fields(JobCosts))
NO_COSTS = JobCosts(ZERO, ZERO, ZERO, ZERO, ZERO, ZERO)


@dataclass(frozen=True, slots=True)
class Absorption:
    """What predetermined rates charged to jobs in a period, and what was really spent, in money.

    The same for the wear pool (wear charged against replacements bought) and for overhead.
    """

    absorbed: Decimal
    actual: Decimal

    @property
    def balance(self) -> Decimal:
        """Absorbed less actual: positive is over-absorbed, negative under-absorbed."""
        return self.absorbed - self.actual

    @property
    def word(self) -> Literal["over", "under", "even"]:
        if self.balance > 0:
            return "over"
        return "under" if self.balance < 0 else "even"

    def __str__(self) -> str:
        if self.word == "even":
            return "absorbed exactly"
        return f"{self.word}-absorbed by {abs(self.balance)}"


class Dated(Protocol):
    """Anything in force from a day on until a later one of its kind replaces it."""

    @property
    def effective_from(self) -> date: ...


D = TypeVar("D", bound=Dated)


def rate_on(rates: Iterable[D], day: date) -> D | None:
    """Return the one of `rates` in force on `day`: the latest that starts on or before it.

    `rates` may come in any order. None before the first rate: a job of that time must still be closed and
    costed, so the caller charges nothing for it and says so. Raises ValueError when two start on
    that same day, since either could be meant.
    """
    started = [rate for rate in rates if rate.effective_from <= day]
    if not started:
        return None
    latest = max(rate.effective_from for rate in started)
    in_force = [rate for rate in started if rate.effective_from == latest]
    if len(in_force) > 1:
        raise ValueError(f"{len(in_force)} rates start on {latest}; keep one of them")
    return in_force[0]


def _must_not_be_negative(what: str, value: Decimal) -> None:
    if not value.is_finite() or value < 0:
        raise ValueError(f"{what} {value} must be zero or more")


def _must_be_positive(what: str, value: Decimal) -> None:
    if not value.is_finite() or value <= 0:
        raise ValueError(f"{what} {value} must be more than zero")
