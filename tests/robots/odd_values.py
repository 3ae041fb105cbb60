"""Values that nobody types on purpose, and that every field must answer without failing."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

# East of Greenwich the first day of year 1 begins before there are years, west of it the last one of 9999
# ends after them; so each is tried where it hurts.
EAST, WEST = "Pacific/Kiritimati", "Pacific/Pago_Pago"


@dataclass(frozen=True, slots=True)
class Odd:
    """A value as text, in words, and the zone on whose clocks it is tried; None: the shop's own."""

    name: str
    text: str
    zone: str | None = None


ODD_TEXTS: tuple[Odd, ...] = (
    Odd("empty", ""),
    Odd("spaces", "   "),
    Odd("text", "no such thing"),
    Odd("zero", "0"),
    Odd("negative", "-1"),
    Odd("beyond 64 bits", "99999999999999999999"),
    Odd("largest of 64 bits", "9223372036854775807"),
    Odd("huge", "9" * 5000),
    Odd("huge by exponent", "1e999999"),
    Odd("tiny by exponent", "1e-999999"),
    Odd("long fraction", f"0.{'0' * 25}1"),
    Odd("NaN", "NaN"),
    Odd("signalling NaN", "sNaN"),
    Odd("infinity", "-Infinity"),
    Odd("full-width digits", "\uff11\uff12"),
    Odd("raised digit", "\u00b2"),
    Odd("30 February", "2026-02-30"),
    Odd("year 1", "0001-01-01", EAST),
    Odd("year 9999", "9999-12-31", WEST),
    Odd("minute of year 1", "0001-01-01T00:00", EAST),
    Odd("last minute of 9999", "9999-12-31T23:59", WEST),
    Odd("place in a list, year 1", "0001-01-01T00:00:00+14:00~0~1"),
    Odd("place in a list, odd offset", "2026-01-13T08:00:00+16:00~0~1"),
    Odd("markup", "<script>alert('x')</script>\"'{{ 7*7 }}"),
    Odd("formula", "=1+1"),
    Odd("null character", "a\0b"),
    Odd("half a character", "\ud800"),
    Odd("line breaks", "a\r\nb\nBcc: x@example.org"),
    Odd("long", "x" * 5000),
)

# What JSON can say besides; texts come as they are above.
ODD_JSON: tuple[tuple[str, Any], ...] = (
    ("null", None),
    ("true", True),
    ("zero as a number", 0),
    ("a negative number", -1),
    ("a huge number", 10**400),
    ("beyond 64 bits as a number", 2**64),
    ("a fraction", 0.1),
    ("an empty list", []),
    ("a list of odd things", [None, "", {}, [], -1]),
    ("an empty object", {}),
    ("an object", {"code": "x"}),
    ("a moment of year 1, far east", "0001-01-01T00:00:00+14:00"),
    ("a moment of 9999, far west", "9999-12-31T23:59:59.999999-12:00"),
    ("an offset of 16 hours", "2026-01-13T08:00:00+16:00"),
    ("an offset of almost a day", "2026-01-13T08:00:00-23:59"),
    ("an offset with seconds", "2026-01-13T08:00:00+01:00:30"),
    ("a week date", "2026-W02-2T08:00:00Z"),
)

# What each kind of field is sent alone, beside sensible values in all others: what it may well let through.
ALONE: dict[str, tuple[str, ...]] = {
    "date": ("empty", "year 1", "year 9999"),
    "datetime-local": ("empty", "minute of year 1", "last minute of 9999", "year 9999"),
    "number": ("empty", "zero", "negative", "huge by exponent", "tiny by exponent", "beyond 64 bits"),
    "hidden": ("empty", "text"),
    "select": ("text",),
    "checkbox": ("text",),
    "radio": ("text",),
    "text": ("empty", "markup", "long fraction"),
    "query": ("year 1", "year 9999"),
}


def odd(name: str) -> Odd:
    """Return an odd value by its name."""
    return next(each for each in ODD_TEXTS if each.name == name)


def json_values() -> Iterator[tuple[str, Any]]:
    """Yield each odd value of a body, with its name."""
    yield from ((odd.name, odd.text) for odd in ODD_TEXTS)
    yield from ODD_JSON
