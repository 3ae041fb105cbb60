"""What is kept of each thing that people and runs do to a draft or an order."""

from django.db import models

# Events that are stored under a name other than the one that pages show.
LABELS = {
    "drafted anew": "drafted again",
    "opened again": "reopened",
    "rest is not coming": "rest not expected any more",
    "rest is coming after all": "rest expected again",
    "receipt taken off": "receipt removed",
}


class Event(models.Model):
    """Who did what, and when. Append-only; the table of each kind names the object."""

    what = models.CharField(max_length=32)
    details = models.JSONField(default=dict)
    at = models.DateTimeField()
    by = models.CharField(max_length=150, blank=True)

    class Meta:
        abstract = True
        ordering = ["pk"]

    @property
    def label(self) -> str:
        """What happened, as pages show it."""
        return LABELS.get(self.what, self.what)
