"""Quantities as people write them: in the stock unit, or as packs. Pure."""

import re
from collections.abc import Sequence
from decimal import Decimal, InvalidOperation

WRITTEN = re.compile(r"\s*(?P<number>[+-]?[\d., ]*\d[\d., ]*)\s*(?P<pack>\D.*)?", re.DOTALL)


def read_quantity(text: str, packs: Sequence[tuple[str, Decimal]], stock_unit: str) -> Decimal:
    """Return stock units for a text such as `50`, `50 each` or `2 box`.

    `packs` holds the name of each pack and its stock units. A comma is refused rather than guessed at: it may
    part thousands or decimals. Raises ValueError that says what is wrong and what is known.
    """
    found = WRITTEN.fullmatch(text)
    if found is None:
        raise ValueError(f"{text.strip()!r} is not a quantity; write a number, such as 50 or 2 box")
    number = found["number"].strip()
    if "," in number or " " in number:
        raise ValueError(f"{number!r} is not clear; write it without commas or spaces, and . for decimals")
    try:
        count = Decimal(number)
    except InvalidOperation:
        raise ValueError(f"{number!r} is not a number; write it such as 50 or 12.5") from None
    unit = (found["pack"] or "").strip()
    if not unit or unit.casefold() == stock_unit.casefold():
        return count
    sizes = {size for name, size in packs if name.casefold() == unit.casefold()}
    if not sizes:
        known = ", ".join(dict.fromkeys([stock_unit, *(name for name, _ in packs)]))
        raise ValueError(f"{unit!r} is not a pack of it; known are {known}")
    if len(sizes) > 1:
        raise ValueError(f"{unit!r} has several sizes among its suppliers; write it in {stock_unit}")
    return count * sizes.pop()
