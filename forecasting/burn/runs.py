"""Making a burn forecast: all at once, or in chunks that several workers share.

A run reads only what was recorded up to its `known_at`, so that it can be made again later and comes out the
same. Its rows never change; readers use the latest run that is finished.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any

import numpy as np
from django.db import transaction
from django.utils import timezone

from forecasting.arrays import FloatArray
from forecasting.burn.censoring import GIVEN_UP_WEEKS
from forecasting.burn.inputs import (
    AHEAD_WEEKS_MAX,
    BurnPanel,
    consumables_of,
    known_weeks,
    note,
    totals,
    van_panel,
    working_vans,
)
from forecasting.burn.text import STATED, held_in_words, place_of_level
from forecasting.demand.frames import CONSUMABLE, arrays
from forecasting.demand.panel_forecast import PanelForecast, forecast_panel
from forecasting.models import BurnForecast, ForecastRun
from forecasting.stock_control.numeric_checks import rounded
from shop.common.chunks import chunks
from shop.common.text import exact

# Dense where service is chosen, from 0.5 to 0.999.
LEVELS = (
    *(0.025, 0.05, 0.1, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85),
    *(0.9, 0.92, 0.94, 0.95, 0.96, 0.97, 0.975, 0.98, 0.985, 0.99, 0.995, 0.999),
)
# Enough series for the panel to teach each of them, few enough for a worker to be done in seconds.
SERIES_PER_CHUNK = 5000
WEEKS_A_YEAR = 52
ROWS_AT_ONCE = 500

NOTHING = "No van has used anything in a whole week yet, so there is nothing to forecast."
NO_VANS = (
    f"No van did a job in the last {GIVEN_UP_WEEKS} weeks or has one booked, so there is nothing to forecast."
)

Chunk = list[int]  # ids of consumables
SAY_NOTHING: Callable[[int, int], object] = lambda _done, _of: None  # noqa: E731 - a default with a type


def latest_run() -> ForecastRun | None:
    """Return the latest run that is finished."""
    return ForecastRun.objects.filter(finished_at__isnull=False).first()


def forecast_burn(
    *,
    known_at: datetime | None = None,
    by: str = "",
    weeks: int | None = None,
    now: datetime | None = None,
    progress: Callable[[int, int], object] = SAY_NOTHING,
) -> ForecastRun:
    """Forecast every van and consumable from the books as they were known at a moment, now by default.

    `weeks` ahead are forecast for vans, or as many as their protection interval needs when that is more.
    `progress` receives the number of chunks done, and of chunks in all. Raises ValueError as `start_run`
    does.
    """
    run = start_run(known_at=known_at, by=by, weeks=weeks, now=now)
    parts = chunks_of(run)
    for done, chunk in enumerate(parts):
        progress(done, len(parts))
        forecast_chunk(run, chunk)
    progress(len(parts), len(parts))
    return finish_run(run)


def start_run(
    *,
    known_at: datetime | None = None,
    by: str = "",
    weeks: int | None = None,
    now: datetime | None = None,
) -> ForecastRun:
    """Begin a run. Its chunks may then be forecast in any order, by anyone, and again.

    Raises ValueError for a moment in the future or without a time zone, and for weeks ahead out of range.
    """
    now = now or timezone.now()
    known_at = known_at or now
    if timezone.is_naive(known_at):
        raise ValueError(f"{known_at} has no time zone; give the moment with one")
    if known_at > now:
        raise ValueError(f"{known_at:%Y-%m-%d %H:%M} is still to come; give a moment that has passed")
    if weeks is not None and not 1 <= weeks <= AHEAD_WEEKS_MAX:
        raise ValueError(f"{weeks} weeks ahead cannot be forecast; give 1 to {AHEAD_WEEKS_MAX}")
    history = known_weeks(known_at)
    return ForecastRun.objects.create(
        known_at=known_at,
        first_week=history.first,
        weeks=history.count,
        levels=list(LEVELS),
        noted=note(known_at, now, weeks),
        made_at=now,
        made_by=by,
    )


def chunks_of(run: ForecastRun) -> list[Chunk]:
    """Return what can be forecast by itself: some consumables at all vans. The same for everyone who asks."""
    vans = len(working_vans(run).places)
    if not vans:
        return []
    return [list(part) for part in chunks(consumables_of(run), max(SERIES_PER_CHUNK // vans, 1))]


def forecast_chunk(run: ForecastRun, chunk: Chunk) -> None:
    """Forecast and store some consumables at all vans and at the depot, unless that is done already."""
    done = BurnForecast.objects.filter(run=run, consumable__in=chunk)
    if done.exists():
        return
    panel = van_panel(run, chunk)
    rows = _forecasts(run, panel, run.noted["van_weeks"])
    depot = run.noted["depot"]
    if depot is not None:
        rows += _forecasts(run, totals(panel, depot), run.noted["depot_weeks"])
    with transaction.atomic():
        # Another worker may have made the same meanwhile; then its rows stand.
        ForecastRun.objects.select_for_update().get(pk=run.pk)
        if not done.exists():
            BurnForecast.objects.bulk_create(rows, batch_size=ROWS_AT_ONCE)


def finish_run(run: ForecastRun) -> ForecastRun:
    """Sum the backtest up and let readers have the run; one that is finished stays as it is.

    Raises ValueError while chunks are missing.
    """
    with transaction.atomic():
        run = ForecastRun.objects.select_for_update().get(pk=run.pk)
        if run.finished_at is not None:
            return run
        stored = BurnForecast.objects.filter(run=run).order_by()
        forecast = set(stored.values_list("consumable_id", flat=True).distinct())
        if missing := [part for part in chunks_of(run) if not forecast & set(part)]:
            raise ValueError(f"{run}: {len(missing)} chunks are still to be forecast; forecast them first")
        run.summary = _summary(run)
        run.finished_at = timezone.now()
        run.save(update_fields=["summary", "finished_at"])
    return run


def _forecasts(run: ForecastRun, panel: BurnPanel, weeks_ahead: int) -> list[BurnForecast]:
    """Return a row for each series and each number of weeks ahead, not yet saved."""
    rows: list[BurnForecast] = []
    labels: list[Any] = panel.use.columns.to_list()  # (place, consumable)
    if not labels:
        return rows
    consumables = panel.use.columns.get_level_values(CONSUMABLE).to_numpy()
    demand = arrays(panel.demand)
    observed, jobs = ~np.isnan(demand), arrays(panel.jobs)
    # Weeks in which nobody worked say nothing, and test no forecast.
    end = int(np.flatnonzero(observed.any(axis=0)).max(initial=0)) + 1
    least_mean = np.zeros(len(labels))
    least = np.zeros((len(labels), len(LEVELS)))
    for ahead in range(1, weeks_ahead + 1):
        booked = None if panel.booked is None else panel.booked.head(ahead).sum().to_numpy()
        found = forecast_panel(
            demand[:, :end],
            ahead,
            LEVELS,
            group=consumables,
            exposure=jobs[:, :end],
            exposure_at_least=booked,
            observed=observed[:, :end],
            season_length=WEEKS_A_YEAR,
        )
        # Each is estimated by itself, but more weeks never take less.
        least_mean = np.maximum(least_mean, found.mean)
        least = np.maximum(least, found.quantiles)
        rows += [
            BurnForecast(
                run=run,
                place_id=place,
                consumable_id=consumable,
                weeks_ahead=ahead,
                mean=rounded(float(least_mean[series])),
                quantiles=[_text(quantile) for quantile in least[series].tolist()],
                model=str(found.model[series]),
                reason=str(found.reason[series]),
                demand_class=str(found.backtest.classes[series]),
                history=_history(demand[series]) if ahead == 1 else [],
                jobs_known=None if booked is None else Decimal(int(booked[series])),
                tested=int(found.backtest.forecasts[series]),
                held=[int(times) for times in found.backtest.covered[series].tolist()],
                accuracy=_accuracy(found, series),
            )
            for series, (place, consumable) in enumerate(labels)
        ]
    return rows


def _text(amount: float) -> str:
    return exact(rounded(amount))


def _history(demand: FloatArray) -> list[str | None]:
    return [None if math.isnan(amount) else _text(amount) for amount in demand.tolist()]


def _accuracy(found: PanelForecast, series: int) -> dict[str, float | None]:
    """Return the errors of one series in the backtest; nothing where it was not tried.

    The bias is the share of what came by which the means were too high, None where nothing came.
    """
    backtest = found.backtest
    tested, demand = float(backtest.forecasts[series]), float(backtest.demand_sum[series])
    if not tested:
        return {}
    return {
        "pinball": round(float(backtest.pinball_sum[series]) / tested, 4),
        "rmsse": round(math.sqrt(float(backtest.squared_sum[series]) / tested), 4),
        "bias": round(float(backtest.excess_sum[series]) / demand, 4) if demand else None,
    }


@dataclass
class _Sums:
    tested: int = 0
    pinball: float = 0.0
    held: list[int] = field(default_factory=lambda: [0] * len(LEVELS))

    def add(self, tested: int, held: Sequence[int], pinball: float) -> None:
        self.tested += tested
        self.pinball += tested * pinball
        self.held = [a + b for a, b in zip(self.held, held, strict=True)]


def _summary(run: ForecastRun) -> dict[str, Any]:
    """Return how forecasts of the past did, for vans and the depot, by weeks ahead and class of demand."""
    sums: dict[tuple[str, int, str], _Sums] = defaultdict(_Sums)
    depot = run.noted["depot"]
    rows = BurnForecast.objects.filter(run=run).order_by()
    fields = ("place_id", "weeks_ahead", "demand_class", "tested", "held", "accuracy")
    for place, ahead, of_class, tested, held, accuracy in rows.values_list(*fields).iterator():
        whose = "depot" if place == depot else "vans"
        for name in ("all", of_class):
            sums[whose, ahead, name].add(tested, held, accuracy.get("pinball", 0.0))
    found: dict[str, Any] = {"vans": {}, "depot": {}}
    for (whose, ahead, name), total in sorted(sums.items()):
        if total.tested:
            found[whose].setdefault(str(ahead), {})[name] = {
                "tested": total.tested,
                "held": total.held,
                "pinball": round(total.pinball / total.tested, 4),
                "in_words": held_in_words(
                    STATED, total.held[place_of_level(run.levels, STATED)], total.tested, ahead
                ),
            }
    of_vans = found["vans"].get("1", {}).get("all")
    if of_vans:
        found["in_words"] = of_vans["in_words"]
    elif sums:
        found["in_words"] = held_in_words(STATED, 0, 0, 1)
    else:
        found["in_words"] = NOTHING if not run.weeks else NO_VANS
    return found
