"""Job costs keep what their close said, so that a locked period reports the same after a job closes anew."""

import django.db.models.deletion
from django.db import migrations, models
from django.db.models import OuterRef, Subquery

FIELDS = ("closed_at", "van_id", "technician_id", "job_type_id", "damage_type_id", "glass_id", "outcome",
          "callback_of_id")
OUTCOMES = [("removed", "Removed"), ("reduced", "Reduced"), ("not removable", "Not Removable"),
            ("abandoned", "Abandoned")]


def key(to, **options):
    return models.ForeignKey(
        db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name="+", to=f"shop.{to}", **options
    )


def copy_from_jobs(apps, schema_editor):
    job = apps.get_model("shop", "Job").objects.filter(pk=OuterRef("job"))
    costs = apps.get_model("shop", "JobCost").objects
    costs.update(**{name: Subquery(job.values(name)[:1]) for name in FIELDS})
    # A job that was opened again has lost when and how its undone close ended.
    costs.filter(closed_at__isnull=True).update(closed_at=models.F("posted_at"))


class Migration(migrations.Migration):
    dependencies = [("shop", "0003_waiting_use")]
    operations = [
        migrations.AddField("jobcost", "closed_at", models.DateTimeField(null=True)),
        migrations.AddField("jobcost", "van", key("van", null=True)),
        migrations.AddField("jobcost", "technician", key("technician", null=True)),
        migrations.AddField("jobcost", "job_type", key("jobtype", null=True)),
        migrations.AddField("jobcost", "damage_type", key("damagetype", null=True)),
        migrations.AddField("jobcost", "glass", key("glasstype", null=True)),
        migrations.AddField(
            "jobcost", "outcome", models.CharField(choices=OUTCOMES, default="", max_length=16)
        ),
        migrations.AddField("jobcost", "callback_of", key("job", null=True)),
        migrations.RunPython(copy_from_jobs, migrations.RunPython.noop, elidable=True),
    ]
