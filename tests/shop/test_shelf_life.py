"""A shelf life ends on a day that can be written, wherever it is set; a longer stored one is shortened."""

import json
from datetime import timedelta
from importlib import import_module
from types import SimpleNamespace

import pytest
from django.apps import apps
from django.db import connection
from django.urls import reverse

from inventory.models import LONGEST_SHELF_LIFE_DAYS, Consumable, Lot
from tests.inventory.small_shop import day
from tests.shop.api.served_shop import BODIES, open_served_shop, put, signed_in, stock_body

pytestmark = pytest.mark.django_db

COMPOUND = {"name": "Compound", "kind": "measured", "stock_unit": "ml"}


@pytest.fixture(autouse=True)
def served() -> None:
    open_served_shop()


@pytest.mark.parametrize("days", [LONGEST_SHELF_LIFE_DAYS + 1, 3_000_000, 2**31 - 1])
def test_a_shelf_life_beyond_a_century_is_refused_in_form_and_api(days: int) -> None:
    owner = signed_in("olga")
    compound = Consumable.objects.get(code="compound")
    before = compound.shelf_life_days
    body = json.dumps({**COMPOUND, "shelf_life_days": days})
    answer = owner.put("/api/v1/consumables/compound", body, content_type="application/json")
    assert answer.status_code == 400
    assert "shelf_life_days" in answer.content.decode()
    form = reverse("admin:inventory_consumable_change", args=[compound.pk])
    assert owner.post(form, {**COMPOUND, "shelf_life_days": days}).status_code == 200
    compound.refresh_from_db()
    assert compound.shelf_life_days == before


def test_the_longest_shelf_life_ends_on_a_day_of_its_own() -> None:
    body = json.dumps({**COMPOUND, "shelf_life_days": LONGEST_SHELF_LIFE_DAYS})
    owner = signed_in("olga")
    assert owner.put("/api/v1/consumables/compound", body, content_type="application/json").status_code == 200
    line = {"consumable": "compound", "quantity": 5, "cost": "10"}
    assert put("olga", "receipt", "R-9", {**BODIES["receipt"](), "lines": [line]}).status_code == 201
    lot = Lot.objects.get(document__client_id="R-9")
    assert lot.expires_on == day(12).date() + timedelta(days=LONGEST_SHELF_LIFE_DAYS)


def test_a_longer_one_that_is_stored_is_shortened_so_that_receipts_post_again() -> None:
    Consumable.objects.filter(code="compound").update(shelf_life_days=2**31 - 1)
    migration = import_module("inventory.migrations.0010_shelf_life_of_a_century")
    migration.shorten(apps, SimpleNamespace(connection=connection))
    assert Consumable.objects.get(code="compound").shelf_life_days == LONGEST_SHELF_LIFE_DAYS
    body = stock_body(supplier="maker", place="depot")
    body["lines"] = [{"consumable": "compound", "quantity": 5, "cost": "10"}]
    assert put("olga", "receipt", "R-9", body).status_code == 201
