"""Burn forecasts as they were made; never changed, so that they can be compared with actual use."""

from django.db import models
from django.db.models import Q

from inventory.db.fixed_point import FixedPointField
from inventory.models import Consumable, Place


class ForecastRun(models.Model):
    """One forecast of every van and consumable, made from the books as they were known at a moment.

    `noted` is what leaves no trace in the books, as it was when the run was made, so that the run can be made
    again: the places of vans and depot, the weeks ahead, and the jobs booked by place and week (null: not
    known). Once it is finished a run never changes; see forecasting.append_only.
    """

    known_at = models.DateTimeField(help_text="what was recorded up to here counts")
    first_week = models.DateField(help_text="the Monday of the oldest week of history")
    weeks = models.PositiveSmallIntegerField(help_text="whole weeks of history")
    levels = models.JSONField(help_text="probabilities of the stored quantiles")
    noted = models.JSONField(default=dict, help_text="vans, weeks ahead and bookings when it was made")
    summary = models.JSONField(default=dict, help_text="the accuracy of past forecasts, by weeks ahead")
    made_at = models.DateTimeField()
    made_by = models.CharField(max_length=150, blank=True)
    finished_at = models.DateTimeField(null=True, help_text="null while chunks of it are still being made")

    class Meta:
        ordering = ["-known_at", "-pk"]
        get_latest_by = ["known_at", "pk"]

    def __str__(self) -> str:
        return f"burn as known at {self.known_at:%Y-%m-%d %H:%M}"


class BurnForecast(models.Model):
    """What one place will burn of one consumable over some weeks ahead.

    A van's own burn, or at the depot the burn of all vans together. `quantiles` are decimal strings, one for
    each of the run's levels. `history` is the weekly use that was seen, oldest first, as decimal strings,
    null where a week did not count; it is kept once, with the first week ahead. `tested` is the number of
    past intervals forecast in the backtest, and `held` how many of them stayed at or under each level's
    quantile.
    """

    run = models.ForeignKey(ForecastRun, on_delete=models.PROTECT, related_name="forecasts")
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="+")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="+")
    weeks_ahead = models.PositiveSmallIntegerField()
    mean = FixedPointField()
    quantiles = models.JSONField()
    model = models.CharField(max_length=64)
    reason = models.CharField(max_length=200)
    demand_class = models.CharField(max_length=16)
    history = models.JSONField()
    jobs_known = FixedPointField(null=True, help_text="jobs booked for these weeks; null: none known")
    tested = models.PositiveSmallIntegerField(default=0)
    held = models.JSONField(default=list)
    accuracy = models.JSONField(default=dict, help_text="pinball loss, RMSSE and bias in the backtest")

    class Meta:
        ordering = ["place__code", "consumable__code", "weeks_ahead"]
        constraints = [
            models.UniqueConstraint(
                fields=["run", "place", "consumable", "weeks_ahead"], name="burn_forecast_once"
            ),
            models.CheckConstraint(condition=Q(weeks_ahead__gte=1), name="burn_forecast_ahead"),
            models.CheckConstraint(condition=Q(mean__gte=0), name="burn_forecast_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.consumable} at {self.place}, {self.weeks_ahead} weeks: {self.mean:f}"
