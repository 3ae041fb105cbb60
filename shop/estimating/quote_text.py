"""The text of an estimate: what it rests on, and how the shop writes money and lengths."""

from inventory.models import Books
from shop.common.amounts import money, shown_length
from shop.estimating.quote import Quote, QuoteTerms
from shop.models import LengthUnit, Shop

ALIKE_WORDS = {
    "damage_type": "damage",
    "job_type": "job type",
    "glass": "glass",
    "catches_fingernail": "depth",
}


def terms_of(shop: Shop, unit: LengthUnit) -> QuoteTerms:
    """Return how the shop prices and writes, lengths in a unit. One query."""
    digits = Books.objects.get().minor_unit_digits
    return QuoteTerms(
        shop.target_margin_percent,
        digits,
        lambda amount: money(amount, digits),
        lambda length_mm: shown_length(length_mm, unit),
    )


def rests_on(found: Quote) -> list[str]:
    """Return in sentences what an estimate stands on and how it was brought to the length."""
    basis = found.basis
    if basis is None:
        return [
            "Too few similar jobs were closed so far. What follows is the standard of the job type, without "
            "an interval."
            if found.is_known
            else "Too few similar jobs were closed so far, and no standard is known: choose a job type that "
            "has one."
        ]
    jobs = f"{len(basis.jobs)} finished jobs"
    if basis.alike_in:
        alike = [ALIKE_WORDS[fact] for fact in basis.alike_in]
        listed = ", ".join(alike[:-1]) + f" and {alike[-1]}" if len(alike) > 1 else alike[0]
        said = [f"It rests on the latest {jobs} with the same {listed}."]
    else:
        said = [f"It rests on the latest {jobs} of all kinds."]
    if basis.exponent is not None:
        more = 2**basis.exponent - 1
        said.append(f"Longer damage took longer on them: twice the length, {more:.0%} more. Each was scaled.")
    lost = basis.lost
    said.append(
        f"Of all {lost.jobs:,} such jobs {lost.lost:,} failed ({lost.low:.0%} to {lost.high:.0%} of "
        "such jobs, with 95% confidence)."
    )
    return said
