"""Uses that wait for their job to be closed."""

import django.db.models.deletion
import inventory.fields
import inventory.models
from decimal import Decimal
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0002_outside_places_and_guards'),
        ('shop', '0002_shop_and_types'),
    ]

    operations = [
        migrations.CreateModel(
            name='WaitingUse',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('job_reference', models.CharField(max_length=64, validators=[inventory.models.validate_code])),
                ('position', models.PositiveIntegerField(help_text='tells lines of one job and consumable apart')),
                ('quantity', inventory.fields.FixedPointField()),
                ('minutes', inventory.fields.FixedPointField(default=Decimal('0'))),
                ('recorded_at', models.DateTimeField()),
                ('consumable', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='inventory.consumable')),
            ],
            options={
                'ordering': ['job_reference', 'consumable__code', 'position'],
                'constraints': [models.UniqueConstraint(fields=('job_reference', 'consumable', 'position'), name='waiting_use_once'), models.CheckConstraint(condition=models.Q(('minutes__gte', 0), ('quantity__gte', 0)), name='waiting_use_not_negative')],
            },
        ),
    ]
