"""Photos of jobs."""

from django.db import models


class Moment(models.TextChoices):
    """When in a job a photo was taken."""

    BEFORE = "before"
    AFTER = "after"


class Photo(models.Model):
    """A photo of a job; its file is in the default storage under a random name."""

    id = models.UUIDField(primary_key=True, editable=False)
    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="photos")
    moment = models.CharField(max_length=8, choices=Moment.choices)
    file_name = models.CharField(max_length=100, unique=True)
    upload_digest = models.CharField(max_length=64, help_text="SHA-256 of what was sent: tells a retry")
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    size_bytes = models.PositiveIntegerField()
    taken_by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()

    class Meta:
        app_label = "shop"
        ordering = ["-moment", "recorded_at", "pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(moment__in=Moment.values), name="photo_before_or_after")
        ]

    def __str__(self) -> str:
        return f"{self.job}: {self.moment} {self.recorded_at:%Y-%m-%d %H:%M}"
