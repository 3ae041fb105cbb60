"""The shop's time zone goes to the books, which need it for the days of late documents and of lots."""

from typing import Any

from django.db import migrations


def to_books(apps: Any, schema_editor: Any) -> None:
    for zone in apps.get_model("shop", "Shop").objects.values_list("time_zone", flat=True):
        apps.get_model("inventory", "Books").objects.update(time_zone=zone)


def to_shop(apps: Any, schema_editor: Any) -> None:
    for zone in apps.get_model("inventory", "Books").objects.values_list("time_zone", flat=True):
        apps.get_model("shop", "Shop").objects.update(time_zone=zone)


class Migration(migrations.Migration):
    dependencies = [
        ("shop", "0009_labour_minutes_as_posted"),
        ("inventory", "0006_books_time_zone"),
    ]

    operations = [migrations.RunPython(to_books, to_shop)]
