"""Every benchmark runs with --tiny: one that nobody runs breaks at a later change, and nobody notices.

The benchmarks are the modules of tests/benchmarks that have a `main`; the others only help them.
"""

import re
from importlib import import_module

import pytest

from tests.servers import PROJECT

MODULES = {
    path.stem: import_module(f"tests.benchmarks.{path.stem}")
    for path in sorted((PROJECT / "tests" / "benchmarks").glob("*.py"))
}
BENCHMARKS = [name for name, module in MODULES.items() if hasattr(module, "main")]
# A number that was measured has decimals.
FIGURE = re.compile(r"\d\.\d")


def test_there_are_benchmarks() -> None:
    assert {"closes", "reads"} <= set(BENCHMARKS)
    assert not {"large_history", "wide_books", "wide_shop"} & set(BENCHMARKS)


@pytest.mark.slow
@pytest.mark.parametrize("name", BENCHMARKS)
def test_a_benchmark_runs(name: str, capfd: pytest.CaptureFixture[str]) -> None:
    MODULES[name].main(["--tiny"])
    assert FIGURE.search(capfd.readouterr().out)
