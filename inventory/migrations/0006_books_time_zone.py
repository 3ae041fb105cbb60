"""The books know whose clocks say when days begin; the shop's setting is taken over by its own migration."""

from django.db import migrations, models

import inventory.models


class Migration(migrations.Migration):
    dependencies = [("inventory", "0005_lot_checkpoints")]

    operations = [
        migrations.AddField(
            model_name="books",
            name="time_zone",
            field=models.CharField(
                default="UTC",
                help_text="whose clocks say when the shop's days begin",
                max_length=64,
                validators=[inventory.models.validate_time_zone],
            ),
        ),
    ]
