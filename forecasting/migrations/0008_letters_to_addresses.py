from django.db import migrations, models

import forecasting.email_addresses


class Migration(migrations.Migration):
    dependencies = [("forecasting", "0007_purchases_without_their_rest")]

    operations = [
        migrations.AlterField(
            "stockingterms",
            "restock_emails",
            models.TextField(
                blank=True,
                help_text="who gets every van's list besides its technicians, separated by commas",
                validators=[forecasting.email_addresses.validate_addresses],
            ),
        ),
    ]
