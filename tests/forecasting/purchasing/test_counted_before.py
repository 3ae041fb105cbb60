"""A delivery dated before a count of the depot is asked about, and booked as the answer says."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.test import Client
from django.utils import timezone

from forecasting.models import Purchase
from inventory import ledger
from inventory.documents import Count, CountedLine
from inventory.models import Document
from shop.models import Person, Role
from tests.forecasting.purchase_shop import DISC, a_draft, depot_stock, line
from tests.forecasting.purchasing.test_views import bring, delivery
from tests.shop.api.served_shop import PEOPLE, signed_in

pytestmark = pytest.mark.django_db

ASKED = "Was it on the shelf then?"


@pytest.fixture
def purchase() -> Purchase:
    """Send an order of 3 boxes of 25 discs; the depot was counted an hour ago and held its 150."""
    for name, role in PEOPLE.items():
        Person.objects.create(username=name, role=Role(role))
    purchase = a_draft()
    bring(purchase)
    now = timezone.now()
    counted = (CountedLine("depot", DISC, Decimal(150)),)
    ledger.post(Count("C-1", now - timedelta(hours=1), counted), now=now)
    return purchase


def fields_of(purchase: Purchase, **changes: str) -> dict[str, str]:
    """Return a delivery of all that came two hours ago."""
    came = timezone.localtime() - timedelta(hours=2)
    return delivery(purchase, occurred_at=f"{came:%Y-%m-%dT%H:%M}", **changes)


def sent(purchase: Purchase, fields: dict[str, str]) -> str:
    """Send the form; return the page it leads to."""
    client: Client = signed_in("sue")
    return client.post(f"/purchases/{purchase.pk}/receive/", fields, follow=True).content.decode()


def booked() -> bool:
    return Document.objects.filter(kind="receipt", client_id="PO-2026-0001-1").exists()


@pytest.mark.parametrize("answer", [{}, {"counted": "by:C-9"}, {"counted": "x"}, {"sure": "1"}])
def test_without_an_answer_nothing_is_booked_and_what_would_be_lost_is_said(
    purchase: Purchase, answer: dict[str, str]
) -> None:
    page = sent(purchase, fields_of(purchase) | answer)
    assert ASKED in page
    assert "75 each" in page
    assert "C-1" in page
    assert not booked()
    assert depot_stock() == 150


def test_what_was_not_on_the_shelf_is_in_stock_and_its_count_corrected(purchase: Purchase) -> None:
    fields = fields_of(purchase) | {"counted": "never"}
    assert "Booked." in sent(purchase, fields)
    assert depot_stock() == 225
    corrected = Document.objects.filter(corrected_by__isnull=False)
    assert list(corrected.values_list("kind", "client_id")) == [("count", "C-1")]
    written = Document.objects.count()
    # Sent twice it counts once, and is not asked about again.
    assert "That was booked already." in sent(purchase, fields)
    assert depot_stock() == 225
    assert Document.objects.count() == written
    purchase.refresh_from_db()
    assert purchase.status == "received"
    assert line(purchase).received_units == 75


def test_what_the_count_saw_is_booked_and_flagged_as_lost(purchase: Purchase) -> None:
    page = sent(purchase, fields_of(purchase) | {"counted": "by:C-1"})
    assert "Booked." in page
    assert "75 of disc-p400 count as lost" in page
    assert depot_stock() == 150
    assert not Document.objects.filter(kind="correction").exists()


def test_what_differs_from_the_order_is_asked_about_too_and_the_answer_is_kept(purchase: Purchase) -> None:
    fields = fields_of(purchase) | {f"packs-{line(purchase).pk}": "2", "counted": "never"}
    page = sent(purchase, fields)
    assert "This differs from the order:" in page
    assert ASKED in page
    assert 'value="never" checked' in page
    assert not booked()
    assert "Booked." in sent(purchase, fields | {"sure": "1"})
    assert depot_stock() == 200


def test_a_delivery_of_after_the_count_is_not_asked_about(purchase: Purchase) -> None:
    page = sent(purchase, delivery(purchase))
    assert "Booked." in page
    assert depot_stock() == 225
