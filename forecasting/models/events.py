"""What is kept of each thing that people and runs do to a draft or an order."""

from django.db import models


class Event(models.Model):
    """Who did what, and when. Append-only; the table of each kind names the object."""

    what = models.CharField(max_length=32)
    details = models.JSONField(default=dict)
    at = models.DateTimeField()
    by = models.CharField(max_length=150, blank=True)

    class Meta:
        abstract = True
        ordering = ["pk"]
