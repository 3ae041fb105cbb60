from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('shop', '0007_devices_letters_and_length_units'),
    ]

    operations = [
        migrations.AddIndex(
            model_name='job',
            index=models.Index(fields=['damage_type', 'closed_at'], name='job_damage_closed'),
        ),
        migrations.AddIndex(
            model_name='job',
            index=models.Index(fields=['status', 'booked_for'], name='job_status_booked'),
        ),
    ]
