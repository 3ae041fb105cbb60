"""What counts found otherwise than the book, and what people said about it."""

from django.db import models
from django.db.models import Case, F, QuerySet, Sum, When

from inventory.db.fixed_point import FixedPointField
from inventory.models import CountLine, PlaceKind


class DifferenceCause(models.TextChoices):
    """Why a count found something else than the book."""

    NOT_LOGGED = "used without being logged"
    DAMAGED = "damaged or thrown away"
    LOST = "lost or taken"
    WRONG_PLACE = "moved without being logged"
    COUNTED_WRONG = "counted wrongly"
    ENTERED_WRONG = "a document was wrong"
    UNKNOWN = "not known"


class CountExplanation(models.Model):
    """What a person found out about the difference of one line of a count."""

    count_line = models.OneToOneField(
        CountLine, primary_key=True, on_delete=models.PROTECT, related_name="explanation"
    )
    cause = models.CharField(max_length=40, choices=DifferenceCause.choices)
    note = models.TextField(blank=True)
    explained_at = models.DateTimeField()
    explained_by = models.CharField(max_length=150, blank=True)

    class Meta:
        app_label = "shop"

    def __str__(self) -> str:
        return f"{self.count_line}: {self.cause}"


def differing() -> QuerySet[CountLine]:
    """Return the lines of standing counts that found something else than the book.

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
