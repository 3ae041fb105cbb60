"""Job costs keep the minutes that their documents posted; those of old ones are read from the closes."""

import json
from decimal import Decimal
from typing import Any

from django.db import migrations

import inventory.db.fixed_point

CHUNK = 1000


def fill(apps: Any, schema_editor: Any) -> None:
    costs = apps.get_model("shop", "JobCost").objects.exclude(jobs=0).select_related("document__corrects")
    last = 0
    while chunk := list(costs.filter(pk__gt=last).order_by("pk")[:CHUNK]):
        last = chunk[-1].pk
        for cost in chunk:
            close = cost.document.corrects or cost.document
            said = json.loads(close.content["content"])
            cost.labour_minutes = cost.jobs * Decimal(said["labour_minutes"])
        costs.model.objects.bulk_update(chunk, ["labour_minutes"], batch_size=200)


class Migration(migrations.Migration):
    dependencies = [("shop", "0008_jobs_by_damage_and_by_status")]

    operations = [
        migrations.AddField(
            model_name="jobcost",
            name="labour_minutes",
            field=inventory.db.fixed_point.FixedPointField(default=Decimal("0")),
        ),
        migrations.RunPython(fill, migrations.RunPython.noop),
    ]
