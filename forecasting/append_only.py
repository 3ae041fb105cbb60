"""Triggers that keep forecasts as they were made, so that they can be compared with actual use."""

from inventory.db.append_only import Guards

# Finishing a run is the one change to it; only its summary comes with that.
_KEPT = ("id", "known_at", "first_week", "weeks", "levels", "noted", "made_at", "made_by")
_FINISHING = " AND ".join(
    (
        "OLD.finished_at IS NULL AND NEW.finished_at IS NOT NULL",
        *(f"NEW.{name} = OLD.{name}" for name in _KEPT),
    )
)

FORECASTS = Guards(
    "forecasting",
    {
        "forecasting_forecastrun": (("id",),),
        "forecasting_burnforecast": (("id",), ("run_id", "place_id", "consumable_id", "weeks_ahead")),
    },
    "forecasts stay as they were made: make another one instead",
    {"forecasting_forecastrun": _FINISHING},
)
