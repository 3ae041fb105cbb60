"""The shop reads its time zone from its books, so that there is one of it."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("shop", "0010_time_zone_of_the_books")]

    operations = [
        migrations.RemoveField(model_name="shop", name="time_zone"),
        migrations.AddField(
            model_name="shop",
            name="books",
            field=models.OneToOneField(
                default=1,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="inventory.books",
            ),
        ),
    ]
