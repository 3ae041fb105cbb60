"""Does a job's close look right? Checks that raise questions, and never refuse the close. Pure.

Each finding is a question to the person who closes the job. It names the thing, the value entered and what
to do, and accepts the answer "yes, that is right". Quantities are in stock units.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import ROUND_CEILING, Decimal
from enum import StrEnum
from statistics import median

from shop.common.text import exact

# Common practice, no source: a disc lasts at most about ten minutes.
DISC_LIFE_MINUTES = Decimal(10)
# A box holds ten or more, a litre a thousand millilitres. Common practice, no source.
UNIT_MISTAKE = Decimal(10)
# Fewer uses than this say too little about what is usual. Our choice, no source.
LEAST_HISTORY = 8
# Modified z-score limit and MAD scale: Iglewicz and Hoaglin 1993, How to Detect and Handle Outliers.
FARTHEST_SCORE = Decimal("3.5")
MAD_SCALE = Decimal("0.6745")
# Where nearly all uses are the same, MAD is 0 and any other use would ask. Our choice, no source.
LEAST_SPREAD_SHARE = Decimal("0.2")
# Clocks of phones differ by less. Our choice, no source.
CLOCK_DIFFERENCE = timedelta(minutes=5)

# A close so long before others has a wrong year, or came from a wrong clock. Our choice, no source.
LONG_BEFORE = timedelta(weeks=26)

FINISHED_OUTCOMES = frozenset({"removed", "reduced"})
COUNTED = "counted"


class Check(StrEnum):
    """What a finding is about."""

    MINUTES_WITHOUT_DISCS = "minutes without discs"
    MINUTES_EXCEED_DISCS = "minutes exceed discs"
    FINISHING_MISSING = "finishing missing"
    TEN_TIMES_USUAL = "ten times usual"
    FAR_FROM_USUAL = "far from usual"
    SPOILT_EXCEEDS_USED = "spoilt exceeds used"
    LABOUR_BELOW_MINUTES = "labour below minutes"
    CLOSED_IN_FUTURE = "closed in future"
    CLOSED_LONG_BEFORE = "closed long before"
    FILE_DIFFERS = "file differs"
    FILE_NOT_ADDED = "file not added"


@dataclass(frozen=True, slots=True)
class RaisedQuestion:
    """A question about one consumable (its code; empty when about the whole job)."""

    code: Check
    consumable: str
    message: str


@dataclass(frozen=True, slots=True)
class UsedConsumable:
    """What a close says of one consumable.

    `kind` is counted, measured or worn; `grade` a P-grade or empty; `life_minutes` per unit, None when not
    set. `quantity` is all that left the stock, `spoilt` the part of it that was spoilt.
    """

    code: str
    name: str
    kind: str
    unit: str
    grade: str
    life_minutes: Decimal | None
    quantity: Decimal
    minutes: Decimal
    spoilt: Decimal


@dataclass(frozen=True, slots=True)
class StandardAmount:
    """What the job type's standard expects of one consumable, and whether it belongs to a finishing step."""

    code: str
    name: str
    quantity: Decimal
    finishing: bool


@dataclass(frozen=True, slots=True)
class PastCloses:
    """Recent quantities of one consumable on jobs of this type that used it, in any order."""

    code: str
    quantities: tuple[Decimal, ...]


@dataclass(frozen=True, slots=True)
class CloseUnderReview:
    """A job's close as entered; `closed_at` is aware, each consumable appears once."""

    outcome: str
    labour_minutes: Decimal
    closed_at: datetime
    used: tuple[UsedConsumable, ...]


def check_close(
    close: CloseUnderReview,
    standard: Iterable[StandardAmount] = (),
    histories: Iterable[PastCloses] = (),
    *,
    now: datetime,
    disc_life_minutes: Decimal = DISC_LIFE_MINUTES,
) -> tuple[RaisedQuestion, ...]:
    """Return what to ask about a close, in the order of its lines; empty when all looks right.

    `disc_life_minutes` is the shop's life of a counted consumable that has none of its own.
    """
    standard_of = {use.code: use for use in standard}
    history_of = {history.code: history.quantities for history in histories}
    return (
        *_closed_in_future(close, now),
        *_minutes_against_discs(close.used, disc_life_minutes),
        *_spoilt(close.used),
        *_against_usual(close.used, standard_of, history_of),
        *_finishing(close, standard_of.values()),
        *_labour(close),
    )


def _closed_in_future(close: CloseUnderReview, now: datetime) -> Iterator[RaisedQuestion]:
    if close.closed_at > now + CLOCK_DIFFERENCE:
        yield RaisedQuestion(
            Check.CLOSED_IN_FUTURE,
            "",
            f"The job is closed at {close.closed_at.astimezone(now.tzinfo):%Y-%m-%d %H:%M}, "
            f"but it is {now:%Y-%m-%d %H:%M} now. Is the device's clock right? If not, correct the time.",
        )


def check_day(closed_on: date, other: date, what: str) -> Iterator[RaisedQuestion]:
    """Yield what to ask about the day of a close, against that of other work: `what` says which that is."""
    if other - closed_on > LONG_BEFORE:
        yield RaisedQuestion(
            Check.CLOSED_LONG_BEFORE,
            "",
            f"The job is closed on {closed_on}, long before {what} {other}. "
            "Is the date right, and the device's clock? If not, take the close back and close the job again.",
        )


