from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("forecasting", "0009_changed_restock_drafts")]

    operations = [
        migrations.CreateModel(
            "PurchaseLeftOut",
            [
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("consumable", models.CharField(blank=True, max_length=64)),
                ("supplier", models.CharField(blank=True, max_length=64)),
                ("reason", models.TextField()),
                ("at", models.DateTimeField()),
            ],
            options={"ordering": ["pk"]},
        ),
    ]
