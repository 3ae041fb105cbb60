"""Which forecasts a person may see, and how one is laid out for reading."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db.models import QuerySet

from forecasting.burn.text import (
    CLASSES,
    MODELS,
    STATED,
    bias_in_words,
    held_in_words,
    stored_place,
)
from forecasting.models import BurnForecast, ForecastRun
from inventory.weeks import A_WEEK
from shop.models import Person, Role
from shop.people.permissions import own_van, role_of

# The widest interval first.
INTERVALS = (("95%", 0.025, 0.975), ("80%", 0.1, 0.9), ("50%", 0.25, 0.75))
MEDIAN, HIGH = 0.5, 0.8
SHOWN_LEVELS = (MEDIAN, HIGH, STATED, *(level for _, *ends in INTERVALS for level in ends))


def visible_to(person: Person) -> QuerySet[BurnForecast]:
    """Return the forecasts that a person may see: technicians those of their own van."""
    found = BurnForecast.objects.select_related("run", "place", "consumable")
    if role_of(person) != Role.TECHNICIAN:
        return found
    own = own_van(person)
    return found.filter(place=own.van.place_id) if own else found.none()


def iso_week(day: date) -> str:
    """Return the ISO week of a day, such as 2026-W48."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02}"


@dataclass(frozen=True, slots=True)
class Interval:
    """Between which amounts the burn stays with some probability."""

    name: str
    low: Decimal
    high: Decimal


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is forecast over some weeks from the Monday `start`: quantities in the stock unit.

    A quantile is None, and an interval left out, where the run does not store its levels.
    """

    start: date
    weeks: int
    median: Decimal | None
    mean: Decimal
    high_80: Decimal | None
    high_95: Decimal | None
    intervals: tuple[Interval, ...]
    jobs: Decimal | None


@dataclass(frozen=True, slots=True)
class PastWeek:
    """What was used in a week; None when it did not count."""

    week: str
    monday: date
    used: Decimal | None


def ahead(row: BurnForecast) -> Ahead:
    """Lay one forecast out."""

    def at(level: float) -> Decimal | None:
        place = stored_place(row.run.levels, level)
        return None if place is None else Decimal(row.quantiles[place])

    between = [(name, at(low), at(high)) for name, low, high in INTERVALS]
    return Ahead(
        start=row.run.first_week + row.run.weeks * A_WEEK,
        weeks=row.weeks_ahead,
        median=at(MEDIAN),
        mean=row.mean,
        high_80=at(HIGH),
        high_95=at(STATED),
        intervals=tuple(
            Interval(name, low, high) for name, low, high in between if low is not None and high is not None
        ),
        jobs=row.jobs_known,
    )


def past_weeks(row: BurnForecast) -> list[PastWeek]:
    """Return the history that the forecast was made from, oldest first."""
    return [
        PastWeek(iso_week(monday), monday, None if used is None else Decimal(used))
        for number, used in enumerate(row.history)
        for monday in [row.run.first_week + number * A_WEEK]
    ]


def held(row: BurnForecast, level: float) -> int | None:
    """Return how many of the past intervals stayed at or under a level's quantile; None: it is not stored."""
    place = stored_place(row.run.levels, level)
    if place is None:
        return None
    times: int = row.held[place] if row.tested else 0
    return times


def levels_in_words(run: ForecastRun | None) -> str:
    """Return which levels a run stores, when some that the pages show are missing; else nothing."""
    if run is None or all(stored_place(run.levels, level) is not None for level in SHOWN_LEVELS):
        return ""
    stored = ", ".join(f"{100 * level:g}%" for level in run.levels) or "none"
    return f"Not all levels of this page are stored with this forecast. Stored are: {stored}."


def accuracy_in_words(row: BurnForecast) -> list[str]:
    """Return how forecasts of this series did in the past, in sentences."""
    if not row.tested:
        return [held_in_words(STATED, 0, 0, row.weeks_ahead)]
    times = [(level, held(row, level)) for level in (STATED, HIGH)]
    said = [
        held_in_words(level, held, row.tested, row.weeks_ahead) for level, held in times if held is not None
    ]
    return [*said, bias_in_words(row.accuracy.get("bias"))]


def model_in_words(row: BurnForecast) -> str:
    """Return what the model does, or its name when nobody has said that yet."""
    return MODELS.get(row.model, row.model)


def class_in_words(row: BurnForecast) -> str:
    """Return what the class of demand means."""
    return CLASSES.get(row.demand_class, row.demand_class)


def run_in_words(run: ForecastRun) -> str:
    """Return what the run says about how good its forecasts are."""
    return str(run.summary.get("in_words", ""))
