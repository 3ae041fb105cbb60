"""The burn forecast against the models of statsforecast: loss, calibration and time, in one run.

Run as `python -m tests.benchmarks.forecast_peers [--data FOLDER] [--sizes 1000 10000] [--patience SECONDS]`,
or with --tiny. FOLDER holds weekly_units_by_store.csv.gz; without it the committed extract serves. What
knowing the jobs ahead gives is measured in forecast_jobs. Loss: mean pinball loss over five levels of the
demand summed over 2 weeks, scaled by the mean absolute step of the past (1 where that is 0), origins 40, 42,
..., 50. A peer's mean is dressed (i) as a normal with the deviation of the past times the root of 2, (ii) as
a negative binomial of the same mean and variance. Nothing is run in parallel, on either side.

What was tried on the full weekly panel with the square of the level instead of the knee and the product of
level and size that came after (0.638 at that time; smaller is better):

    level shrunk to the average, no regression      0.724   slow level as the only term             0.679
    no square of the level                          0.649   all rows of the fit weigh the same      0.655
    consumable's levels as further terms            0.639   other vans' use not shared              0.644
    no usual size among the terms                   0.643   no scatter of the series' own           0.638
    scatter by level only                           0.640   levels at 2, or at 4 rates        0.639 0.640
    prior of 1, 2, 5 or 8 periods             0.640-0.643   other vans' rate 0.03, 0.3        0.640 0.637

and on three of the origins (0.629 at that time): gradient boosted quantiles with 25 features: 0.616. The
series' own scatter stays because without it a mixed simulated panel is covered badly: 81% of the erratic
series at the stated 95%.

Knee and product were chosen on origins before the scored ones (28, 30, ..., 38; all series; shipped 0.6894):

    square of the level instead of both             0.6969  knee only, at 20%, 30%, 40%  0.6980 0.6931 0.6908
    knee and product, knee at 35%, 45%, 50%  0.6909 0.6900 0.6900
    two knees, at 33% and 67%, and product          0.6909  scatter instead of the product          0.6903
    scatter of the series' own as well              0.6899  number of uses as well                  0.6925
    prior of 1, 2, 5, 8 periods (knee at 45%)              0.6939 0.6908 0.6895 0.6929
    other vans' rate 0.03, 0.3 (knee at 45%)               0.6906 0.6891

With the square, forecasts of series above 2 units came to 65% more than their demand on the scored origins,
with what is shipped to 3% less. On the committed extract, a fifth of the panel, the 5% that are busiest are
forecast 38% too low by their mean; still their 0.95 held in 0.949.

Without `group` the stated 0.8 holds in 0.897 of all cases and 0.900 of the intermittent, where the fitted
distributions themselves say 0.895 and 0.898, with `group` in 0.886 (0.888); at 0.95 0.972 and 0.970 of all.
What is above the stated level comes from demand being counted in whole units: with a mean from 0.3 to 0.5, as
near half of all have, demand stays at or under 1 in 0.92 of cases, and at 0 in less than 0.8.
"""

import argparse
import resource
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from statsforecast import StatsForecast
from statsforecast import models as peers

from forecasting.arrays import FloatArray
from forecasting.demand.accuracy import CLASSES, demand_classes, pinball, scale
from forecasting.demand.negative_binomial import quantiles
from forecasting.demand.panel_forecast import forecast_panel
from tests.open_data import EXTRACT, weekly_units

LEVELS = np.array([0.5, 0.8, 0.9, 0.95, 0.99])
AHEAD = 2
ORIGINS = (40, 42, 44, 46, 48, 50)
CLASS_MIN = 500
SHARED = Path(__file__).parents[3] / "shared" / "data"


def peer_models() -> dict[str, Any]:
    """All peers, quick ones first."""
    return {
        "HistoricAverage": peers.HistoricAverage(),
        "WindowAverage 8": peers.WindowAverage(window_size=8),
        "SES 0.1": peers.SimpleExponentialSmoothing(alpha=0.1),
        "SES 0.2": peers.SimpleExponentialSmoothing(alpha=0.2),
        "SES optimised": peers.SimpleExponentialSmoothingOptimized(),
        "Croston": peers.CrostonClassic(),
        "Croston optimised": peers.CrostonOptimized(),
        "Croston SBA": peers.CrostonSBA(),
        "TSB 0.1": peers.TSB(alpha_d=0.1, alpha_p=0.1),
        "TSB 0.2": peers.TSB(alpha_d=0.2, alpha_p=0.2),
        "ADIDA": peers.ADIDA(),
        "IMAPA": peers.IMAPA(),
        "AutoETS": peers.AutoETS(season_length=1),
        "AutoTheta": peers.AutoTheta(season_length=1),
    }


