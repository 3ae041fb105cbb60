"""Servers that browser tests look at, each a process of its own with a database and photos of its own."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.servers import PROJECT


@contextmanager
def serving(module: str, folder: Path) -> Iterator[str]:
    """Run a module that serves until its input ends, and give the line that it says first."""
    server = subprocess.Popen(
        [sys.executable, "-m", module],
        cwd=PROJECT,
        env={
            **os.environ,
            "DATABASE_URL": f"sqlite:///{folder / 'shop.sqlite3'}",
            "MEDIA_ROOT": str(folder / "media"),
        },
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    )
    assert server.stdin is not None
    assert server.stdout is not None
    try:
        line = server.stdout.readline().strip()
        assert line, "the server ended before it served; its errors are above"
        yield line
    finally:
        server.stdin.close()
        server.wait(timeout=60)
