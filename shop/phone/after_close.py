"""What the phone shows of closed jobs and stock in transit: questions, usage, transfers, restocks.

Everything is of the last days and bounded, so neither queries nor size grow with the history.
"""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Q, Sum

from inventory.decimals import ZERO
from inventory.documents import DocumentKind
from inventory.models import Document, Holding, Movement, Place, PlaceKind
from shop.close_review.open_questions import DAYS_BACK, open_questions, recently_closed
from shop.common.text import exact
from shop.costing.net_issues import net_into_jobs
from shop.models import Job, JobCost, JobStatus, JobUse, Person, Technician
from shop.people.permissions import TAKE_BACK, OwnVan

MOST_CLOSED = 30
MOST_QUESTIONS = 30
MOST_GIFTS = 20
MOST_PLACES = 200


def closed_jobs(own: OwnVan, username: str, now: datetime) -> list[dict[str, Any]]:
    """Return the technician's jobs closed recently, the latest first, with what each took by the book."""
    recent = recently_closed(own, now).select_related("site__customer", "job_type", "damage_type")
    jobs = list(recent.order_by("-closed_at", "-pk")[:MOST_CLOSED])
    took = _took(job.pk for job in jobs)
    closes = _standing_closes(jobs)
    return [
        {
            **_named(job),
            "job_type": job.job_type.code,
            "damage_type": job.damage_type.code,
            "outcome": job.outcome,
            "took": took[job.pk],
            "close": closes[job.pk].client_id if job.pk in closes else "",
            "until": _until(closes.get(job.pk), username, now),
        }
        for job in jobs
    ]


def standing_close(own: OwnVan, reference: str) -> dict[str, Any] | None:
    """Return who closed a job that the technician may add to, when and how, and what it took by the book."""
    job = Job.objects.filter(reference=reference, status=JobStatus.CLOSED).first()
    if job is None or not own.may_add_to(reference):
        return None
    close = _standing_closes([job]).get(job.pk)
    if close is None:
        return None
    person = Person.objects.filter(username=close.recorded_by).first()
    return {
        "by": str(person or close.recorded_by or job.technician),
        "username": close.recorded_by,
        "closed_at": close.occurred_at.isoformat(),
        "outcome": job.outcome,
        "took": _took([job.pk])[job.pk],
    }


def questions(own: OwnVan, now: datetime) -> list[dict[str, Any]]:
    """Return the open questions about the technician's jobs closed recently, the latest first."""
    asked = open_questions(own, now).select_related("job__site__customer", "document")
    found = list(asked.order_by("-pk")[:MOST_QUESTIONS])
    took = _took(finding.job_id for finding in found)
    return [
        {
            **_named(finding.job),
            "number": finding.pk,
            "message": finding.message,
            "consumable": finding.consumable,
            "took": took[finding.job_id].get(finding.consumable, ["0", "0"])[0],
            "kind": finding.document.kind,
            "document": finding.document.client_id,
        }
        for finding in found
    ]


def places_to_give_to(own: OwnVan) -> list[dict[str, str]]:
    """Return who the van's stock can be given to: the depot first, then other vans and who drives them."""
    places = Place.objects.filter(kind__in=(PlaceKind.DEPOT, PlaceKind.VAN)).exclude(pk=own.van.place_id)
    chosen = list(places.order_by("kind", "code")[:MOST_PLACES])
    drivers: dict[int, list[str]] = defaultdict(list)
    for technician in Technician.objects.filter(van__place__in=chosen).select_related("van"):
        if technician.van is not None:
            drivers[technician.van.place_id].append(str(technician))
    return [
        {"code": place.code, "name": ", ".join(drivers[place.pk]) or place.name or place.kind}
        for place in chosen
    ]


def gifts(own: OwnVan, now: datetime) -> list[dict[str, Any]]:
    """Return what other vans gave to this one recently, the latest first."""
    came = Movement.objects.filter(
        destination=own.van.place_id,
        source__kind=PlaceKind.VAN,
        document__kind=DocumentKind.TRANSFER,
        document__corrected_by__isnull=True,
        occurred_at__gte=now - timedelta(days=DAYS_BACK),
    )
    rows = came.select_related("consumable", "source", "document").order_by("-occurred_at", "-pk")
    return [
        {
            "consumable": row.consumable.code,
            "quantity": exact(row.quantity),
            "source": row.source.code,
            "at": row.occurred_at.isoformat(),
            "by": row.document.recorded_by,
        }
        for row in rows[:MOST_GIFTS]
    ]


def kinds_under_way(own: OwnVan) -> int:
    """Return how many kinds of consumable are under way to the van, waiting to be confirmed."""
    return Holding.objects.filter(place__bound_for=own.van.place_id, quantity__gt=0).count()


def _named(job: Job) -> dict[str, Any]:
    return {
        "job": job.reference,
        "closed_at": job.closed_at.isoformat() if job.closed_at else "",
        "customer": job.site.customer.name if job.site else "",
    }


def _took(jobs: Iterable[int]) -> dict[int, dict[str, list[str]]]:
    """Return by job and consumable what the book says it took, less what came back, and its minutes."""
    chosen = sorted(set(jobs))
    moved = Movement.objects.filter(document__job_cost__job__in=chosen).order_by()
    net = {
        (job, code): total
        for job, code, total in moved.values_list("document__job_cost__job", "consumable__code").annotate(
            total=net_into_jobs("quantity", "")
        )
    }
    worked = JobUse.objects.filter(job__in=chosen, document__corrected_by__isnull=True).order_by()
    minutes = {
        (job, code): total
        for job, code, total in worked.values_list("job", "consumable__code").annotate(total=Sum("minutes"))
    }
    found: dict[int, dict[str, list[str]]] = defaultdict(dict)
    for job, code in sorted(net.keys() | minutes.keys()):
        amounts = (net.get((job, code), ZERO), minutes.get((job, code), ZERO))
        if any(amounts):
            found[job][code] = [exact(amount) for amount in amounts]
    return found


def _standing_closes(jobs: Iterable[Job]) -> dict[int, Document]:
    costs = JobCost.objects.filter(
        Q(job__in=[job.pk for job in jobs], jobs=1), document__corrected_by__isnull=True
    )
    return {cost.job_id: cost.document for cost in costs.select_related("document")}


def _until(close: Document | None, username: str, now: datetime) -> str:
    """Return until when the person may take the close back; empty when not, or no longer."""
    if close is None or close.recorded_by != username or close.recorded_at + TAKE_BACK <= now:
        return ""
    return (close.recorded_at + TAKE_BACK).isoformat()
