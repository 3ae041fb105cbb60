"""Gathers what the plausibility checks need about just posted uses, and keeps their questions."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal

from shop.models import Finding, Job, JobUse, StandardUse
from shop.plausibility import History, JobClose, UsedConsumable, check_close
from shop.plausibility import StandardUse as Standard

# The latest jobs of a type say what is usual; older ones were done with other people and discs.
HISTORY_JOBS = 100


def of_documents(jobs: dict[int, Job], uses: Sequence[JobUse], now: datetime) -> list[Finding]:
    """Return what to ask about documents just posted to jobs, unsaved.

    `jobs` holds the job of each document's id. A single close is compared with the history of its job type;
    in a bulk import the standard alone says what is usual, so that its cost grows with the file only.
    """
    lines: dict[int, list[JobUse]] = defaultdict(list)
    for use in uses:
        lines[use.document_id].append(use)
    standards = _standards({job.job_type_id for job in jobs.values()})
    found = []
    for document, job in jobs.items():
        histories = _histories(job, lines[document]) if len(jobs) == 1 else []
        if not lines[document]:
            continue
        close = JobClose(
            job.outcome,
            job.labour_minutes or Decimal(0),
            job.closed_at or now,
            _merged(lines[document]),
        )
        found += [
            Finding(
                job=job,
                document_id=document,
                code=finding.code,
                consumable=finding.consumable,
                message=finding.message,
            )
            for finding in check_close(close, standards[job.job_type_id], histories, now=now)
        ]
    return found


def _merged(uses: Sequence[JobUse]) -> tuple[UsedConsumable, ...]:
    """Return the uses with several lines of one consumable added up."""
    by_consumable: dict[int, list[JobUse]] = defaultdict(list)
    for use in uses:
        by_consumable[use.consumable_id].append(use)
    return tuple(
        UsedConsumable(
            code=same[0].consumable.code,
            name=same[0].consumable.name,
            kind=same[0].consumable.kind,
            unit=same[0].consumable.stock_unit,
            grade=same[0].consumable.grade,
            life_minutes=same[0].consumable.life_minutes,
            quantity=sum((use.quantity for use in same), Decimal(0)),
            minutes=sum((use.minutes for use in same), Decimal(0)),
            spoilt=sum((use.spoilt for use in same), Decimal(0)),
        )
        for same in by_consumable.values()
    )


def _standards(job_types: set[int]) -> dict[int, list[Standard]]:
    standards: dict[int, list[Standard]] = defaultdict(list)
    for use in StandardUse.objects.filter(job_type__in=job_types).select_related("consumable"):
        standards[use.job_type_id].append(
            Standard(use.consumable.code, use.consumable.name, use.quantity, use.finishing)
        )
    return standards


def _histories(job: Job, uses: Sequence[JobUse]) -> list[History]:
    """Return what the latest jobs of this type took of the same consumables: two queries."""
    if not uses:
        return []
    recent = (
        Job.objects.filter(job_type=job.job_type_id, closed_at__isnull=False)
        .exclude(pk=job.pk)
        .order_by("-closed_at")
        .values_list("pk", flat=True)[:HISTORY_JOBS]
    )
    quantities: dict[str, list[Decimal]] = defaultdict(list)
    rows = JobUse.objects.filter(
        job__in=list(recent),
        consumable__in={use.consumable_id for use in uses},
        quantity__gt=0,
        document__corrected_by__isnull=True,
    )
    for code, quantity in rows.values_list("consumable__code", "quantity"):
        quantities[code].append(quantity)
    return [History(code, tuple(taken)) for code, taken in quantities.items()]
