"""Stock documents as plain values: what a phone, a file or a scheduled run hands to the ledger.

Places, consumables and suppliers are named by code. Quantities are in the consumable's stock unit, money in
the shop's currency net of tax; both are Decimals with at most 4 places. `id` is chosen by the sender.
"""

import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from enum import StrEnum
from typing import Any, ClassVar, Protocol
from unicodedata import normalize

from inventory.decimals import PLACES
from inventory.documents.canonical_json import json_values

LARGEST_QUANTITY = Decimal(10_000_000)
LARGEST_USE = Decimal(100_000)
LARGEST_MONEY = Decimal(1_000_000_000)
LARGEST_UNIT_COST = Decimal(1_000_000)
LONGEST_ID = 100
LONGEST_CODE = 64
LONGEST_TEXT = 1000
YEARS = range(2000, 2101)
EARLIEST, AFTER_LATEST = (datetime(year, 1, 1, tzinfo=UTC) for year in (YEARS.start, YEARS.stop))
FORMULA_STARTS = ("=", "+", "-", "\N{MINUS SIGN}", "@", "\t", "\r", "\n", "\0")


class DocumentKind(StrEnum):
    """What a document is. Ids are unique within a kind."""

    RECEIPT = "receipt"
    TRANSFER = "transfer"
    CLOSE = "close"
    USE = "use"
    RETURN = "return"
    COUNT = "count"
    SCRAP = "scrap"
    CORRECTION = "correction"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a document: its line (from 1; None: the whole), field, value and remedy."""

    field: str
    value: object
    expected: str
    line: int | None = None

    def __str__(self) -> str:
        where = f"line {self.line}: " if self.line is not None else ""
        return f"{where}{self.field} {self.value!s:.80} {self.expected}"


@dataclass(frozen=True, slots=True)
class StockLine:
    """A quantity of one consumable."""

    consumable: str
    quantity: Decimal


@dataclass(frozen=True, slots=True)
class ReceiptLine:
    """A delivered quantity, what the supplier charged for the whole line, and its lot when it has one."""

    consumable: str
    quantity: Decimal
    cost: Decimal
    lot: str = ""
    expires_on: str = ""


@dataclass(frozen=True, slots=True)
class CountedLine:
    """What was found of one consumable at one place."""

    place: str
    consumable: str
    quantity: Decimal


@dataclass(frozen=True, slots=True)
class Receipt:
    """A delivery from a supplier; freight, duty and discount are shared over the lines."""

    kind: ClassVar[DocumentKind] = DocumentKind.RECEIPT
    id: str
    occurred_at: datetime
    supplier: str
    place: str
    lines: tuple[ReceiptLine, ...]
    freight: Decimal = Decimal(0)
    duty: Decimal = Decimal(0)
    discount: Decimal = Decimal(0)
    share_by: str = "value"
    note: str = ""


@dataclass(frozen=True, slots=True)
class Transfer:
    """Stock carried from one real place to another."""

    kind: ClassVar[DocumentKind] = DocumentKind.TRANSFER
    id: str
    occurred_at: datetime
    source: str
    destination: str
    lines: tuple[StockLine, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Close:
    """What closing a job took from a place. `content` is all the close says, so that a retry is known."""

    kind: ClassVar[DocumentKind] = DocumentKind.CLOSE
    id: str
    occurred_at: datetime
    place: str
    lines: tuple[StockLine, ...]
    content: str = ""


@dataclass(frozen=True, slots=True)
class Use:
    """Further consumables of a job that was closed without them."""

    kind: ClassVar[DocumentKind] = DocumentKind.USE
    id: str
    occurred_at: datetime
    place: str
    lines: tuple[StockLine, ...]
    content: str = ""


@dataclass(frozen=True, slots=True)
class Return:
    """Unused consumables of a close or use coming back into stock, at the value they went out with."""

    kind: ClassVar[DocumentKind] = DocumentKind.RETURN
    id: str
    occurred_at: datetime
    place: str
    returns_kind: str
    returns_id: str
    lines: tuple[StockLine, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Count:
    """A blind count: what was found, whatever the book says."""

    kind: ClassVar[DocumentKind] = DocumentKind.COUNT
    id: str
    occurred_at: datetime
    lines: tuple[CountedLine, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Scrap:
    """Scrapped stock, with the reason."""

    kind: ClassVar[DocumentKind] = DocumentKind.SCRAP
    id: str
    occurred_at: datetime
    place: str
    reason: str
    lines: tuple[StockLine, ...]


@dataclass(frozen=True, slots=True)
class Correction:
    """Undoes one earlier document as a whole; the right one is then posted under an id of its own."""

    kind: ClassVar[DocumentKind] = DocumentKind.CORRECTION
    id: str
    occurred_at: datetime
    corrects_kind: str
    corrects_id: str
    reason: str


Document = Receipt | Transfer | Close | Use | Return | Count | Scrap | Correction


class Sent(Protocol):
    """Anything sent under an id of its own: a document, or what a document is made from."""

    @property
    def kind(self) -> DocumentKind: ...

    @property
    def id(self) -> str: ...


def content(document: Sent) -> dict[str, Any]:
    """Return the document as JSON values in one canonical form: equal documents give equal content."""
    return {"kind": document.kind, **json_values(document)}


def digest(content_: dict[str, Any]) -> str:
    """Return the SHA-256 of a document's content, in hexadecimal."""
    return hashlib.sha256(json.dumps(content_, sort_keys=True).encode()).hexdigest()


