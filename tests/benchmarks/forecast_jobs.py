"""By how much it helps to know the jobs ahead: on the open baskets and on the demo shop.

Run as `python -m tests.benchmarks.forecast_jobs [--data FOLDER | --tiny]`. FOLDER holds baskets.csv.gz;
without it the committed extract serves. Loss: mean scaled pinball loss of the backtest, at six past origins,
over five levels; models choose and fit on what came before each origin. "Known" gives the number of jobs of
the weeks ahead, as fully booked weeks would; "forecast" forecasts them from the past, as without any
booking.

Baskets are used as jobs, a store's products as consumables. On the demo shop knowing also of which service
the jobs are is shown: each job then counts as what its service took in the first half of the history. Seen,
as shares of the best direct model: demo shop, over one week, 0.81 with the jobs known and 0.55 with their
services too, over two weeks 0.89 and 0.71; baskets 0.995 for products used at all, 1.002 (no gain) for those
used in 4 weeks or more, 0.980 in 12 or more. Forecast by service without bookings is worse than by jobs, and
that no better than directly; so the shop's forecast counts jobs, lets the contest decide, and takes bookings
as a bound from below, and what booked services take is added by the restock drafts
(shop.estimating.booked_demand).
"""

import argparse
import json
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecasting.arrays import FloatArray
from forecasting.demand.panel_forecast import forecast_panel
from tests.benchmarks.forecast_peers import LEVELS, SHARED
from tests.open_data import EXTRACT

JOBS_MODEL, PANEL_MODEL = "panel levels per job", "panel levels"
DEMO = Path(__file__).parents[2] / "fixtures" / "demo"


def compare(title: str, units: FloatArray, jobs: FloatArray, group: npt.NDArray[Any], ahead: int) -> None:
    """Print the loss of the job-driven model and its share of the best direct ones."""
    for what, jobs_ahead in (("known", jobs[:, -ahead:].sum(axis=1)), ("forecast", None)):
        found = forecast_panel(
            units, ahead, LEVELS, group=group, exposure=jobs, exposure_ahead=jobs_ahead
        ).backtest
        losses = dict(found.losses)
        by_jobs, panel = losses.pop(JOBS_MODEL), losses.pop(PANEL_MODEL)
        alone = min(losses.values())
        weeks = "1 week" if ahead == 1 else f"{ahead} weeks"
        print(
            f"  {title}, {len(units):,} series, {weeks}, {what}: {by_jobs:.4f}; {by_jobs / panel:.3f} of the "
            f"panel's {panel:.4f}, {by_jobs / alone:.3f} of the best of one series at a time {alone:.4f}",
            flush=True,
        )


def baskets(path: Path, most: int | None) -> None:
    """Compare on the open data, or on the first `most` series of it."""
    lines = pd.read_csv(path, parse_dates=["at"])
    lines["week"] = ((lines["at"] - pd.Timestamp("2017-01-01")).dt.days // 7).clip(0, 51)
    jobs = lines.groupby(["store_id", "week"])["basket_id"].nunique().unstack(fill_value=0)
    use = lines.groupby(["store_id", "product_id", "week"])["quantity"].sum().unstack(fill_value=0)
    jobs, use = (sums.reindex(columns=range(52), fill_value=0) for sums in (jobs, use))
    print(f"\n{path.name}")
    for weeks in (1, 4, 12):
        part = use[(use.to_numpy() > 0).sum(axis=1) >= weeks][:most]
        if len(part):
            stores = part.index.get_level_values("store_id")
            compare(
                f"used in {weeks} weeks or more",
                part.to_numpy(float),
                jobs.loc[stores].to_numpy(float),
                part.index.get_level_values("product_id").to_numpy(),
                2,
            )


def demo_shop() -> None:
    """Compare on the demo shop's whole weeks, with jobs counted as one each, and by service."""
    zone = json.loads((DEMO / "shop.json").read_text(encoding="utf-8"))["shop"]["time_zone"]
    jobs, uses = pd.read_csv(DEMO / "jobs.csv"), pd.read_csv(DEMO / "uses.csv")
    days = pd.to_datetime(jobs["closed_at"], utc=True).dt.tz_convert(zone).dt.tz_localize(None).dt.normalize()
    monday = days.min() - pd.Timedelta(days=days.min().weekday())
    jobs["week"] = (days - monday).dt.days // 7
    weeks = (days.max() - monday).days // 7  # the last one may not be over
    lines = uses.merge(jobs[["job", "van", "week", "job_type"]], on="job")
    vans, consumables = sorted(jobs["van"].unique()), sorted(uses["consumable"].unique())
    pairs = pd.MultiIndex.from_product([consumables, vans], names=["consumable", "van"])

    def weekly(
        rows: pd.DataFrame, by: list[str], index: Any, column: str, how: Literal["sum", "count"]
    ) -> FloatArray:
        table = rows.pivot_table(index=by, columns="week", values=column, aggfunc=how, fill_value=0)
        filled: FloatArray = table.reindex(index, columns=range(weeks), fill_value=0).to_numpy(float)
        return filled

    units = weekly(lines, ["consumable", "van"], pairs, "quantity", "sum")
    services = sorted(jobs["job_type"].unique())
    done = np.stack(
        [weekly(jobs[jobs["job_type"] == one], ["van"], vans, "job", "count") for one in services]
    )
    early = jobs["week"] < weeks // 2
    per_job = (
        lines[lines["week"] < weeks // 2]
        .pivot_table(index="consumable", columns="job_type", values="quantity", aggfunc="sum", fill_value=0)
        .reindex(consumables, columns=services, fill_value=0)
        / jobs[early]["job_type"].value_counts().reindex(services)
    ).to_numpy(float)
    by_service = np.einsum("cs,svw->cvw", per_job, done).reshape(len(pairs), weeks)
    counted = np.tile(done.sum(axis=0), (len(consumables), 1))
    group = np.repeat(np.arange(len(consumables)), len(vans))
    print("\ndemo shop")
    for ahead in (1, 2):
        compare("jobs counted", units, counted, group, ahead)
        compare("jobs by service", units, by_service, group, ahead)


def main(arguments: list[str] | None = None) -> None:
    """Read the arguments and print everything."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--data", type=Path, default=SHARED)
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    options = parser.parse_args(arguments)
    path = options.data / "baskets.csv.gz"
    use_extract = options.tiny or not path.exists()
    baskets(EXTRACT.with_name("baskets_extract.csv") if use_extract else path, 10 if options.tiny else None)
    demo_shop()


if __name__ == "__main__":
    main()
