"""Are the stored costs of jobs what their documents, values and rates give, and is none missing?"""

from collections import defaultdict
from collections.abc import Collection, Iterator
from datetime import datetime
from typing import Any

from django.db.models import Q

from inventory.documents import DocumentKind
from inventory.integrity.stock_checks import Disagreement
from inventory.models import Document
from shop.common.job_content import stored_job_content
from shop.costing.job_costs import DERIVED, Rates, compute
from shop.models import JobCost, Shop

CHUNK = 1000


def disagreements() -> Iterator[Disagreement]:
    """Yield each job cost that differs from what the facts give, and each document that should have one."""
    yield from _missing()
    if not Shop.objects.exists():
        yield Disagreement("shop", "whose rates and clocks job costs follow", "none", "one row")
        return
    rates = Rates()
    last = 0
    while stored := _next(last):
        last = stored[-1].pk
        closes = _closes({cost.job_id for cost in stored})
        jobs = _jobs([cost.document for cost in stored])
        computed = compute({cost.pk: cost.job_id for cost in stored}, rates)
        for kept, cost in zip(stored, computed, strict=True):
            for name in DERIVED:
                if getattr(kept, name) != getattr(cost, name):
                    yield _differs(kept, name, getattr(kept, name), getattr(cost, name))
            if kept.job.reference != jobs[kept.pk]:
                yield _differs(kept, "job", kept.job, jobs[kept.pk])
            else:
                yield from _as_closed(kept, closes[kept.job_id])


def _next(last: int) -> list[JobCost]:
    related = (
        "document",
        "job",
        "van__place",
        "technician",
        "job_type",
        "damage_type",
        "glass",
        "callback_of",
    )
    return list(JobCost.objects.filter(pk__gt=last).select_related(*related).order_by("pk")[:CHUNK])


def _differs(cost: JobCost, name: str, stored: object, expected: object) -> Disagreement:
    return Disagreement(f"job cost, {name}", f"job {cost.job}, {cost.document}", stored, expected)


def _missing() -> Iterator[Disagreement]:
    """Yield documents that closed a job, or used, returned or corrected something of one, without a cost."""
    kinds = (DocumentKind.CLOSE, DocumentKind.USE, DocumentKind.RETURN)
    of_jobs = Q(kind__in=kinds) | Q(kind=DocumentKind.CORRECTION, corrects__kind__in=kinds)
    for document in Document.objects.filter(of_jobs, job_cost__isnull=True).order_by("pk").iterator():
        yield Disagreement("job cost", str(document), "none", "one")


def _jobs(documents: Collection[Document]) -> dict[int, str | None]:
    """Return the reference of the job that each document is about: as it says, or as what it undoes says."""
    undone: dict[int, tuple[str, str]] = {}
    jobs: dict[int, str | None] = {}
    for document in documents:
        says = document.content
        if document.kind == DocumentKind.CORRECTION:
            undone[document.pk] = says["corrects_kind"], says["corrects_id"]
        elif document.kind == DocumentKind.RETURN:
            undone[document.pk] = says["returns_kind"], says["returns_id"]
        else:
            jobs[document.pk] = stored_job_content(says)["job"]
    targets = Document.objects.filter(client_id__in={client_id for _, client_id in undone.values()})
    found = {
        (kind, client_id): job
        for kind, client_id, job in targets.values_list("kind", "client_id", "job_cost__job__reference")
    }
    return jobs | {pk: found.get(target) for pk, target in undone.items()}


def _closes(jobs: Collection[int]) -> dict[int, list[tuple[int, dict[str, Any]]]]:
    """Return the closes of jobs, undone ones too, in the order they were posted, with what they said."""
    closes: dict[int, list[tuple[int, dict[str, Any]]]] = defaultdict(list)
    rows = Document.objects.filter(kind=DocumentKind.CLOSE, job_cost__job__in=jobs).order_by("pk")
    for pk, job, content in rows.values_list("pk", "job_cost__job", "content"):
        closes[job].append((pk, stored_job_content(content)))
    return closes


def _as_closed(cost: JobCost, closes: list[tuple[int, dict[str, Any]]]) -> Iterator[Disagreement]:
    """Compare what a cost keeps of its close: the latest of its job when the document was posted."""
    said = next((said for pk, said in reversed(closes) if pk <= cost.pk), None)
    if said is None:
        yield _differs(cost, "job", cost.job, "a job that was closed")
        return
    if cost.closed_at != (closed_at := datetime.fromisoformat(said["closed_at"])):
        yield _differs(cost, "closed_at", cost.closed_at, closed_at)
    kept = {
        "van": cost.van.code,
        "technician": cost.technician.code,
        "job_type": cost.job_type.code,
        "damage_type": cost.damage_type.code,
        "glass": cost.glass.code,
        "outcome": cost.outcome,
    }
    if said["callback_of"]:
        # A job booked as a callback stays one without its close saying so.
        kept["callback_of"] = cost.callback_of.reference if cost.callback_of else ""
    for name, stored in kept.items():
        if stored != said[name]:
            yield _differs(cost, name, stored, said[name])
