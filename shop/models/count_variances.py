"""Explanations of count variances."""

from django.db import models

from inventory.models import CountLine


class DifferenceCause(models.TextChoices):
    """Why a count differs from the book."""

    NOT_LOGGED = "used without being logged"
    DAMAGED = "damaged or thrown away"
    LOST = "lost or taken"
    WRONG_PLACE = "moved without being logged"
    COUNTED_WRONG = "counted wrongly"
    ENTERED_WRONG = "a document was wrong"
    UNKNOWN = "not known"


class CountExplanation(models.Model):
    """A person's explanation of the variance of one count line."""

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
