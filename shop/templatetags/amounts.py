"""Amounts as people read them."""

from decimal import Decimal

from django import template

register = template.Library()
MINUS = "\N{MINUS SIGN}"


@register.filter
def quantity(amount: Decimal) -> str:
    """Return a quantity without the zeros behind its last digit: 12.5, 1,000."""
    return f"{amount.normalize():,f}".replace("-", MINUS)


@register.filter
def money(amount: Decimal, digits: int) -> str:
    """Return an amount with the currency's number of decimal places."""
    return f"{amount:,.{digits}f}".replace("-", MINUS)


@register.filter
def percent(ratio: float | None) -> str:
    """Return a ratio in whole percent, a dash when there is none."""
    return "\N{EN DASH}" if ratio is None else f"{ratio:.0%}".replace("-", MINUS)
