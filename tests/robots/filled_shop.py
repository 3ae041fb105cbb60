"""A shop with something on every page of every role: lists have rows, steps one that may take them."""

from collections.abc import Callable
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from django.utils import timezone

from forecasting.models import (
    ForecastRun,
    Letter,
    LetterState,
    PackTerms,
    PriceBreak,
    Purchase,
    Restock,
    RestockLine,
    SupplierTerms,
)
from forecasting.outbox.messages import write_letter
from forecasting.outbox.weekly_list import compose
from forecasting.purchasing import approval as purchase_approving
from forecasting.purchasing import dispatch
from forecasting.purchasing.approval import OrderChanges
from forecasting.purchasing.drafts import begin_order
from forecasting.replenishment import approval, pick_ship_receive
from forecasting.replenishment.drafts import week_of
from inventory.models import Consumable, LowLevel, Pack, Place, Supplier
from shop.models import Person, Role
from shop.people.tokens import make_token
from tests.browser.desk_server import fill_shop

DISC = "disc-p400"
Step = Callable[..., Any]


def open_filled_shop() -> None:
    """Fill the shop of the browser tests, with each step of restocks, purchases, people and letters."""
    fill_shop()
    now = timezone.now()
    _sell()
    LowLevel.objects.create(
        place=Place.objects.get(code="van-a"),
        consumable=Consumable.objects.get(code=DISC),
        quantity=Decimal(20),
    )
    _restocks(now)
    _purchases(now)
    _people()


def _sell() -> None:
    """Let a supplier sell boxes, cheaper by the ten."""
    maker = Supplier.objects.get(code="maker")
    Supplier.objects.filter(pk=maker.pk).update(email="orders@maker.example.org")
    SupplierTerms.objects.get_or_create(supplier=maker, defaults={"lead_days": 7})
    pack = Pack.objects.create(
        supplier=maker, consumable=Consumable.objects.get(code=DISC), name="box", stock_units=Decimal(25)
    )
    terms = PackTerms.objects.create(pack=pack, price=Decimal(60))
    PriceBreak.objects.create(terms=terms, from_packs=10, price=Decimal(55))


def _restocks(now: datetime) -> None:
    """Make a restock of van-a in each state, a week each; the draft is of this week, with one for van-b."""
    run = ForecastRun.objects.order_by("-pk").first()
    assert run is not None
    who: dict[str, Any] = {"by": "sue", "now": now}
    some, fewer = {DISC: Decimal(3)}, {DISC: Decimal(2)}
    states: list[list[tuple[Step, Any]]] = [
        [],
        [(approval.approve, some)],
        [(approval.approve, some), (pick_ship_receive.pick, some)],
        [(approval.approve, some), (pick_ship_receive.pick, some), (pick_ship_receive.confirm, fewer)],
        [(approval.cancel, None)],
    ]
    for weeks_ago, steps in enumerate(states):
        period = week_of((now - timedelta(weeks=weeks_ago)).date())
        restock, _ = Restock.objects.get_or_create(
            van=Place.objects.get(code="van-a"),
            period=period,
            defaults={"depot": Place.objects.get(code="depot"), "run": run, "inputs": {}, "made_at": now},
        )
        RestockLine.objects.get_or_create(
            restock=restock,
            consumable=Consumable.objects.get(code=DISC),
            defaults={
                "service_class": "A",
                "service": Decimal("0.95"),
                "on_hand": Decimal(6),
                "on_the_way": Decimal(0),
                "booked_need": Decimal(0),
                "median": Decimal(9),
                "high": Decimal(18),
                "order_up_to": Decimal(18),
                "wanted": Decimal(12),
                "suggested": Decimal(12),
                "unit_cost": Decimal(2),
                "why": "12 are missing.",
            },
        )
        for step, given in steps:
            step(restock.pk, **({} if given is None else {"quantities": given}), **who)
        letter = write_letter(
            f"restock {restock.pk} by hand",
            ["ann@example.org"],
            compose(restock, now),
            restock=restock,
            now=now,
        )
        state = list(LetterState)[weeks_ago % len(LetterState)]
        Letter.objects.filter(pk=letter.pk).update(
            state=state, sent_at=now if state == LetterState.SENT else None
        )


def _purchases(now: datetime) -> None:
    """Make a purchase in each state."""
    Purchase.objects.all().delete()
    who: dict[str, Any] = {"by": "sue", "now": now}
    maker = Supplier.objects.get(code="maker")
    pack = Pack.objects.get(supplier=maker)
    approve = purchase_approving.approve
    states: list[list[tuple[Step, dict[str, Any]]]] = [
        [(purchase_approving.cancel, {})],
        [(approve, {}), (dispatch.send, {})],
        [(approve, {}), (dispatch.mark_as_sent, {"how": "by telephone"})],
        [(approve, {})],
        [],
    ]
    for steps in states:
        purchase = begin_order(maker, today=timezone.localdate(), **who)
        purchase_approving.change(purchase.pk, OrderChanges({}, added=[(pack.pk, 2)]), **who)
        for step, given in steps:
            step(purchase.pk, **given, **who)


def _people() -> None:
    """Give everybody a password and a token, and have people in each state of joining and leaving."""
    for person in list(Person.objects.all()):
        person.email = f"{person.username}@example.org"
        person.set_password("a-Long-enough-1-to-keep")
        person.save()
        make_token(person, "an old phone", 30)
    Person.objects.create(username="gus", role=Role.TECHNICIAN, is_active=False)
    invited = Person.objects.create(
        username="ivy", role=Role.STOREKEEPER, email="ivy@example.org", invited_at=timezone.now()
    )
    invited.set_unusable_password()
    invited.save()
