"""Very large files of uses: seconds, peak memory and lines printed.

Run as `python -m tests.benchmarks.import_size [--megabytes N | --tiny]`. Bad rows; good ones that end in one
bad one, so that all are read and nothing is written; and good ones that are written, to wait for their jobs.
Each comes in a file of N megabytes and in one of a quarter of that, in a process of its own, to see how far
the peak grows with the file.
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


def measure(url: str, path: Path, name: str, flags: tuple[str, ...], end: bytes) -> float:
    """Import a file; print what it took, and return the peak of memory in MB."""
    command = [sys.executable, "manage.py", "import_csv", "uses", str(path), *flags]
    start = time.perf_counter()
    with path.with_suffix(".log").open("w+b") as log:
        process = subprocess.Popen(
            command, cwd=PROJECT, env={**os.environ, "DATABASE_URL": url}, stdout=log, stderr=log
        )
        _, _, usage = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - start
        log.seek(0)
        lines = log.read().splitlines()
    if not any(end in line for line in lines):
        raise SystemExit(f"{name} ended otherwise: {b' / '.join(lines[-3:]).decode()}")
    peak = usage.ru_maxrss / 1024
    print(
        f"  {name}: {path.stat().st_size / 1e6:,.1f} MB, {seconds:.1f} s ({usage.ru_utime:.1f} s of CPU), "
        f"peak {peak:,.0f} MB, {len(lines)} lines; {lines[-1].decode()[-120:]}",
        flush=True,
    )
    return peak


def main(arguments: list[str] | None = None) -> None:
    """Write the files and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=int, default=184)
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    options = parser.parse_args(arguments)
    size_bytes = 10_000 if options.tiny else options.megabytes * 1_000_000
    sizes_bytes = (size_bytes // 4, size_bytes)
    nothing = b"nothing was written"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for what, row, last, flags, end in (
            ("bad rows", bad, "", (), nothing),
            ("good rows and a bad one", good, "J,D-0,x,\n", (), nothing),
            ("good rows", good, "", ("--create-missing",), b"were kept waiting"),
        ):
            peaks = []
            for size in sizes_bytes:
                path = folder / "uses.csv"
                write(path, row, size, last)
                peaks.append(measure(_shop(folder), path, what, flags, end))
            grown = (peaks[1] - peaks[0]) / ((sizes_bytes[1] - sizes_bytes[0]) / 1e6)
            print(f"    the peak grows by {grown:.2f} MB for each MB of the file", flush=True)


def _shop(folder: Path) -> str:
    """Make a shop that knows four discs; return the address of its database."""
    database = folder / "shop.sqlite3"
    for file in folder.glob("shop.sqlite3*"):
        file.unlink()
    url = migrated_sqlite_copy(database)
    discs = "".join(f"D-{number},Disc,counted,each,,10,\n" for number in range(4))
    consumables = folder / "consumables.csv"
    consumables.write_text(
        f"code,name,kind,stock_unit,grade,life_minutes,shelf_life_days\n{discs}", encoding="utf-8"
    )
    command = [sys.executable, "manage.py", "import_csv", "consumables", str(consumables)]
    subprocess.run(
        command, cwd=PROJECT, env={**os.environ, "DATABASE_URL": url}, check=True, stdout=subprocess.DEVNULL
    )
    return url


if __name__ == "__main__":
    main()
