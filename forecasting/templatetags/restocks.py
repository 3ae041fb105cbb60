"""The history of a restock, and its estimates, as people read them."""

from decimal import ROUND_HALF_EVEN, Decimal

from django import template

from forecasting.models import RestockEvent
from shop.common.amounts import quantity

register = template.Library()

WORDS = {
    "changed": "changed from the suggestion",
    "was": "were changed by hand",
    "approved": "was approved",
    "picked": "taken from the depot",
    "received": "arrived",
    "missing": "open",
    "at_depot": "at the depot",
    "on_van": "on the van",
    "lost": "lost",
}


@register.filter
def short_quantity(amount: Decimal) -> str:
    """Return an estimate with at most one decimal: more would claim a false precision."""
    return quantity(amount.quantize(Decimal("0.1"), rounding=ROUND_HALF_EVEN))


@register.filter
def event_details(event: RestockEvent) -> list[str]:
    """Return what an event says besides who and when, one text for each thing.

    Quantities come in the order of their codes: PostgreSQL returns the keys of JSON in an order of its own.
    """
    details: dict[str, object] = event.details
    if event.what == "settled":
        return [f"{code}: {_where(said)}" for code, said in sorted(details.items()) if isinstance(said, dict)]
    texts = []
    for name, said in details.items():
        if isinstance(said, dict):
            if said:
                quantities = ", ".join(f"{amount} {code}" for code, amount in sorted(said.items()))
                texts.append(f"{WORDS.get(name, name)}: {quantities}")
        elif name == "by_period":
            texts.append(f"the draft of {said} counts what this one asked for")
        else:
            texts.append(str(said))
    return texts


def _where(said: dict[str, str]) -> str:
    return ", ".join(f"{amount} {WORDS[name]}" for name, amount in said.items() if name in WORDS)
