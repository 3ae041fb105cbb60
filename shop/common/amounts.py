"""Amounts as people read them."""

from decimal import Decimal

from django.db import models

MINUS = "\N{MINUS SIGN}"
# Exact since the international yard and pound agreement of 1959.
MM_PER_INCH = Decimal("25.4")


class LengthUnit(models.TextChoices):
    """How lengths are shown; they are kept in millimetres."""

    MILLIMETRES = "mm", "millimetres"
    INCHES = "in", "inches"


def quantity(amount: Decimal) -> str:
    """Return a quantity without the zeros behind its last digit: 12.5, 1,000."""
    return f"{amount.normalize():,f}".replace("-", MINUS)


def money(amount: Decimal, digits: int) -> str:
    """Return an amount with the currency's number of decimal places."""
    return f"{amount:,.{digits}f}".replace("-", MINUS)


def percent(ratio: float | None) -> str:
    """Return a ratio in whole percent, a dash when there is none."""
    return "\N{EN DASH}" if ratio is None else _signed(f"{ratio:.0%}")


def shown_length(length_mm: Decimal | None, unit: str) -> str:
    """Return a length as the shop shows it: whole millimetres as they are, inches to a hundredth."""
    if length_mm is None:
        return "\N{EN DASH}"
    if unit == LengthUnit.INCHES:
        return f"{length_mm / MM_PER_INCH:,.2f} in"
    return f"{quantity(length_mm)} mm"


def share(part: Decimal | None) -> str:
    """Return an exact share in percent with one place, a dash when there is none."""
    return "\N{EN DASH}" if part is None else _signed(f"{part:.1%}")


def _signed(text: str) -> str:
    """Return a number with the sign for minus, and none before a zero."""
    return text.replace("-", MINUS) if any(digit in text for digit in "123456789") else text.lstrip("-")


def exact_money(amount: Decimal) -> str:
    """Return an amount with all four places that the books have."""
    return money(amount, 4)
