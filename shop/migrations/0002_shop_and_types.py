"""The one shop, the damage types, and common glass types with the caution that goes with each."""

from django.db import migrations

DAMAGE = ("scratch", "scuff", "acid etch", "graffiti", "mineral staining", "failed coating", "other")
GLASS = {
    "laminated": "Heat harms the plastic interlayer: keep it wet and keep moving.",
    "tempered": "Heat-treated glass cannot be cut or deeply ground.",
    "annealed": "Uneven heat cracks it: keep it wet and keep moving.",
    "coated": "The coating is lost where it is polished and needs renewing.",
}


def add_rows(apps, schema_editor):
    apps.get_model("shop", "Shop").objects.get_or_create(pk=1)
    for code in DAMAGE:
        apps.get_model("shop", "DamageType").objects.get_or_create(code=code)
    for code, caution in GLASS.items():
        apps.get_model("shop", "GlassType").objects.get_or_create(code=code, defaults={"caution": caution})


class Migration(migrations.Migration):
    dependencies = [("shop", "0001_initial"), ("inventory", "0002_outside_places_and_guards")]
    operations = [migrations.RunPython(add_rows, migrations.RunPython.noop)]
