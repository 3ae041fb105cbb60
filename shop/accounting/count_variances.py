"""Count variances, and how people explain them."""

from django.db.models import Case, F, QuerySet, Sum, When

from inventory.db.fixed_point import FixedPointField
from inventory.models import CountLine, PlaceKind


def differing() -> QuerySet[CountLine]:
    """Return the lines of standing counts that differ from the book.

    Each has its `difference`, found less expected in stock units, and the `value` of it; documents that
    arrive late may still change both.
    """
    lost = Case(
        When(movements__destination__kind=PlaceKind.LOST, then=-F("movements__quantity")),
        default=F("movements__quantity"),
        output_field=FixedPointField(),
    )
    worth = Case(
        When(movements__destination__kind=PlaceKind.LOST, then=-F("movements__valued__value")),
        default=F("movements__valued__value"),
        output_field=FixedPointField(),
    )
    return (
        CountLine.objects.filter(document__corrected_by__isnull=True)
        .annotate(difference=Sum(lost), value=Sum(worth))
        .filter(difference__isnull=False)
        .exclude(difference=0)
        .select_related("document", "place", "consumable", "explanation")
    )
