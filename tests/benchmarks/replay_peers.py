"""Stock against fill rate: our order-up-to levels against the usual ones on statsforecast's forecasts.

Run as `python -m tests.benchmarks.replay_peers [--data FILE] [--choose] [--tiny]`. FILE is the full panel,
weekly_units_by_store.csv.gz; where it is missing that is said, and the committed extract serves.

Every week is a review, and what is ordered is there a week later, so a level must last 2 weeks. Each week's
levels are made from the weeks before it only; the first half of the year is history, the second is replayed,
and its first 2 weeks are not counted. A shortage is owed and paid by the next arrival (a job waits), as the
levels of all policies suppose; the same with lost demand is printed below. Stock is the mean of what there is
after a week's arrivals and after its demand. Fill rate is the share of all units that were served at once.

Ours: levels that share one price of stock over the whole panel (`tests.oracles.shared_levels`) from
`forecast_panel`; also one probability of lasting for all. Peers: the mean of a week from statsforecast, with
  normal    2 m + z s sqrt(2), s the deviation of past weeks, rounded up or to the nearest, which needs less
  negative  a quantile of the negative binomial of the same mean and variance; Poisson's where that is smaller
Each policy has one number that is turned through a grid (price, probability, z); stock at a fill rate is
interpolated on the policy's own curve.

That levels need a limit (BELIEVED_TIMES) showed on the weeks that are counted: without one, a few busy and
uneven series get far too much. Its value was chosen on the weeks before, which `--choose` prints.
"""

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats
from statsforecast import StatsForecast
from statsforecast import models as peers
from tqdm import tqdm

from forecasting.arrays import FloatArray
from forecasting.demand.panel_forecast import forecast_panel
from forecasting.stock_control.policy_simulation import replay
from tests.benchmarks.forecast_peers import SHARED, table
from tests.open_data import EXTRACT, WeeklyUnits, weekly_units
from tests.oracles import shared_levels
from tests.oracles.shared_levels import Outlook, most_believed, outlook

LEAD, REVIEW = 1, 1
INTERVAL = LEAD + REVIEW
FILL_RATES = (0.95, 0.98)
HALF_A_YEAR = 26
# The history that `--choose` starts with.
QUARTER = 13
PROBABILITIES = np.concatenate([np.linspace(0.1, 0.9, 17), 1 - np.geomspace(0.1, 2e-4, 24)[1:]])
PRICES = np.geomspace(4, 0.004, 32)
Z = np.linspace(0, 8, 33)
SHOWN = 8


@dataclass(frozen=True)
class Curve:
    """Average stock, fill rate and share of weeks that lasted, for each setting of a policy's one number."""

    stock: FloatArray
    fill_rate: FloatArray
    lasted: FloatArray

    def stock_at(self, fill_rate: float) -> float:
        """Stock at a fill rate, between settings in proportion; NaN where no setting reaches it."""
        order = np.argsort(self.fill_rate)
        return float(
            np.interp(fill_rate, self.fill_rate[order], self.stock[order], left=np.nan, right=np.nan)
        )


def play(units: FloatArray, levels: FloatArray, *, backorders: bool) -> Curve:
    """The curve of levels (settings, weeks, series) over the last of the weeks of `units`."""
    played = [
        replay(
            units[:, -len(setting) :],
            np.maximum(setting.T, 0),
            lead_periods=LEAD,
            review_periods=REVIEW,
            backorders=backorders,
            skip_periods=INTERVAL,
        )
        for setting in levels
    ]
    return Curve(
        np.array([found.total_average_stock() for found in played]),
        np.array([found.total_fill_rate() or 0.0 for found in played]),
        np.array([found.total_cycle_service() or 0.0 for found in played]),
    )


def origins(units: FloatArray, first: int, what: str) -> Iterator[int]:
    """The weeks before which levels are made."""
    yield from tqdm(range(first, units.shape[1]), desc=what, unit="week", leave=False)


def our_outlooks(data: WeeklyUnits, units: FloatArray, first: int) -> list[tuple[Outlook, FloatArray]]:
    """For each week the outlook, and the quantiles over the interval (series, probabilities)."""
    found = []
    for origin in origins(units, first, "ours"):
        past = units[:, :origin]
        lead, interval = (
            forecast_panel(past, ahead, PROBABILITIES, group=data.product).quantiles
            for ahead in (LEAD, INTERVAL)
        )
        found.append((outlook(lead, interval, PROBABILITIES), interval))
    return found


def shared_price(
    units: FloatArray, first: int, found: list[tuple[Outlook, FloatArray]], *, believe: bool = True
) -> FloatArray:
    """Levels (prices, weeks, series)."""
    levels = np.empty((len(PRICES), len(found), len(units)))
    for week, (one, _) in enumerate(found):
        most = most_believed(units[:, : first + week], INTERVAL) if believe else None
        for setting, price in enumerate(PRICES):
            levels[setting, week] = one.levels_at(float(price), most)
    return levels


def peer_levels(
    units: FloatArray, first: int, name: str, model: Any
) -> tuple[list[FloatArray], list[FloatArray]]:
    """Levels (settings, weeks, series) dressed as normal, rounded in either way, and as negative binomial."""
    normal, counted = [], []
    for origin in origins(units, first, name):
        past = units[:, :origin]
        answer = StatsForecast(models=[model], freq=1, n_jobs=1).forecast(df=table(past), h=1)
        mean = INTERVAL * answer.sort_values("unique_id").iloc[:, -1].to_numpy(float)
        variance = INTERVAL * past.var(axis=1, ddof=1)
        normal.append(mean + Z[:, None] * np.sqrt(variance))
        counted.append(negative_binomial(np.maximum(mean, 1e-9), variance))
    dressed = np.stack(normal, axis=1)
    return [np.ceil(dressed - 1e-9), np.round(dressed)], [np.stack(counted, axis=1)]


