"""Whether a quantity must be whole is decided in one place: for ledger, files, closes and restocks."""

from decimal import Decimal
from pathlib import Path

import pytest

from inventory.models import Consumable, ConsumableKind

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("kind", "quantity", "problem"),
    [
        (ConsumableKind.COUNTED, "1.5", "is not whole; D-P400 is counted"),
        (ConsumableKind.WORN, "0.0001", "is not whole; D-P400 is worn"),
        (ConsumableKind.COUNTED, "2.0000", None),
        (ConsumableKind.COUNTED, "-0.5", "is not whole; D-P400 is counted"),
        (ConsumableKind.MEASURED, "1.5", None),
        # Too large to divide with 28 digits, and no number at all: others say what is wrong with these.
        (ConsumableKind.COUNTED, "1E+40", None),
        (ConsumableKind.COUNTED, "NaN", None),
        (ConsumableKind.COUNTED, "Infinity", None),
    ],
)
def test_only_what_is_measured_comes_in_parts(kind: str, quantity: str, problem: str | None) -> None:
    assert Consumable(code="D-P400", kind=kind).whole_problem(Decimal(quantity)) == problem


def test_nobody_else_compares_kinds_to_decide_it() -> None:
    sources = [
        path
        for app in ("inventory", "shop", "forecasting")
        for path in (ROOT / app).rglob("*.py")
        if "migrations" not in path.parts
    ]
    deciding = [path for path in sources if "ConsumableKind.MEASURED" in path.read_text()]
    assert [path.relative_to(ROOT).parts[0] for path in deciding] == ["inventory"]
    assert "models" in str(deciding[0].relative_to(ROOT))
