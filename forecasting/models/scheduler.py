"""Which periods' work is done: the row that makes each piece of work happen once ."""

from django.db import models
from django.db.models import Q


class PeriodWork(models.Model):
    """One piece of work of one period, claimed by the worker that does it.

    A claim whose `alive_at` is old was left by a worker that died: it may be taken over, under a new token.
    Work that ends writes its result only while its own token still holds the claim.
    """

    kind = models.CharField(max_length=32)
    period = models.CharField(max_length=100)
    token = models.CharField(max_length=36, blank=True)
    claimed_at = models.DateTimeField(null=True)
    alive_at = models.DateTimeField(null=True)
    attempts = models.PositiveIntegerField(default=0)
    not_before = models.DateTimeField(null=True, help_text="after a failure, when to try again")
    done_at = models.DateTimeField(null=True)
    result = models.JSONField(default=dict)
    error = models.TextField(blank=True)

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.UniqueConstraint(fields=["kind", "period"], name="period_work_once"),
            models.CheckConstraint(
                condition=Q(done_at__isnull=True) | Q(claimed_at__isnull=False), name="done_work_was_claimed"
            ),
        ]
        indexes = [
            models.Index(fields=["kind", "period"], condition=Q(done_at__isnull=True), name="work_not_done")
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.period}"