def normal(mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Dressing (i)."""
    found: FloatArray = mean[:, None] + np.sqrt(variance)[:, None] * stats.norm.ppf(LEVELS)
    return found


def negative_binomial(mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Dressing (ii); Poisson where the variance is not above the mean."""
    mean = np.maximum(mean, 1e-9)
    size = mean**2 / np.maximum(variance - mean, 1e-9 * mean)
    found = stats.nbinom.ppf(LEVELS, size[:, None], (size / (size + mean))[:, None])
    poisson = stats.poisson.ppf(LEVELS, mean[:, None])
    return np.where((variance > mean * (1 + 1e-9))[:, None], found, poisson)


def table(units: FloatArray) -> pd.DataFrame:
    """The long table that the peers read."""
    series, periods = units.shape
    return pd.DataFrame(
        {
            "unique_id": np.repeat(np.arange(series), periods),
            "ds": np.tile(np.arange(periods), series),
            "y": units.ravel(),
        }
    )


def peer_mean(model: Any, units: FloatArray) -> FloatArray:
    """A peer's expected demand over the interval, (series,)."""
    answer = StatsForecast(models=[model], freq=1, n_jobs=1).forecast(df=table(units), h=AHEAD)
    by_series = answer.drop(columns="ds").groupby("unique_id").sum()
    mean: FloatArray = by_series.iloc[:, 0].to_numpy(float)
    return mean


def losses(units: FloatArray, origin: int, found: FloatArray) -> FloatArray:
    """Scaled pinball loss of each series."""
    past = units[:, :origin]
    loss = pinball(units[:, origin : origin + AHEAD].sum(axis=1), found, LEVELS).mean(axis=1)
    scaled: FloatArray = loss / scale(past, np.ones(past.shape, bool))
    return scaled


def accuracy(path: Path, most: int | None) -> None:
    """Print losses, ratios to the best peer under each dressing, and calibration, of `most` series."""
    data = weekly_units(path)
    units, product = data.units[:most], data.product[:most]
    print(f"\n{path.name}: {len(units):,} series, origins {', '.join(map(str, ORIGINS))}")
    ours, held, classes = [], [], []
    for origin in ORIGINS:
        past = units[:, :origin]
        found = forecast_panel(past, AHEAD, LEVELS, group=product).quantiles
        ours.append(losses(units, origin, found).mean())
        held.append(units[:, origin : origin + AHEAD].sum(axis=1)[:, None] <= found)
        classes.append(demand_classes(past, np.ones(past.shape, bool)))
    print(f"  ours {np.mean(ours):.4f}")
    best = {"i": np.inf, "ii": np.inf}
    for name, model in peer_models().items():
        dressed: dict[str, list[float]] = {"i": [], "ii": []}
        for origin in ORIGINS:
            past = units[:, :origin]
            mean, variance = peer_mean(model, past), AHEAD * past.var(axis=1, ddof=1)
            dressed["i"].append(losses(units, origin, normal(mean, variance)).mean())
            dressed["ii"].append(losses(units, origin, negative_binomial(mean, variance)).mean())
        print(f"  {name:18} (i) {np.mean(dressed['i']):.4f}  (ii) {np.mean(dressed['ii']):.4f}", flush=True)
        best = {key: min(best[key], float(np.mean(dressed[key]))) for key in best}
    for key, loss in best.items():
        print(f"  ours over the best peer dressed ({key}): {np.mean(ours) / loss:.3f}")
    calibration(np.concatenate(held), np.concatenate(classes))


def calibration(held: npt.NDArray[np.bool_], classes: npt.NDArray[np.str_]) -> None:
    """Print the share of outcomes at or under each quantile, over all and by class."""
    print("  held at or under   " + "".join(f"{level:8.2f}" for level in LEVELS))
    for name in ("all", *CLASSES):
        chosen = np.ones(len(classes), bool) if name == "all" else classes == name
        if chosen.sum() >= CLASS_MIN:
            shares = "".join(f"{share:8.3f}" for share in held[chosen].mean(axis=0))
            print(f"  {name:13} {chosen.sum():6,}{shares[1:]}")


def seconds(work: Callable[[], object]) -> float:
    """How long it takes, the second time: the first may compile."""
    work()
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def speed(units: FloatArray, sizes: list[int], patience: float) -> None:
    """Print seconds per 1,000 series; a peer that would take longer than `patience` seconds is left out."""
    chance = np.random.default_rng(0)
    rates: dict[str, float] = {}
    levels = LEVELS
    for series in sizes:
        panel = units[chance.integers(0, len(units), series)]
        group = np.arange(series) // 5
        print(f"\nSeconds per 1,000 series, {series:,} series x {panel.shape[1]} weeks")

        def show(name: str, taken: float, series: int = series) -> None:
            rates[name] = taken / series
            print(f"  {name:52} {1000 * taken / series:.5f}", flush=True)

        mean, size = panel.mean(axis=1) * AHEAD + 0.01, np.ones(series)
        variance = AHEAD * panel.var(axis=1, ddof=1)
        ours = seconds(lambda mean=mean, size=size: quantiles(mean, size, levels))  # type: ignore[misc]
        show("ours: quantiles from parameters", ours)
        fastest = np.inf
        for name, model in peer_models().items():
            if rates.get(name, 0) * series * 2 > patience:
                print(f"  {name:52} left out, about {rates[name] * series:.0f} s")
                continue
            taken = seconds(lambda m=model, p=panel, v=variance: negative_binomial(peer_mean(m, p), v))  # type: ignore[misc]
            show(f"{name}, dressed (ii)", taken)
            rates[name] = taken / series
            fastest = min(fastest, taken)
        print(f"  the fastest peer takes {fastest / ours:.1f} times as long as ours")
        start = time.perf_counter()
        forecast_panel(panel, AHEAD, levels, group=group)
        whole = time.perf_counter() - start
        show("ours: fit, choice, backtest of 6 origins, forecast", whole)
        rival = "peers: cross-validation over the same origins"
        if rates.get(rival, 0) * series > patience:
            print(f"  {rival:52} left out, about {rates[rival] * series:.0f} s")
            continue
        chosen = peer_models()
        five = [chosen[name] for name in ("SES 0.1", "Croston", "TSB 0.1", "ADIDA", "IMAPA")]
        start = time.perf_counter()
        StatsForecast(models=five, freq=1, n_jobs=1).cross_validation(
            df=table(panel), h=AHEAD, step_size=AHEAD, n_windows=len(ORIGINS)
        )
        taken = time.perf_counter() - start
        show(rival, taken)
        print(f"  they take {taken / whole:.1f} times as long as ours")


def two_years(units: FloatArray, series: int) -> None:
    """Print time and memory of a large panel of 104 weeks, choice and backtest included."""
    chance = np.random.default_rng(1)
    rows = chance.integers(0, len(units), (2, series))
    panel = np.hstack([units[rows[0]], units[rows[1]]])
    start = time.perf_counter()
    forecast_panel(panel, AHEAD, LEVELS, group=np.arange(series) // 5)
    taken = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    print(f"\n{series:,} series x 104 weeks: {taken:.1f} s; the process peaked at {peak:.2f} GB")


def main(arguments: list[str] | None = None) -> None:
    """Read the arguments and print everything."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--data", type=Path, default=SHARED)
    parser.add_argument("--sizes", type=int, nargs="*", default=[1_000, 10_000, 100_000])
    parser.add_argument("--patience", type=float, default=90.0)
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    options = parser.parse_args(arguments)
    warnings.filterwarnings("ignore", module="statsforecast")
    if options.tiny:
        two_years(weekly_units(EXTRACT).units, 100)
        accuracy(EXTRACT, 100)
        speed(weekly_units(EXTRACT).units, [20], options.patience)
        return
    full = options.data / "weekly_units_by_store.csv.gz"
    two_years(weekly_units(EXTRACT).units, 100_000)
    for path in (path for path in (full, EXTRACT) if path.exists()):
        accuracy(path, None)
    speed(weekly_units(full if full.exists() else EXTRACT).units, options.sizes, options.patience)


if __name__ == "__main__":
    main()