def _minutes_against_discs(used: Sequence[UsedConsumable], default_life: Decimal) -> Iterator[RaisedQuestion]:
    """Compare per grade, since the minutes on a grade may all be entered beside one of two makes of disc."""
    by_grade: dict[str, list[UsedConsumable]] = {}
    for use in used:
        if use.kind == COUNTED:
            by_grade.setdefault(use.grade or use.code, []).append(use)
    for uses in by_grade.values():
        minutes = sum((use.minutes for use in uses), Decimal(0))
        quantity = sum((use.quantity for use in uses), Decimal(0))
        lives = {use.code: use.life_minutes or default_life for use in uses}
        enough_for = sum((use.quantity * lives[use.code] for use in uses), Decimal(0))
        first = max(uses, key=lambda use: use.minutes)
        life = lives[first.code]
        if minutes <= enough_for:
            continue
        needed = quantity + ((minutes - enough_for) / life).to_integral_value(rounding=ROUND_CEILING)
        if quantity == 0:
            code = Check.MINUTES_WITHOUT_DISCS
            entered = f"{exact(minutes)} minutes are entered but none was used"
        else:
            code = Check.MINUTES_EXCEED_DISCS
            entered = f"{exact(minutes)} minutes are entered with {exact(quantity)} used"
        yield RaisedQuestion(
            code,
            first.code,
            f"{first.name}: {entered}, and one usually lasts about {exact(life)} minutes. "
            f"Were {exact(needed)} used? If so, add them; if not, check the minutes.",
        )


def _spoilt(used: Iterable[UsedConsumable]) -> Iterator[RaisedQuestion]:
    for use in used:
        if use.spoilt > use.quantity:
            yield RaisedQuestion(
                Check.SPOILT_EXCEEDS_USED,
                use.code,
                f"{use.name}: {_amount(use.spoilt, use)} spoilt, but only {_amount(use.quantity, use)} used. "
                "Should the quantity include what was spoilt? If so, raise it.",
            )


def _against_usual(
    used: Iterable[UsedConsumable],
    standard_of: Mapping[str, StandardAmount],
    history_of: Mapping[str, tuple[Decimal, ...]],
) -> Iterator[RaisedQuestion]:
    for use in used:
        if use.quantity <= 0:
            continue
        history = history_of.get(use.code, ())
        known = len(history) >= LEAST_HISTORY
        if known:
            usual = median(history)
        else:
            usual = standard_of[use.code].quantity if use.code in standard_of else Decimal(0)
        unit = "single pieces, not boxes" if use.kind == COUNTED else f"in {use.unit}, not in a smaller unit"
        if usual > 0 and use.quantity >= UNIT_MISTAKE * usual:
            yield RaisedQuestion(
                Check.TEN_TIMES_USUAL,
                use.code,
                f"{use.name}: {_amount(use.quantity, use)} entered, where {_amount(usual, use)} is usual on "
                f"this kind of job. Is that {unit}? If not, correct it.",
            )
        elif known and _is_far(use, history):
            much = "more" if use.quantity > usual else "less"
            yield RaisedQuestion(
                Check.FAR_FROM_USUAL,
                use.code,
                f"{use.name}: {_amount(use.quantity, use)} entered, much {much} than the usual "
                f"{_amount(usual, use)} on the last {len(history)} jobs of this kind. "
                "Is the quantity right? If not, correct it.",
            )


def _is_far(use: UsedConsumable, history: Sequence[Decimal]) -> bool:
    """Measure from the median in median absolute deviations, which a few odd uses cannot move."""
    usual = median(history)
    spread = median([abs(quantity - usual) for quantity in history]) / MAD_SCALE
    # One piece more or less is never remarkable, whatever the history.
    least = max(usual * LEAST_SPREAD_SHARE, Decimal(1) if use.kind == COUNTED else Decimal(0))
    spread = max(spread, least)
    return spread > 0 and abs(use.quantity - usual) > FARTHEST_SCORE * spread


def _finishing(close: CloseUnderReview, standard: Iterable[StandardAmount]) -> Iterator[RaisedQuestion]:
    if close.outcome not in FINISHED_OUTCOMES:
        return
    touched = {use.code for use in close.used if use.quantity > 0 or use.minutes > 0}
    for expected in standard:
        if expected.finishing and expected.code not in touched:
            yield RaisedQuestion(
                Check.FINISHING_MISSING,
                expected.code,
                f"{expected.name}: none entered, and jobs of this kind that end as {close.outcome} usually "
                "finish with it. Was it used? If so, add it.",
            )


def _labour(close: CloseUnderReview) -> Iterator[RaisedQuestion]:
    on_grades = sum((use.minutes for use in close.used if use.grade), Decimal(0))
    if on_grades > close.labour_minutes:
        yield RaisedQuestion(
            Check.LABOUR_BELOW_MINUTES,
            "",
            f"The minutes on grades add up to {exact(on_grades)}, but {exact(close.labour_minutes)} "
            "minutes of labour are entered. Should the labour be longer, or the minutes on a grade shorter?",
        )
    # A pad or a bottle runs alongside the grades, so each is held against the labour by itself.
    for use in close.used:
        if not use.grade and use.minutes > close.labour_minutes:
            yield RaisedQuestion(
                Check.LABOUR_BELOW_MINUTES,
                use.code,
                f"{use.name}: {exact(use.minutes)} minutes entered, but {exact(close.labour_minutes)} "
                "minutes of labour. Should the labour be longer, or these minutes shorter?",
            )


def _amount(quantity: Decimal, use: UsedConsumable) -> str:
    return exact(quantity) if use.kind == COUNTED else f"{exact(quantity)} {use.unit}"
