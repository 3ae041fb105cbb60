"""The four outside places, the row that says how the books are kept, and the append-only triggers."""

from django.db import migrations

from inventory.db import append_only

OUTSIDE = {
    "supplier": "Suppliers",
    "job": "Jobs",
    "lost": "Lost or found by counts",
    "scrapped": "Scrapped",
}


def add_rows(apps, schema_editor):
    place = apps.get_model("inventory", "Place")
    for kind, name in OUTSIDE.items():
        place.objects.get_or_create(kind=kind, defaults={"code": kind, "name": name})
    apps.get_model("inventory", "Books").objects.get_or_create(pk=1)


def install_guards(apps, schema_editor):
    append_only.install(schema_editor.connection)


def remove_guards(apps, schema_editor):
    append_only.remove(schema_editor.connection)


class Migration(migrations.Migration):
    dependencies = [("inventory", "0001_initial")]
    operations = [
        migrations.RunPython(add_rows, migrations.RunPython.noop),
        migrations.RunPython(install_guards, remove_guards),
    ]
