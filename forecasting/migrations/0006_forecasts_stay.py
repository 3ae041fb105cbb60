"""What a run notes, and the triggers that keep runs and forecasts as they were made."""

from django.db import migrations, models

from forecasting.append_only import FORECASTS


def install_guards(apps, schema_editor):
    FORECASTS.install(schema_editor.connection)


def remove_guards(apps, schema_editor):
    FORECASTS.remove(schema_editor.connection)


class Migration(migrations.Migration):
    dependencies = [("forecasting", "0005_purchase_terms_and_prices")]
    operations = [
        migrations.AddField(
            model_name="forecastrun",
            name="noted",
            field=models.JSONField(default=dict, help_text="vans, weeks ahead and bookings when it was made"),
        ),
        migrations.RunPython(install_guards, remove_guards),
    ]
