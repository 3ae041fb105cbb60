from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("forecasting", "0003_restock_settings_and_differences")]

    operations = [
        migrations.AlterField("periodwork", "period", models.CharField(max_length=100)),
        migrations.RenameField("letter", "sending_since", "alive_at"),
        migrations.AlterField(
            "letter",
            "alive_at",
            models.DateTimeField(help_text="when whoever sends it last said so", null=True),
        ),
        migrations.AddField("letter", "accepted", models.JSONField(default=list)),
        migrations.AddField(
            "letter",
            "asked_by",
            models.CharField(blank=True, help_text="who had it sent once more", max_length=150),
        ),
        migrations.AddConstraint(
            "letter",
            models.UniqueConstraint(
                condition=models.Q(("resends__isnull", True)),
                fields=("restock",),
                name="restock_letter_once",
            ),
        ),
    ]
