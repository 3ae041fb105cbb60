"""The demo shop loads through the usual doors, once, and its books agree."""

from datetime import date, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from inventory import ledger
from inventory.models import Document
from shop.management import demo_data
from shop.models import Finding, Job, Person, Role
from shop.profitability.margins import margin_report
from tests import factories


@pytest.mark.slow
@pytest.mark.django_db
@pytest.mark.same_on_each_database
def test_the_demo_shows_a_shop_whose_books_agree() -> None:
    shown = StringIO()
    call_command("demo", "--no-serve", stdout=shown)
    text = shown.getvalue()
    for part in ("Margin by damage type", "Stock by place", "Low", "VAN-4", "graffiti"):
        assert part in text
    checked = StringIO()
    call_command("check_ledger", stdout=checked)
    assert "everything agrees" in checked.getvalue()
    assert set(Person.objects.values_list("role", flat=True)) == set(Role.values)
    assert not any(person.check_password("") for person in Person.objects.all())
    assert Finding.objects.filter(code="minutes exceed discs").count() > 50
    margins = {group.label: group.ratio or 0.0 for group in margin_report("damage_type")}
    assert margins["acid etch"] < margins["scratch"] < margins["graffiti"]
    assert all(group.low is not None for group in margin_report("customer"))
    callbacks = Job.objects.filter(callback_of__isnull=False)
    assert all(job.original is not None for job in callbacks.select_related("original"))
    booked = Job.objects.filter(booked_for__isnull=False).order_by("reference")
    days = [job.booked_for for job in booked if job.booked_for]
    assert [(day - days[0]).days for day in days] == [0, 0, 0, 1, 1, 2, 2, 3]
    documents = Document.objects.count()
    assert demo_data.load() is False
    assert Document.objects.count() == documents


@pytest.mark.parametrize(
    ("today", "put_off"), [("2026-10-30", 0), ("2026-11-02", 0), ("2026-11-03", 1), ("2027-01-05", 64)]
)
def test_bookings_are_put_off_until_none_is_past(today: str, put_off: int) -> None:
    days = [date(2026, 11, 5), date(2026, 11, 2)]
    assert demo_data.until_ahead(days, date.fromisoformat(today)) == timedelta(days=put_off)


@pytest.mark.django_db
def test_the_demo_is_not_loaded_over_another_shop() -> None:
    factories.make_shop()
    ledger.post(factories.receipt("R-1", 0, (factories.DISC, 25, "30.00")))
    with pytest.raises(CommandError, match="a shop of its own"):
        call_command("demo", "--no-serve", stdout=StringIO())
    assert Document.objects.count() == 1
