"""Rebuild of all values, margin by damage type, and the costing export, over a long history.

Run as `python -m tests.benchmarks.reads [--movements N] [--jobs N] | [--tiny]`. Prints seconds, peak memory
and ratios; a ratio is taken between two things done in the same run.
"""

import argparse
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from tests.benchmarks.large_history import make_history, sqlite_file
from tests.servers import run_manage

BARE_MARGIN = """
SELECT damage.code, SUM(cost.jobs), SUM(cost.revenue), SUM(cost.materials), SUM(cost.wear), SUM(cost.labour),
       SUM(cost.travel), SUM(cost.overhead)
FROM shop_jobcost cost
JOIN shop_damagetype damage ON damage.id = cost.damage_type_id
GROUP BY damage.code
"""
REBUILD = """
import time
from django.db import transaction
from inventory.perpetual_valuation import stored_values
for name in ("rebuild, all values new", "rebuild, all values agree"):
    start = time.perf_counter()
    with transaction.atomic():
        changed = stored_values.rebuild()
    print(f"{name}: {time.perf_counter() - start:.1f} s ({len(changed):,} documents changed)")
"""
MARGIN = """
import time
from shop.profitability.margins import margin_report
start = time.perf_counter()
groups = margin_report("damage_type")
print(time.perf_counter() - start)
"""


def measure_rebuild(folder: Path, movements: int) -> None:
    """Print how long all values take to be made, and to be checked again."""
    url, path = sqlite_file(folder, "rebuild")
    make_history(path, movements // 5, 5)
    print(f"\nRebuild of the values of {movements:,} movements (aim: under 60 s)")
    print(run_manage(url, "shell", "--no-imports", "-c", REBUILD).stdout.strip())


def measure_margin(url: str, path: Path, jobs: int, times: int) -> None:
    """Print the margin report against the bare GROUP BY, both on a warm file, in turn."""
    print(f"\nMargin by damage type over {jobs:,} jobs (aim: within 3 times the bare GROUP BY)")
    ratios = []
    for _ in range(times):
        with sqlite3.connect(path) as database:
            bare = _timed(lambda: database.execute(BARE_MARGIN).fetchall())
        ours = float(run_manage(url, "shell", "--no-imports", "-c", MARGIN).stdout)
        ratios.append(ours / bare)
        print(f"bare {bare:.2f} s, ours {ours:.2f} s, ratio {ours / bare:.2f}")
    print(f"median ratio {median(ratios):.2f}")


def measure_export(folder: Path, sizes: list[int], times: int) -> None:
    """Print time and peak memory of the export at several sizes: the memory should not grow.

    The margin is measured so many times, at the last size.
    """
    print("\nExport of the costing (aim: constant memory)")
    for jobs in sizes:
        url, path = sqlite_file(folder, f"export-{jobs}")
        make_history(path, jobs, 0)
        out = folder / "costing.csv"
        command = [sys.executable, "-m", "tests.benchmarks.reads", "--export-only", url, str(out)]
        done = subprocess.run(command, capture_output=True, encoding="utf-8", check=True)
        rows = sum(1 for _ in out.open()) - 1
        print(f"{rows:,} rows: {done.stdout.strip()}")
        if jobs == sizes[-1]:
            measure_margin(url, path, jobs, times)


def export_only(url: str, out: str) -> None:
    """Export everything and print seconds and the peak memory of that process."""
    seconds = _timed(
        lambda: run_manage(url, "export_costing", "--from=2019-01-01", "--to=2030-12-31", f"--out={out}")
    )
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"{seconds:.1f} s, peak {peak:.0f} MB")


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main(arguments: list[str] | None = None) -> None:
    """Measure what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--movements", type=int, default=1_000_000)
    parser.add_argument("--jobs", type=int, default=1_000_000)
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    parser.add_argument("--export-only", nargs=2, metavar=("URL", "FILE"), help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.export_only:
        export_only(*options.export_only)
        return
    with tempfile.TemporaryDirectory() as folder:
        measure_rebuild(Path(folder), 500 if options.tiny else options.movements)
        if options.tiny:
            measure_export(Path(folder), [100], times=1)
        else:
            measure_export(Path(folder), [options.jobs // 10, options.jobs], times=3)


if __name__ == "__main__":
    main()
