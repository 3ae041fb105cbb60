import django.core.validators
from django.db import migrations, models

LONGEST_DAYS = 36_500


def shorten(apps, schema_editor):
    """Shorten a shelf life that would lead beyond the last day that can be written."""
    consumables = apps.get_model('inventory', 'Consumable').objects.using(schema_editor.connection.alias)
    consumables.filter(shelf_life_days__gt=LONGEST_DAYS).update(shelf_life_days=LONGEST_DAYS)


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0009_refused_documents_by_id'),
    ]

    operations = [
        migrations.RunPython(shorten, migrations.RunPython.noop),
        migrations.AlterField(
            model_name='consumable',
            name='shelf_life_days',
            field=models.PositiveIntegerField(blank=True, null=True, validators=[django.core.validators.MaxValueValidator(LONGEST_DAYS)]),
        ),
    ]