def natural_order(identifier: str) -> str:
    """Return a key that sorts R-9 before R-10: every run of digits is padded to 20 places.

    The identifier itself follows, so that R-9 and R-09 have an order too and no two keys are equal.
    """
    padded = re.sub(r"\d+", lambda digits: digits[0].zfill(20), identifier)
    return f"{padded}\n{identifier}"


def starts_a_formula(text: str) -> bool:
    """Return whether a spreadsheet that opens an export might run a cell of this text as a formula.

    Judged in compatibility form (NFKC, Unicode Standard Annex 15), as a full-width sign may be read as a
    plain one. OWASP ASVS 5.0, requirement 1.2.10, names the characters.
    """
    return normalize("NFKC", text[:1]).startswith(FORMULA_STARTS)


def name_problem(text: str, longest: int) -> str | None:
    """Return what is wrong with a code or name that is new, or None.

    A stored name may be older than this rule, so it is checked with text_problem alone.
    """
    if found := text_problem(text, longest):
        return found
    if starts_a_formula(text):
        return f"starts with {text[0]!r}, which a spreadsheet would run as a formula; use a letter"
    return None


def text_problem(text: str, longest: int) -> str | None:
    """Return what is wrong with an id, code or name, or None; see name_problem for a new one."""
    if not text.strip():
        return "is empty; give it a value"
    if text != text.strip():
        return "starts or ends with a space; remove it"
    if len(text) > longest:
        return f"is longer than {longest} characters"
    if text[0] in "=+-@":
        return f"starts with {text[0]!r}, which a spreadsheet would run as a formula; use a letter"
    if not text.isprintable():
        return "has a control character; use printable characters only"
    return None


def free_text_problem(text: str) -> str | None:
    """Return what is wrong with a note or a reason, or None; it may have several lines."""
    if len(text) > LONGEST_TEXT:
        return f"is longer than {LONGEST_TEXT} characters"
    if not all(character.isprintable() or character.isspace() for character in text):
        return "has a control character; use printable characters only"
    return None


def quantity_problem(
    quantity: Decimal, largest: Decimal = LARGEST_QUANTITY, *, zero: bool = False
) -> str | None:
    """Return what is wrong with a quantity, or None."""
    if not quantity.is_finite():
        return "is not a number"
    if quantity < 0:
        return "is negative; use a correction to undo a document"
    if quantity == 0 and not zero:
        return "is zero; leave the line out"
    if quantity > largest:
        return f"is above {largest:,}, the most one line may hold; check the unit (a box entered as each?)"
    return _places_problem(quantity)


def money_problem(amount: Decimal) -> str | None:
    """Return what is wrong with an amount of money that may not be negative, or None."""
    if not amount.is_finite():
        return "is not a number"
    if amount < 0:
        return "is negative; give the amount as zero or more"
    if amount > LARGEST_MONEY:
        return f"is above {LARGEST_MONEY:,}, the most one amount may be"
    return _places_problem(amount)


def _places_problem(number: Decimal) -> str | None:
    if number != round(number, PLACES):
        return f"has more than {PLACES} decimal places"
    return None


