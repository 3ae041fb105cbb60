"""Twenty processes closing jobs at once lose, double and halve nothing, on both databases."""

import csv
import io
import json
from collections import Counter
from decimal import Decimal

from tests.servers import run_manage, run_race
from tests.shop.closing_race import all_closes

COUNTS = """
import json
from inventory.models import Document, Holding, Movement, MovementValue, RefusedDocument
from shop.models import Job, JobCost, JobUse
print(json.dumps({
    "closed": Job.objects.filter(status="closed").count(),
    "documents": Document.objects.filter(kind="close").count(),
    "uses": JobUse.objects.count(),
    "movements": Movement.objects.filter(document__kind="close").count(),
    "values": MovementValue.objects.filter(movement__document__kind="close").count(),
    "costs": JobCost.objects.count(),
    "refused": RefusedDocument.objects.count(),
    "holdings": {
        f"{h.place.code} {h.consumable.code}": str(h.quantity)
        for h in Holding.objects.select_related("place", "consumable")
    },
}))
"""


def test_twenty_processes_closing_at_once_leave_each_close_exactly_once(migrated_url: str) -> None:
    run_race(migrated_url, "tests.shop.closing_race")
    closes = all_closes()
    found = json.loads(run_manage(migrated_url, "shell", "--no-imports", "-c", COUNTS).stdout)
    lines = sum(len(close.uses) for close in closes)
    holdings = found.pop("holdings")
    assert found == {
        "closed": len(closes),
        "documents": len(closes),
        "uses": lines,
        "movements": lines,
        "values": lines,
        "costs": len(closes),
        "refused": 0,
    }
    used: Counter[str] = Counter()
    for close in closes:
        for use in close.uses:
            used[f"{close.van} {use.consumable}"] += int(use.quantity)
    on_vans = {place: Decimal(quantity) for place, quantity in holdings.items() if place.startswith("VAN")}
    assert on_vans == {place: Decimal(-quantity) for place, quantity in used.items()}
    run_manage(migrated_url, "check_ledger")
    exported = run_manage(migrated_url, "export_costing", "--from=2026-05-01", "--to=2026-05-31").stdout
    rows = list(csv.DictReader(io.StringIO(exported)))
    assert {row["job"] for row in rows} == {close.job for close in closes}
    assert len(rows) == len(closes)