def negative_binomial(mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Quantiles at PROBABILITIES, (probabilities, series)."""
    wide = variance > mean * (1 + 1e-9)
    size = np.where(wide, mean**2 / np.where(wide, variance - mean, 1), 1.0)
    found = stats.nbinom.ppf(PROBABILITIES[:, None], size, size / (size + mean))
    return np.where(wide, found, stats.poisson.ppf(PROBABILITIES[:, None], mean))


def compare(data: WeeklyUnits) -> None:
    """Print curves, stock at equal fill rates and savings."""
    units, first = data.units, HALF_A_YEAR
    found = our_outlooks(data, units, first)
    ours = "ours: one price of stock"
    policies: dict[str, list[FloatArray]] = {
        ours: [shared_price(units, first, found)],
        "ours: one probability": [np.stack([quantiles.T for _, quantiles in found], axis=1)],
    }
    for name, model in (
        ("Croston SBA", peers.CrostonSBA()),
        ("SES 0.1", peers.SimpleExponentialSmoothing(alpha=0.1)),
        ("SES optimised", peers.SimpleExponentialSmoothingOptimized()),
    ):
        normal, counted = peer_levels(units, first, name, model)
        policies |= {f"{name}, normal": normal, f"{name}, negative": counted}
    for backorders in (True, False):
        curves = {
            name: [play(units, levels, backorders=backorders) for levels in ways]
            for name, ways in policies.items()
        }
        print(
            f"\nShortages are {'owed' if backorders else 'lost'}: average stock at the achieved fill rate of"
        )
        print(f"  {'':26}" + "".join(f"{rate:>12.0%}" for rate in FILL_RATES) + "   saved by ours")
        needed = {name: [_least(ways, rate) for rate in FILL_RATES] for name, ways in curves.items()}
        for name, stock in needed.items():
            saved = "".join(
                f"{_saving(mine, theirs):>9}" for mine, theirs in zip(needed[ours], stock, strict=True)
            )
            print(
                f"  {name:26}" + "".join(f"{_units(amount):>12}" for amount in stock) + saved * (name != ours)
            )
        usual = [needed[name] for name in needed if name.endswith("normal")]
        holds = all(
            mine < _or_more(theirs)
            for stock in usual
            for mine, theirs in zip(needed[ours], stock, strict=True)
        )
        print(
            f"  {'holds' if holds else 'DOES NOT HOLD'}: less stock than every peer with normal safety stock"
        )
        if backorders:
            for name, ways in curves.items():
                show(name, min(ways, key=lambda curve: _or_more(curve.stock_at(FILL_RATES[0]))))


def show(name: str, curve: Curve) -> None:
    """Print some settings of a curve, up to all but a thousandth being served."""
    shown = np.linspace(0, len(curve.stock) - 1, min(SHOWN, len(curve.stock))).round().astype(int)
    print(f"\n  {name}: fill rate, average stock, weeks that lasted")
    for i in sorted(shown, key=lambda i: curve.fill_rate[i]):
        print(f"    {curve.fill_rate[i]:8.1%} {curve.stock[i]:10,.0f} {curve.lasted[i]:8.1%}")


def _or_more(stock: float) -> float:
    """A fill rate that is not reached needs more stock than any that was tried."""
    return np.inf if np.isnan(stock) else stock


def _least(ways: list[Curve], fill_rate: float) -> float:
    return min((curve.stock_at(fill_rate) for curve in ways), key=_or_more)


def _units(stock: float) -> str:
    return "not reached" if np.isnan(stock) else f"{stock:,.0f}"


def _saving(mine: float, theirs: float) -> str:
    return "-" if np.isnan(mine) or np.isnan(theirs) else f"{1 - mine / theirs:.1%}"


def choose(data: WeeklyUnits) -> None:
    """Print what BELIEVED_TIMES was chosen by: weeks that `compare` replays are never read."""
    units = data.units[:, :HALF_A_YEAR]
    found = our_outlooks(data, units, QUARTER)
    print(f"Weeks {QUARTER} to {HALF_A_YEAR - 1}: stock at a fill rate of 95% and 98%, by BELIEVED_TIMES")
    shipped = shared_levels.BELIEVED_TIMES
    for times in (2, 3, 5, 8, 13, None):
        shared_levels.BELIEVED_TIMES = times or shipped
        levels = shared_price(units, QUARTER, found, believe=times is not None)
        curve = play(units, levels, backorders=True)
        stock = "".join(f"{_units(curve.stock_at(rate)):>12}" for rate in FILL_RATES)
        print(f"  {times or 'none':>5}{stock}")
    shared_levels.BELIEVED_TIMES = shipped


def main(arguments: list[str] | None = None) -> None:
    """Compare, or choose."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, default=SHARED / "weekly_units_by_store.csv.gz")
    parser.add_argument("--choose", action="store_true", help="print what BELIEVED_TIMES was chosen by")
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    options = parser.parse_args(arguments)
    path: Path = EXTRACT if options.tiny else options.data
    if not path.is_file():
        print(
            f"{path.name} is not there: give it by --data. The committed extract serves, a part of it only."
        )
        path = EXTRACT
    data = weekly_units(path)
    if options.tiny:
        data = WeeklyUnits(data.units[:40, : HALF_A_YEAR + 2 * INTERVAL], data.product[:40])
    series, weeks = data.units.shape
    print(f"{path.name}: {series:,} series, {weeks} weeks, {data.units.sum():,.0f} units")
    work: Callable[[WeeklyUnits], None] = choose if options.choose else compare
    work(data)


if __name__ == "__main__":
    main()
