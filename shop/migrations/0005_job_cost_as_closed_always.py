"""Every job cost keeps what its close said; on its own, as PostgreSQL alters no table with rows just changed."""

import django.db.models.deletion
from django.db import migrations, models

OUTCOMES = [("removed", "Removed"), ("reduced", "Reduced"), ("not removable", "Not Removable"),
            ("abandoned", "Abandoned")]


def key(to):
    return models.ForeignKey(
        db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name="+", to=f"shop.{to}"
    )


class Migration(migrations.Migration):
    dependencies = [("shop", "0004_job_cost_as_closed")]
    operations = [
        migrations.AlterField("jobcost", "closed_at", models.DateTimeField()),
        migrations.AlterField("jobcost", "van", key("van")),
        migrations.AlterField("jobcost", "technician", key("technician")),
        migrations.AlterField("jobcost", "job_type", key("jobtype")),
        migrations.AlterField("jobcost", "damage_type", key("damagetype")),
        migrations.AlterField("jobcost", "glass", key("glasstype")),
        migrations.AlterField("jobcost", "outcome", models.CharField(choices=OUTCOMES, max_length=16)),
    ]
