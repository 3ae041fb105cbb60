"""python manage.py demo_terms: give the invented shop's consumables, suppliers and packs their terms."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand
from django.db import transaction

from forecasting.models import ConsumableTerms, DiscountKind, PackTerms, PriceBreak, SupplierTerms
from inventory.models import Consumable, Pack, Supplier
from shop.common.text import counted

TERMS = Path(__file__).resolve().parents[3] / "fixtures" / "demo" / "terms.json"


class Command(BaseCommand):
    """The demo command runs this; what a person has changed since is left alone."""

    help = "Give the invented demo shop its delivery times, least orders, prices and usable units."

    def handle(self, *args: Any, **options: Any) -> None:
        """Add what is missing, all or nothing."""
        facts = json.loads(TERMS.read_text(encoding="utf-8"))
        suppliers = {row.code: row for row in Supplier.objects.all()}
        packs = {
            (pack.supplier.code, pack.consumable.code, pack.name): pack
            for pack in Pack.objects.select_related("supplier", "consumable")
        }
        added = 0
        with transaction.atomic():
            for code, terms in facts["suppliers"].items():
                if code in suppliers:
                    SupplierTerms.objects.get_or_create(
                        supplier=suppliers[code],
                        defaults={
                            "lead_days": terms["lead_days"],
                            "least_order_value": Decimal(terms["least_order_value"]),
                            "order_cost": Decimal(terms["order_cost"]),
                        },
                    )
            for consumable in Consumable.objects.filter(code__in=facts["consumables"]):
                terms = facts["consumables"][consumable.code]
                ConsumableTerms.objects.get_or_create(
                    consumable=consumable,
                    defaults={
                        "usable_unit": Decimal(terms.get("usable_unit", 1)),
                        "stops_a_job": terms.get("stops_a_job", False),
                    },
                )
            for row in facts["packs"]:
                if pack := packs.get((row["supplier"], row["consumable"], row["name"])):
                    added += self._price(pack, row)
        self.stdout.write(f"Prices of {counted(added, 'pack')} added.")

    def _price(self, pack: Pack, row: dict[str, Any]) -> bool:
        discount = row.get("discount", DiscountKind.ALL_UNITS)
        terms, made = PackTerms.objects.get_or_create(
            pack=pack, defaults={"price": Decimal(row["price"]), "discount": discount}
        )
        if made:
            PriceBreak.objects.bulk_create(
                PriceBreak(terms=terms, from_packs=packs, price=Decimal(price))
                for packs, price in row.get("breaks", ())
            )
        return made
