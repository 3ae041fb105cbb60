from django.db import migrations, models

import inventory.db.fixed_point


class Migration(migrations.Migration):
    dependencies = [("forecasting", "0008_letters_to_addresses")]

    operations = [
        migrations.AddField("restockline", "by_hand", models.BooleanField(default=False)),
        migrations.AddField("restockline", "changed_to", inventory.db.fixed_point.FixedPointField(null=True)),
        migrations.AddConstraint(
            "restockline",
            models.CheckConstraint(
                condition=models.Q(changed_to__isnull=True) | models.Q(changed_to__gte=0),
                name="restock_changed_to_not_negative",
            ),
        ),
    ]
