from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0008_names_checked_as_formulas'),
    ]

    operations = [
        migrations.AddIndex(
            model_name='refuseddocument',
            index=models.Index(condition=models.Q(('resolved_at__isnull', True)), fields=['client_id'], name='refused_unresolved'),
        ),
    ]
