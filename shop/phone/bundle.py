"""The data that a technician's phone needs to work without signal, as plain JSON values.

Everything is bounded: the van's open jobs up to tomorrow, the catalogue, the latest closes, and what was
done in the last days (shop.phone.after_close). The number of queries and their size do not grow with the
history.
"""

from collections import defaultdict
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from django.db.models import F, Q

from inventory.items.grit_grades import GRADE_ORDER
from inventory.models import Consumable, Holding, LowLevel
from shop.common.text import exact
from shop.estimating.typical_usage import PastClose, Usual, usual_by_kind
from shop.models import (
    DamageType,
    GlassType,
    Job,
    JobStatus,
    JobType,
    JobUse,
    Outcome,
    Person,
    StandardUse,
    in_shop_zone,
    the_shop,
)
from shop.people.permissions import OwnVan
from shop.phone import after_close

# Enough for every common kind of job to be among them; a phone shows what is done now, not years ago.
LATEST_CLOSES = 400
MOST_JOBS = 100
DAYS_AHEAD = 1


def bundle_for(person: Person, own: OwnVan | None, now: datetime) -> dict[str, Any]:
    """Return the data of a person's phone; without a van only who it is."""
    shop = the_shop()
    today = in_shop_zone(now, shop).date()
    who = {"username": person.get_username(), "name": str(person)}
    if own is None:
        return {"person": who, "van": None}
    return {
        "person": who,
        "van": own.code,
        "technician": own.technician.code,
        "today": today.isoformat(),
        "length_unit": person.length_unit_in(shop).value,
        "jobs": _jobs(own, today),
        "job_types": _job_types(),
        "damage_types": list(DamageType.objects.values_list("code", flat=True)),
        "glass": dict(GlassType.objects.values_list("code", "caution")),
        "outcomes": list(Outcome.values),
        "consumables": _consumables(),
        "stock": _stock(own),
        "usual": _usual(own),
        "closed": after_close.closed_jobs(own, person.get_username(), now),
        "questions": after_close.questions(own, now),
        "places": after_close.places_to_give_to(own),
        "gifts": after_close.gifts(own, now),
        "under_way": after_close.kinds_under_way(own),
    }


def _jobs(own: OwnVan, today: date) -> list[dict[str, Any]]:
    """Return what is booked up to tomorrow and still open, the latest first."""
    due = own.jobs().filter(status=JobStatus.BOOKED, booked_for__lte=today + timedelta(days=DAYS_AHEAD))
    found = due.select_related("site__customer", "job_type", "damage_type", "glass", "callback_of").order_by(
        F("booked_for").desc(), "reference"
    )
    return [_job(job) for job in found[:MOST_JOBS]]


def _job(job: Job) -> dict[str, Any]:
    return {
        "reference": job.reference,
        "booked_for": job.booked_for.isoformat() if job.booked_for else None,
        "job_type": job.job_type.code,
        "damage_type": job.damage_type.code,
        "glass": job.glass.code,
        "length_mm": exact(job.length_mm) if job.length_mm is not None else None,
        "in_primary_view": job.in_primary_view,
        "existing_damage": job.existing_damage,
        "price": exact(job.price),
        "callback_of": job.callback_of.reference if job.callback_of else "",
        "customer": job.site.customer.name if job.site else "",
        "site": job.site.name if job.site else "",
        "address": job.site.address if job.site else "",
        "note": job.note,
    }


def _job_types() -> dict[str, dict[str, Any]]:
    uses: dict[int, dict[str, list[str]]] = defaultdict(dict)
    for use in StandardUse.objects.select_related("consumable"):
        uses[use.job_type_id][use.consumable.code] = [exact(use.quantity), exact(use.minutes)]
    return {
        job_type.code: {
            "name": str(job_type),
            "price": exact(job_type.list_price),
            "minutes": exact(job_type.standard_minutes),
            "uses": uses[job_type.pk],
        }
        for job_type in JobType.objects.all()
    }


def _consumables() -> list[dict[str, Any]]:
    """Return the catalogue: discs first, from coarse to fine, then the rest by name."""
    found = sorted(
        Consumable.objects.all(),
        key=lambda c: (c.grade == "", GRADE_ORDER.get(c.grade, 0), c.name, c.code),
    )
    return [
        {"code": c.code, "name": c.name, "kind": c.kind, "unit": c.stock_unit, "grade": c.grade}
        for c in found
    ]


def _stock(own: OwnVan) -> dict[str, list[str | None]]:
    """Return by consumable what the book says is on board, and the low level where there is one."""
    place = own.van.place_id
    held = dict(Holding.objects.filter(place=place).values_list("consumable__code", "quantity"))
    low = dict(LowLevel.objects.filter(place=place).values_list("consumable__code", "quantity"))
    return {
        code: [exact(held.get(code, Decimal(0))), exact(low[code]) if code in low else None]
        for code in sorted(held.keys() | low.keys())
        if held.get(code) or code in low
    }


def _usual(own: OwnVan) -> dict[str, dict[str, Any]]:
    """Return what each kind of job usually takes, by "job type|damage type"."""
    found = usual_by_kind(_latest_closes(), own.technician.pk)
    return {f"{kind[0]}|{kind[1]}": _said(usual) for kind, usual in found.items() if isinstance(kind, tuple)}


def _latest_closes() -> list[PastClose]:
    """Return the shop's latest closes with what they took: two queries of bounded size."""
    latest = list(
        Job.objects.filter(closed_at__isnull=False)
        .order_by("-closed_at", "-reference")
        .values_list(
            "pk", "job_type__code", "damage_type__code", "technician_id", "labour_minutes", "travel_minutes"
        )[:LATEST_CLOSES]
    )
    uses: dict[int, dict[str, tuple[Decimal, Decimal]]] = defaultdict(dict)
    logged = JobUse.objects.filter(
        Q(quantity__gt=0) | Q(minutes__gt=0),
        job__in=[row[0] for row in latest],
        document__corrected_by__isnull=True,
    ).order_by()
    for job, code, quantity, minutes in logged.values_list(
        "job_id", "consumable__code", "quantity", "minutes"
    ):
        before = uses[job].get(code, (Decimal(0), Decimal(0)))
        uses[job][code] = before[0] + quantity, before[1] + minutes
    return [
        PastClose((job_type, damage), technician or 0, labour or Decimal(0), travel or Decimal(0), uses[pk])
        for pk, job_type, damage, technician, labour, travel in latest
    ]


def _said(usual: Usual) -> dict[str, Any]:
    return {
        "closes": usual.closes,
        "own": usual.own,
        "labour": exact(usual.labour_minutes),
        "travel": exact(usual.travel_minutes),
        "uses": {code: [exact(quantity), exact(minutes)] for code, (quantity, minutes) in usual.uses.items()},
    }
