"""A job's close as plain values, as a phone or a file sends it when the work is done. Pure."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from functools import partial
from typing import Any, ClassVar

from inventory.decimals import ZERO
from inventory.documents import (
    LARGEST_USE,
    LONGEST_CODE,
    LONGEST_ID,
    DocumentKind,
    Problem,
    free_text_problem,
    money_problem,
    quantity_problem,
    text_problem,
    time_problem,
)
from inventory.documents.canonical_json import json_values
from shop.common.job_content import job_content_text

LONGEST_REASON = 200
# A week of minutes: no single job takes longer.
LONGEST_MINUTES = Decimal(10_080)
minutes_problem = partial(quantity_problem, largest=LONGEST_MINUTES, zero=True)
# Two closes of one job that say the same are one when their moments are less apart: phones tap at different
# milliseconds, and their clocks differ. On another day it is another statement. Our choice, no source.
ONE_MOMENT = timedelta(hours=12)
LONGEST_LENGTH_MM = Decimal(100_000)
OUTCOMES = ("removed", "reduced", "not removable", "abandoned")
# What a close may leave as it was booked, and the value that clears it.
CLEARED: dict[str, Any] = {
    "length_mm": None,
    "callback_of": "",
    "in_primary_view": False,
    "existing_damage": "",
    "note": "",
}


@dataclass(frozen=True, slots=True)
class UsedLine:
    """What a job took of one consumable, in stock units; the minutes worked with it; how many were spoilt.

    The quantity may be zero when there are minutes: a pad that goes on, or discs that nobody logged.
    """

    consumable: str
    quantity: Decimal
    minutes: Decimal = ZERO
    spoilt: Decimal = ZERO
    spoilt_reason: str = ""


@dataclass(frozen=True, slots=True)
class JobClose:
    """How a job ended and what it took. The sender chooses `id`; everything else is named by code.

    An empty field of CLEARED stays as it was booked, unless its name is in `cleared`: then the close says
    that there is none.
    """

    kind: ClassVar[DocumentKind] = DocumentKind.CLOSE
    id: str
    job: str
    van: str
    technician: str
    closed_at: datetime
    job_type: str
    damage_type: str
    glass: str
    price: Decimal
    labour_minutes: Decimal
    travel_minutes: Decimal
    outcome: str
    length_mm: Decimal | None = None
    callback_of: str = ""
    uses: tuple[UsedLine, ...] = ()
    in_primary_view: bool = False
    existing_damage: str = ""
    note: str = ""
    cleared: tuple[str, ...] = ()

    def says(self, name: str) -> bool:
        """Return whether the close says anything of a fact that it may leave as it was booked."""
        return name in self.cleared or getattr(self, name) != CLEARED[name]


@dataclass(frozen=True, slots=True)
class JobUses:
    """Further consumables of a job that is closed already."""

    kind: ClassVar[DocumentKind] = DocumentKind.USE
    id: str
    job: str
    lines: tuple[UsedLine, ...]


def close_values(close: JobClose) -> dict[str, Any]:
    """Return all that a close says but its id, in JSON values."""
    said = _all_but_id(close)
    # Left out where it is empty, so that a close that clears nothing reads like older closes.
    del said["cleared"]
    if close.cleared:
        said["cleared"] = sorted(close.cleared)
    return said


def close_content(close: JobClose) -> str:
    """Return all that a close says but its id, in one canonical form."""
    return job_content_text(close_values(close))


def is_said_in(content: str, close: JobClose) -> bool:
    """Return whether kept content is that of this close.

    It also is when it clears nothing and the close is the same in all else: a phone that lost the answer from
    a server to which an empty fact said nothing sends the same again.
    """
    return content in (close_content(close), close_content(replace(close, cleared=())))


def closed_at_of(content: str) -> datetime:
    """Return the moment that kept content of a close says."""
    return datetime.fromisoformat(json.loads(content)["closed_at"])


def is_said_elsewhere(content: str, close: JobClose) -> bool:
    """Return whether a close says what another phone's kept content says, at about the same moment."""
    moment = closed_at_of(content)
    return abs(moment - close.closed_at) < ONE_MOMENT and is_said_in(
        content, replace(close, closed_at=moment)
    )


def uses_content(uses: JobUses) -> str:
    """Return all that further uses say but their id, in one canonical form."""
    return job_content_text(_all_but_id(uses))


def _all_but_id(sent: JobClose | JobUses) -> dict[str, Any]:
    said: dict[str, Any] = json_values(sent)
    del said["id"]
    return said


def close_problems(close: JobClose) -> Iterator[Problem]:
    """Yield all that is wrong with a close on its own, before any code in it is looked up."""
    yield from _text_problems(close)
    if found := time_problem(close.closed_at):
        yield Problem("closed_at", close.closed_at, found)
    if found := money_problem(close.price):
        yield Problem("price", close.price, found)
    for name in ("labour_minutes", "travel_minutes"):
        if found := minutes_problem(getattr(close, name)):
            yield Problem(name, getattr(close, name), found)
    if close.length_mm is not None and (
        found := quantity_problem(close.length_mm, LONGEST_LENGTH_MM, zero=True)
    ):
        yield Problem("length_mm", close.length_mm, found)
    if close.outcome not in OUTCOMES:
        yield Problem("outcome", close.outcome, f"is not one of {', '.join(OUTCOMES)}")
    if close.callback_of == close.job:
        yield Problem("callback_of", close.callback_of, "is the job itself; name the job it repeats")
    yield from _cleared_problems(close)
    yield from _line_problems(close.uses)


def _cleared_problems(close: JobClose) -> Iterator[Problem]:
    for name in close.cleared:
        if name not in CLEARED:
            yield Problem("cleared", name, f"cannot be cleared; a close can clear {', '.join(CLEARED)}")
        elif getattr(close, name) != CLEARED[name]:
            yield Problem("cleared", name, "has a value too: give one of the two")


def _text_problems(close: JobClose) -> Iterator[Problem]:
    for name, longest in (("id", LONGEST_ID), ("job", LONGEST_CODE)):
        if found := text_problem(getattr(close, name), longest):
            yield Problem(name, getattr(close, name), found)
    for name in ("existing_damage", "note"):
        if found := free_text_problem(getattr(close, name)):
            yield Problem(name, getattr(close, name), found)


def uses_problems(uses: JobUses) -> Iterator[Problem]:
    """Yield all that is wrong with further uses on their own."""
    if found := text_problem(uses.id, LONGEST_ID):
        yield Problem("id", uses.id, found)
    if not uses.lines:
        yield Problem("lines", "()", "is empty; give at least one line")
    yield from _line_problems(uses.lines)


def _line_problems(uses: tuple[UsedLine, ...]) -> Iterator[Problem]:
    for number, use in enumerate(uses, 1):
        if found := minutes_problem(use.minutes):
            yield Problem("minutes", use.minutes, found, number)
        elif found := quantity_problem(use.quantity, LARGEST_USE, zero=use.minutes > 0):
            yield Problem("quantity", use.quantity, found, number)
        elif found := quantity_problem(use.spoilt, LARGEST_USE, zero=True):
            yield Problem("spoilt", use.spoilt, found, number)
        if len(use.spoilt_reason) > LONGEST_REASON:
            expected = f"is longer than {LONGEST_REASON} characters"
            yield Problem("spoilt_reason", use.spoilt_reason, expected, number)
        elif found := free_text_problem(use.spoilt_reason):
            yield Problem("spoilt_reason", use.spoilt_reason, found, number)
