"""Import of many jobs and uses from CSV files: time and peak memory of each command.

Run as `python -m tests.benchmarks.imports [--jobs N | --tiny] [--database sqlite|postgres]`.
"""

import argparse
import csv
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.servers import PROJECT, migrated, migrated_sqlite_copy, postgres_server

USES = 5
CODES = [f"D-{number:02d}" for number in range(20)]
START = datetime(2023, 1, 2, 8, tzinfo=UTC)
DAMAGE = ("scratch", "scuff", "acid etch", "graffiti", "mineral staining", "failed coating", "other")


def write_files(folder: Path, jobs: int) -> None:
    """Write all files but counts: receipts and transfers for every 500 jobs, jobs over three years."""
    chance = random.Random(1)
    step = timedelta(days=3 * 365) / jobs
    _write(
        folder / "consumables.csv",
        "code,name,kind,stock_unit,grade,life_minutes,shelf_life_days",
        ((code, f"Disc {code}", "counted", "each", "", 10, "") for code in CODES),
    )
    _write(
        folder / "receipts.csv",
        "receipt,received_at,supplier,place,consumable,quantity,line_cost,freight",
        (
            (
                f"R-{number}",
                (START + step * number * 500).isoformat(),
                "S",
                "DEPOT",
                code,
                250,
                f"{chance.randint(15000, 26000) / 100:.2f}",
                "12.50",
            )
            for number in range(max(1, jobs // 500))
            for code in CODES
        ),
    )
    _write(
        folder / "transfers.csv",
        "transfer,moved_at,source,destination,consumable,quantity",
        (
            (
                f"T-{number}",
                (START + step * number * 500).isoformat(),
                "DEPOT",
                f"VAN-{number % 4}",
                code,
                240,
            )
            for number in range(max(1, jobs // 500))
            for code in CODES
        ),
    )
    _write(
        folder / "jobs.csv",
        "job,van,technician,closed_at,job_type,damage_type,glass,length_mm,price,labour_minutes,travel_minutes,"
        "outcome,callback_of",
        (
            (
                f"J-{number}",
                f"VAN-{number % 4}",
                f"T-{number % 4}",
                (START + step * number).isoformat(),
                "polish",
                DAMAGE[number % 7],
                "laminated",
                120,
                80 + number % 200,
                60,
                20,
                "removed",
                "",
            )
            for number in range(jobs)
        ),
    )
    _write(
        folder / "uses.csv",
        "job,consumable,quantity,minutes",
        (
            (f"J-{number}", code, chance.randint(1, 3), 10)
            for number in range(jobs)
            for code in chance.sample(CODES, USES)
        ),
    )


def _write(path: Path, header: str, rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header.split(","))
        writer.writerows(rows)


def measure(url: str, folder: Path) -> None:
    """Import each file and print seconds and peak memory."""
    total = 0.0
    for kind in ("consumables", "receipts", "transfers", "jobs", "uses"):
        command = [sys.executable, "manage.py", "import_csv", kind, str(folder / f"{kind}.csv")]
        start = time.perf_counter()
        process = subprocess.Popen(
            [*command, "--create-missing"], cwd=PROJECT, env={**os.environ, "DATABASE_URL": url}
        )
        _, status, usage = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - start
        total += seconds
        if status:
            raise SystemExit(f"{kind} failed with {os.waitstatus_to_exitcode(status)}")
        print(f"  {kind}: {seconds:.1f} s, peak {usage.ru_maxrss / 1024:,.0f} MB", flush=True)
    print(f"  together {total:.1f} s")


def main(arguments: list[str] | None = None) -> None:
    """Write the files and import them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=100_000)
    parser.add_argument("--database", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    options = parser.parse_args(arguments)
    jobs = 20 if options.tiny else options.jobs
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        if options.database == "postgres":
            url = migrated(stack.enter_context(postgres_server(durable=True)).new_database())
        else:
            url = migrated_sqlite_copy(folder / "imports.sqlite3")
        write_files(folder, jobs)
        print(f"{jobs:,} jobs, {jobs * USES:,} uses, {options.database} (aim: 600 s, 1,000 MB)")
        measure(url, folder)


if __name__ == "__main__":
    main()
