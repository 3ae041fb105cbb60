"""Why a repair is doubtful, as text for the person who talks to the customer. Pure.

What may be done to glass is for local rules, makers and licensed practice to say; a doubt never decides.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from shop.estimating.prediction_intervals import Asked, Basis, Range

# Doubtful when even the lower end of the share of failed jobs is more than this. Our choice, no source.
OFTEN_LOST = 0.10


class Reason(StrEnum):
    """What a doubt is about."""

    OFTEN_LOST = "often lost"
    DEEP = "deep"
    PRIMARY_VIEW = "primary view"
    DAMAGED_BEFORE = "damaged before"
    UNSEEN_LENGTH = "unseen length"
    OTHER_WORK = "other work"
    NO_COST_KNOWN = "no cost known"
    LOSES_MONEY = "loses money"
    BELOW_TARGET = "below target"
    MAY_LOSE_MONEY = "may lose money"


@dataclass(frozen=True, slots=True)
class Doubt:
    """A reason as text. `of_costs`: only people who may see costs may read it."""

    reason: Reason
    words: str
    of_costs: bool = False


@dataclass(frozen=True, slots=True)
class DamageSeen:
    """What was seen of the damage besides what an estimate can use."""

    in_primary_view: bool = False
    existing_damage: str = ""


def doubts_of_work(
    asked: Asked, seen: DamageSeen, basis: Basis | None, length: Callable[[Decimal], str]
) -> Iterator[Doubt]:
    """Yield what makes the work itself doubtful; `length` writes millimetres as the shop shows them."""
    if basis is not None and basis.lost.low > OFTEN_LOST:
        lost = basis.lost
        yield Doubt(
            Reason.OFTEN_LOST,
            f"Of {lost.jobs} similar jobs {lost.lost} failed ({lost.low:.0%} to {lost.high:.0%} of "
            "such jobs, with 95% confidence). Say so to the customer, and agree what is paid in that case.",
        )
    if asked.catches_fingernail:
        yield Doubt(
            Reason.DEEP,
            "A fingernail catches: that is near the limit of what can be removed, and grinding deeper may "
            "distort the view. Tempered and heat-treated glass must not be ground deeply.",
        )
    if seen.in_primary_view:
        yield Doubt(
            Reason.PRIMARY_VIEW,
            "In the driver's primary viewing area, and where a camera of the vehicle looks through, a repair "
            "may be inadvisable or forbidden. Local rules, the vehicle maker and licensed practice decide.",
        )
    if seen.existing_damage:
        yield Doubt(
            Reason.DAMAGED_BEFORE,
            "There was damage before. Agree on it with the customer in writing before the work starts: "
            f"{seen.existing_damage}",
        )
    if basis is not None:
        yield from _unlike(asked, basis, length)


def _unlike(asked: Asked, basis: Basis, length: Callable[[Decimal], str]) -> Iterator[Doubt]:
    lengths = [job.length_mm for job in basis.jobs if job.length_mm]
    if asked.length_mm and lengths and not min(lengths) <= asked.length_mm <= max(lengths):
        longer = asked.length_mm > max(lengths)
        yield Doubt(
            Reason.UNSEEN_LENGTH,
            f"No similar job was {'longer' if longer else 'shorter'} than "
            f"{length(max(lengths) if longer else min(lengths))}, so the estimate says less here.",
        )
    if not basis.alike_in:
        yield Doubt(
            Reason.OTHER_WORK,
            "There were too few jobs with this damage: the estimate rests on jobs of all kinds.",
        )


def doubts_of_price(
    price: Decimal, asking: Decimal | None, cost: Range, written: Callable[[Decimal], str]
) -> Iterator[Doubt]:
    """Yield what is wrong with a price, against the one that reaches the target and the cost, if anything."""
    if price < cost.median:
        yield Doubt(
            Reason.LOSES_MONEY,
            f"At {written(price)} such a job usually loses money: it costs {written(cost.median)}.",
            of_costs=True,
        )
    elif cost.high is not None and price < cost.high:
        yield Doubt(
            Reason.MAY_LOSE_MONEY,
            f"At {written(price)} it may lose money: one job in ten costs {written(cost.high)} or more.",
            of_costs=True,
        )
    if asking is not None and price < asking:
        yield Doubt(
            Reason.BELOW_TARGET,
            f"{written(price)} is below {written(asking)}, the price that usually reaches the shop's target.",
        )
