"""How often what a job took lay in the interval that was estimated for it, on the demo shop.

Run as `python -m tests.benchmarks.estimates [--tiny]`. Every finished job is estimated from the jobs before
it only, by what a customer tells: damage type, job type, glass and length, or damage type and
length alone. An interval of 80% should hold in about 80%; of counts in more, since whole discs cannot be cut
finer.

Seen: labour 82.7% and 81.8%, cost of materials 82.2% and 81.4%, minutes on a grade 86.3% and 85.0%, discs
95.7% and 96.1%, in 9 and 13 seconds. Lengths of the demo shop say nothing within a job type, so hardly any
estimate uses them there; by damage type alone a third does.
"""

import argparse
import csv
import json
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from pathlib import Path

from shop.estimating.prediction_intervals import LATEST_JOBS, Asked, PastJob, basis_for, spread

DEMO = Path(__file__).parents[2] / "fixtures" / "demo"
ZERO = Decimal(0)


@dataclass
class Done:
    """A past job with what it took: discs and minutes by grade, and materials at standard cost."""

    job: PastJob
    discs: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    minutes: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    materials: Decimal = ZERO


@dataclass
class Tally:
    """How many intervals held, how many were exceeded, of how many, and their width in all."""

    of: int = 0
    held: int = 0
    exceeded: int = 0
    width: Decimal = ZERO


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a file of the demo shop."""
    with (DEMO / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def done_jobs() -> list[Done]:
    """Return the demo shop's jobs in the order they were closed in, callbacks left out."""
    costs = json.loads((DEMO / "shop.json").read_text(encoding="utf-8"))["standard_costs"]
    items = {row["code"]: row for row in rows("consumables")}
    found: dict[str, Done] = {}
    for number, row in enumerate(
        sorted(rows("jobs"), key=lambda row: datetime.fromisoformat(row["closed_at"]))
    ):
        if not row["callback_of"]:
            found[row["job"]] = Done(
                PastJob(
                    number,
                    row["damage_type"],
                    row["job_type"],
                    row["glass"],
                    None,
                    Decimal(row["length_mm"]) if row["length_mm"] else None,
                    row["outcome"],
                    row["technician"],
                    Decimal(row["labour_minutes"]),
                )
            )
    for row in rows("uses"):
        item = items[row["consumable"]]
        if (done := found.get(row["job"])) is None or item["kind"] == "worn":
            continue
        quantity = Decimal(row["quantity"])
        done.materials += quantity * Decimal(costs.get(row["consumable"], "0"))
        if item["grade"]:
            done.discs[item["grade"]] += quantity
            done.minutes[item["grade"]] += Decimal(row["minutes"] or 0)
    return list(found.values())


def backtest(jobs: list[Done], told: Callable[[PastJob], Asked]) -> tuple[dict[str, Tally], int, int]:
    """Estimate each finished job from those before; return the tallies, the estimates, and how many used
    length."""
    tallies: dict[str, Tally] = defaultdict(Tally)
    by_key = {done.job.key: done for done in jobs}
    of_all: list[PastJob] = []
    of_damage: dict[str, list[PastJob]] = defaultdict(list)
    estimated = scaled = 0
    for done in jobs:
        same = of_damage[done.job.damage_type]
        basis = basis_for(told(done.job), same[: -LATEST_JOBS - 1 : -1], of_all[: -LATEST_JOBS - 1 : -1])
        if basis is not None and done.job.is_finished:
            estimated += 1
            scaled += basis.exponent is not None
            before = [by_key[job.key] for job in basis.jobs]

            def see(name: str, took: Callable[[Done], Decimal], *, whole: bool = False) -> None:
                found = spread([took(each) for each in before], basis.factors, in_whole=whole)  # noqa: B023
                actual = took(done)  # noqa: B023 - called at once
                assert found.low is not None
                assert found.high is not None
                if found.high or actual:
                    tally = tallies[name]
                    tally.of += 1
                    tally.held += found.low <= actual <= found.high
                    tally.exceeded += actual > found.high
                    tally.width += found.high - found.low

            see("labour minutes", lambda each: each.job.labour_minutes)
            see("cost of materials", lambda each: each.materials)
            for grade in sorted({grade for each in (*before, done) for grade in each.discs}):
                see("discs of a grade", lambda each, of=grade: each.discs.get(of, ZERO), whole=True)  # type: ignore[misc]
                see("minutes on a grade", lambda each, of=grade: each.minutes.get(of, ZERO))  # type: ignore[misc]
        same.append(done.job)
        of_all.append(done.job)
    return tallies, estimated, scaled


def main(arguments: list[str] | None = None) -> None:
    """Print the coverage of 80% intervals for two ways of asking."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    jobs = done_jobs()[: 100 if parser.parse_args(arguments).tiny else None]
    ways: dict[str, Callable[[PastJob], Asked]] = {
        "damage type, job type, glass and length": lambda job: Asked(
            job.damage_type, job.job_type, job.glass, None, job.length_mm
        ),
        "damage type and length": lambda job: Asked(job.damage_type, length_mm=job.length_mm),
    }
    for name, told in ways.items():
        started = time.perf_counter()
        tallies, estimated, scaled = backtest(jobs, told)
        seconds = time.perf_counter() - started
        print(f"{name}: {estimated:,} jobs estimated, {scaled:,} with length, {seconds:.1f} s", flush=True)
        for what, tally in tallies.items():
            print(
                f"  {what}: {tally.of:,} intervals of 80%; {tally.held / tally.of:.1%} held, "
                f"{tally.exceeded / tally.of:.1%} exceeded, {tally.width / tally.of:.1f} wide"
            )


if __name__ == "__main__":
    main()
