"""The site's routes, and some by which a test arranges the shop and looks into its books.

Only the server that the browser tests start serves these; see tests.browser.server.
"""

from collections import Counter
from datetime import timedelta
from decimal import Decimal

from django.contrib.auth import login
from django.contrib.sessions.models import Session
from django.core.files.storage import default_storage
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.urls import path
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt

from inventory.models import Document, Holding, Place, PlaceKind
from shop.config.urls import urlpatterns as site
from shop.jobs.close_data import JobClose, UsedLine
from shop.jobs.close_job import close_job
from shop.models import (
    DamageType,
    Finding,
    GlassType,
    Job,
    JobType,
    Person,
    Photo,
    Role,
    Technician,
    Van,
    in_shop_zone,
    the_shop,
)
from tests.inventory.small_shop import receive


@csrf_exempt
def technician(request: HttpRequest, name: str) -> JsonResponse:
    """Give the shop a technician with a van, stock in it, and so many jobs booked for today."""
    person = Person.objects.create(username=name, first_name=name.title(), role=Role.TECHNICIAN)
    van = Van.objects.create(place=Place.objects.create(code=f"van-{name}", kind=PlaceKind.VAN))
    Technician.objects.create(code=name, person=person, van=van)
    stock = (("D-P400", "40", "60"), ("D-P800", "40", "60"), ("C-FINE", "1000", "60"), ("S-PAD", "2", "18"))
    receive(f"R-{name}", 1, *stock, place=van.code)
    return _booked(van, int(request.GET["jobs"]), f"scratch by {name}")


@csrf_exempt
def colleague(_request: HttpRequest, name: str, of: str) -> JsonResponse:
    """Give a technician a colleague on the same van."""
    person = Person.objects.create(username=name, first_name=name.title(), role=Role.TECHNICIAN)
    Technician.objects.create(code=name, person=person, van=Van.objects.get(place__code=f"van-{of}"))
    return JsonResponse({})


def _booked(van: Van, count: int, damage: str) -> JsonResponse:
    """Book jobs of a damage type of their own, so that no other test says what they usually take."""
    damage_type = DamageType.objects.create(code=damage)
    today = in_shop_zone(timezone.now(), the_shop()).date()
    references = [f"{van.code}-{number}" for number in range(1, count + 1)]
    for reference in references:
        Job.objects.create(
            reference=reference,
            van=van,
            job_type=JobType.objects.get(code="SCR-S"),
            damage_type=damage_type,
            glass=GlassType.objects.get(code="laminated"),
            price=Decimal(145),
            booked_for=today,
        )
    return JsonResponse({"jobs": references})


@csrf_exempt
def say_much(_request: HttpRequest, reference: str) -> JsonResponse:
    """Say at the booking of a job all that its close may clear."""
    Job.objects.filter(reference=reference).update(
        in_primary_view=True, existing_damage="chip", note="ring first", length_mm=Decimal(300)
    )
    return JsonResponse({})


@csrf_exempt
def sign_in(request: HttpRequest, name: str) -> HttpResponse:
    """Sign a person in without a password."""
    login(request, Person.objects.get(username=name), "django.contrib.auth.backends.ModelBackend")
    return HttpResponse("signed in")


@csrf_exempt
def end_sessions(_request: HttpRequest) -> JsonResponse:
    """End every session, as time would."""
    Session.objects.all().delete()
    return JsonResponse({})


def books(_request: HttpRequest, van: str) -> JsonResponse:
    """Say what stands in the books about a van: how often each job was closed, by whom, and what is left."""
    documents = Document.objects.filter(kind="close", content__place=van)
    jobs = {job.reference: job for job in Job.objects.filter(van__place__code=van)}
    now = timezone.now()
    return JsonResponse(
        {
            "closes": Counter(job.reference for d in documents for job in [_job_of(d)]),
            "recorded_by": {_job_of(d).reference: d.recorded_by for d in documents},
            "hours_ago": {r: _hours(now - j.closed_at) for r, j in jobs.items() if j.closed_at is not None},
            "outcomes": {r: j.outcome for r, j in jobs.items()},
            "photos": [
                default_storage.path(p.file_name) for p in Photo.objects.filter(job__van__place__code=van)
            ],
            "answers": [
                [f.answer, f.answered_by]
                for f in Finding.objects.filter(job__in=jobs.values()).order_by("pk")
            ],
            "added": Counter(
                Document.objects.filter(
                    kind__in=("use", "return", "correction"), job_cost__job__in=jobs.values()
                ).values_list("kind", flat=True)
            ),
            "given": Document.objects.filter(kind="transfer", content__source=van).count(),
            "said": {
                r: [
                    j.in_primary_view,
                    j.existing_damage,
                    j.note,
                    j.length_mm and str(j.length_mm.normalize()),
                ]
                for r, j in jobs.items()
            },
            "statuses": {r: j.status for r, j in jobs.items()},
            "counts": Document.objects.filter(kind="count", count_lines__place__code=van).distinct().count(),
            "stock": {
                h.consumable.code: int(h.quantity)
                for h in Holding.objects.filter(place__code=van).select_related("consumable")
            },
        }
    )


@csrf_exempt
def close_as_owner(_request: HttpRequest, name: str, reference: str) -> JsonResponse:
    """Close a technician's job as an owner would who enters what was said on the telephone."""
    job = Job.objects.get(reference=reference)
    close = JobClose(
        id=f"told-{reference}",
        job=reference,
        van=job.van.code,
        technician=name,
        closed_at=timezone.now(),
        job_type=job.job_type.code,
        damage_type=job.damage_type.code,
        glass=job.glass.code,
        price=job.price,
        labour_minutes=Decimal(55),
        travel_minutes=Decimal(0),
        outcome="removed",
        uses=(UsedLine("D-P400", Decimal(1), Decimal(30)),),
    )
    close_job(close, by="an owner")
    return JsonResponse({})


@csrf_exempt
def answer_as_owner(_request: HttpRequest, reference: str) -> JsonResponse:
    """Answer the questions about a job as an owner."""
    asked = Finding.objects.filter(job__reference=reference)
    asked.update(answer="He told me.", answered_by="an owner", answered_at=timezone.now())
    return JsonResponse({})


def _job_of(document: Document) -> Job:
    return Job.objects.get(costs__document=document)


def _hours(span: timedelta) -> float:
    return round(span.total_seconds() / 3600, 2)


urlpatterns = [
    path("test/technician/<name>/", technician),
    path("test/colleague/<name>/<of>/", colleague),
    path("test/say-much/<reference>/", say_much),
    path("test/sign-in/<name>/", sign_in),
    path("test/end-sessions/", end_sessions),
    path("test/close-as-owner/<name>/<reference>/", close_as_owner),
    path("test/answer-as-owner/<reference>/", answer_as_owner),
    path("test/books/<van>/", books),
    *site,
]
