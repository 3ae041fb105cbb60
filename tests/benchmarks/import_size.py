"""Reading of very large files: seconds, peak memory and lines printed, for bad rows and for good ones.

Run as `python -m tests.benchmarks.import_size [--megabytes N | --tiny]`. The good rows end in one bad one:
all are read and held, and nothing is written.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.servers import PROJECT, migrated_sqlite_copy

HEADER = "job,consumable,quantity,minutes\n"


def bad(number: int) -> str:
    """Return a row with three faults."""
    return f"=J{number},no such disc,-{number},\n"


def good(number: int) -> str:
    """Return a row that could be posted once its job is closed."""
    return f"J-{number // 4},D-{number % 4},{1 + number % 3},{number % 50}\n"


def write(path: Path, row: Callable[[int], str], size_bytes: int, last: str) -> None:
    """Write rows until a file is so large."""
    number = written = 0
    with path.open("w", encoding="utf-8") as file:
        file.write(HEADER)
        while written < size_bytes:
            written += file.write("".join(map(row, range(number, number + 100))))
            number += 100
        file.write(last)


def measure(url: str, path: Path, name: str) -> None:
    """Import a file that is refused; print what it took."""
    command = [sys.executable, "manage.py", "import_csv", "uses", str(path)]
    start = time.perf_counter()
    with path.with_suffix(".log").open("w+b") as log:
        process = subprocess.Popen(
            command, cwd=PROJECT, env={**os.environ, "DATABASE_URL": url}, stdout=log, stderr=log
        )
        _, _, usage = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - start
        log.seek(0)
        lines = log.read().splitlines()
    if not lines or not lines[-1].endswith(b"nothing was written"):
        raise SystemExit(f"{name} should have been refused: {b' / '.join(lines[-3:]).decode()}")
    print(
        f"  {name}: {path.stat().st_size / 1e6:,.0f} MB, {seconds:.1f} s ({usage.ru_utime:.1f} s of CPU), "
        f"peak {usage.ru_maxrss / 1024:,.0f} MB, {len(lines)} lines; {lines[-1].decode()[-120:]}",
        flush=True,
    )


def main(arguments: list[str] | None = None) -> None:
    """Write both files and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=int, default=184)
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    options = parser.parse_args(arguments)
    size_bytes = 10_000 if options.tiny else options.megabytes * 1_000_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        url = migrated_sqlite_copy(folder / "shop.sqlite3")
        discs = "".join(f"D-{number},Disc,counted,each,,10,\n" for number in range(4))
        consumables = folder / "consumables.csv"
        consumables.write_text(
            f"code,name,kind,stock_unit,grade,life_minutes,shelf_life_days\n{discs}", encoding="utf-8"
        )
        command = [sys.executable, "manage.py", "import_csv", "consumables", str(consumables)]
        subprocess.run(command, cwd=PROJECT, env={**os.environ, "DATABASE_URL": url}, check=True)
        for what, row, last in (("bad rows", bad, ""), ("good rows", good, "J,D-0,x,\n")):
            path = folder / f"{what.partition(' ')[0]}.csv"
            write(path, row, size_bytes, last)
            measure(url, path, what)


if __name__ == "__main__":
    main()
