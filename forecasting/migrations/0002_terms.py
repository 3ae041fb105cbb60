from django.db import migrations


def add_terms(apps, schema_editor):
    apps.get_model("forecasting", "StockingTerms").objects.create(pk=1)


class Migration(migrations.Migration):
    dependencies = [("forecasting", "0001_initial")]

    operations = [migrations.RunPython(add_terms, migrations.RunPython.noop)]
