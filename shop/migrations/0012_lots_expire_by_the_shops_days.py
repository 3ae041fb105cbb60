"""Lots whose expiry was counted from the sender's day are dated from the shop's, and keep their shelf life.

A consumable that keeps another time since then does not tell what its older lots were counted by; these stay
as they are, and the page of their receipt says that they may be a day off.
"""

from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import migrations
from django.db.models import Q

CHUNK = 1000
# A sender's clocks and the shop's are at most this many days apart; more is no matter of clocks.
DAYS_APART = 2


def redate(apps: Any, schema_editor: Any) -> None:
    lots = apps.get_model("inventory", "Lot").objects.filter(expires_on__isnull=False)
    lots = lots.filter(consumable__shelf_life_days__isnull=False).exclude(consumable__in=_changed(apps))
    zone = ZoneInfo(apps.get_model("inventory", "Books").objects.get().time_zone)
    moved = False
    last = 0
    while chunk := list(lots.filter(pk__gt=last).select_related("document", "consumable").order_by("pk")[:CHUNK]):
        last = chunk[-1].pk
        counted = []
        for lot in chunk:
            if lot.document.content["lines"][lot.line - 1]["expires_on"]:
                continue
            days = lot.consumable.shelf_life_days
            due = lot.document.occurred_at.astimezone(zone).date() + timedelta(days=days)
            if abs(due - lot.expires_on).days <= DAYS_APART:
                moved = moved or due != lot.expires_on
                lot.expires_on, lot.shelf_life_days = due, days
                counted.append(lot)
        lots.model.objects.bulk_update(counted, ["expires_on", "shelf_life_days"], batch_size=200)
    if moved:
        apps.get_model("inventory", "LotCheckpoint").objects.all().delete()


def _changed(apps: Any) -> list[int]:
    """Return the ids of the consumables whose shelf life may have been another one before."""
    log = apps.get_model("admin", "LogEntry").objects.filter(
        Q(change_message__contains="Shelf life days") | Q(change_message="by the API"),
        content_type__app_label="inventory",
        content_type__model="consumable",
        action_flag=2,
    )
    return [int(key) for key in set(log.values_list("object_id", flat=True))]


class Migration(migrations.Migration):
    dependencies = [
        ("shop", "0011_shop_names_its_books"),
        ("inventory", "0007_lot_shelf_life"),
        ("admin", "0003_logentry_add_action_flag_choices"),
        ("contenttypes", "0002_remove_content_type_name"),
    ]

    operations = [migrations.RunPython(redate, migrations.RunPython.noop)]
