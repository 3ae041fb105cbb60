"""Lots keep the shelf life that their expiry was counted by; shop.0012 fills it in where that is known."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("inventory", "0006_books_time_zone")]

    operations = [
        migrations.AddField(
            model_name="lot",
            name="shelf_life_days",
            field=models.PositiveIntegerField(null=True),
        ),
    ]
