"""The invented shop's suppliers have terms and prices, added once."""

import json
from io import StringIO

import pytest
from django.core.management import call_command

from forecasting.management.commands.demo_terms import TERMS
from forecasting.models import ConsumableTerms, PackTerms, PriceBreak, SupplierTerms
from forecasting.purchasing.inputs import price_list_of
from inventory.models import Consumable, ConsumableKind, Pack, Supplier


def demo_terms() -> str:
    """Run the command and return what it says."""
    said = StringIO()
    call_command("demo_terms", stdout=said)
    return said.getvalue()


@pytest.mark.django_db
def test_terms_are_added_once_and_a_changed_price_is_left_alone() -> None:
    facts = json.loads(TERMS.read_text(encoding="utf-8"))
    for code in facts["suppliers"]:
        Supplier.objects.create(code=code)
    for row in facts["packs"]:
        consumable, _ = Consumable.objects.get_or_create(
            code=row["consumable"],
            defaults={"name": row["consumable"], "kind": ConsumableKind.COUNTED, "stock_unit": "each"},
        )
        supplier = Supplier.objects.get(code=row["supplier"])
        Pack.objects.create(supplier=supplier, consumable=consumable, name=row["name"], stock_units=1)
    assert demo_terms() == f"Prices of {len(facts['packs'])} packs added.\n"
    assert SupplierTerms.objects.count() == len(facts["suppliers"])
    units = dict(ConsumableTerms.objects.values_list("consumable__code", "usable_unit"))
    assert set(units) == set(facts["consumables"])
    assert units["C-CUT"] == 250
    assert ConsumableTerms.objects.get(consumable__code="B-PAD").stops_a_job
    assert PriceBreak.objects.count() == sum(len(row.get("breaks", ())) for row in facts["packs"])
    for terms in PackTerms.objects.prefetch_related("breaks"):
        assert len(price_list_of(terms).breaks) == terms.breaks.count()
    PackTerms.objects.update(price=1)
    assert demo_terms() == "Prices of 0 packs added.\n"
    assert not PackTerms.objects.exclude(price=1).exists()