def time_problem(moment: datetime) -> str | None:
    """Return what is wrong with a moment, or None."""
    if moment.tzinfo is None:
        return "has no time zone"
    # Whatever offset it is written with: the same moment is right or wrong.
    if not EARLIEST <= moment < AFTER_LATEST:
        return f"is outside the years {YEARS.start} to {YEARS.stop - 1}"
    return None


def problems(document: Document) -> Iterator[Problem]:
    """Yield all that is wrong with a document on its own, before any code in it is looked up."""
    if found := text_problem(document.id, LONGEST_ID):
        yield Problem("id", document.id, found)
    if found := time_problem(document.occurred_at):
        yield Problem("occurred_at", document.occurred_at, found)
    yield from _text_problems(document)
    if isinstance(document, Transfer) and document.source == document.destination:
        yield Problem("destination", document.destination, "is the source too; a transfer goes elsewhere")
    if isinstance(document, Receipt):
        yield from _receipt_problems(document)
    if isinstance(document, Count):
        yield from _count_problems(document)
    if not isinstance(document, Correction):
        yield from _line_problems(document)


def _text_problems(document: Document) -> Iterator[Problem]:
    for name in ("supplier", "place", "source", "destination", "returns_kind", "corrects_kind"):
        if (code := getattr(document, name, None)) is not None and (
            found := text_problem(code, LONGEST_CODE)
        ):
            yield Problem(name, code, found)
    for name in ("returns_id", "corrects_id"):
        if (code := getattr(document, name, None)) is not None and (found := text_problem(code, LONGEST_ID)):
            yield Problem(name, code, found)
    if isinstance(document, Correction | Scrap) and not document.reason.strip():
        yield Problem("reason", document.reason, "is empty; say why")
    for name in ("reason", "note"):
        if (text := getattr(document, name, None)) and (found := free_text_problem(text)):
            yield Problem(name, text, found)


def _line_problems(document: Receipt | Transfer | Close | Use | Return | Count | Scrap) -> Iterator[Problem]:
    if not document.lines and not isinstance(document, Close | Use):
        yield Problem("lines", "()", "is empty; give at least one line")
    largest = LARGEST_USE if isinstance(document, Close | Use) else LARGEST_QUANTITY
    lines: Sequence[StockLine | ReceiptLine | CountedLine] = document.lines
    for number, line in enumerate(lines, 1):
        if found := text_problem(line.consumable, LONGEST_CODE):
            yield Problem("consumable", line.consumable, found, number)
        if found := quantity_problem(line.quantity, largest, zero=isinstance(document, Count)):
            yield Problem("quantity", line.quantity, found, number)


def _receipt_problems(document: Receipt) -> Iterator[Problem]:
    amounts: list[tuple[str, Decimal, int | None]] = [
        (name, getattr(document, name), None) for name in ("freight", "duty", "discount")
    ]
    amounts += [("cost", line.cost, number) for number, line in enumerate(document.lines, 1)]
    wrong = [
        Problem(name, amount, found, number)
        for name, amount, number in amounts
        if (found := money_problem(amount))
    ]
    yield from wrong
    if document.share_by not in ("value", "quantity"):
        yield Problem("share_by", document.share_by, "is not value or quantity")
    for number, line in enumerate(document.lines, 1):
        if line.lot and (found := text_problem(line.lot, LONGEST_CODE)):
            yield Problem("lot", line.lot, found, number)
    if wrong:
        return
    total = sum((line.cost for line in document.lines), document.freight + document.duty)
    for number, line in enumerate(document.lines, 1):
        # The whole freight may fall on one line; what a unit costs must still be a price somebody pays.
        if (
            line.quantity > 0
            and line.cost + document.freight + document.duty > LARGEST_UNIT_COST * line.quantity
        ):
            expected = f"is over {LARGEST_UNIT_COST:,} a unit for a quantity of {line.quantity:f}; check both"
            yield Problem("cost", line.cost, expected, number)
    if document.discount > total:
        yield Problem("discount", document.discount, f"is more than the receipt's total of {total}")


def _count_problems(document: Count) -> Iterator[Problem]:
    seen: dict[tuple[str, str], int] = {}
    for number, line in enumerate(document.lines, 1):
        if found := text_problem(line.place, LONGEST_CODE):
            yield Problem("place", line.place, found, number)
        first = seen.setdefault((line.place, line.consumable), number)
        if first != number:
            yield Problem(
                "consumable", line.consumable, f"at {line.place} is counted on line {first} already", number
            )
