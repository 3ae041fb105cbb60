"""Gathers the facts that the plausibility checks need about new uses, and stores their questions."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal

from shop.close_review.rules import (
    LONG_BEFORE,
    CloseUnderReview,
    PastCloses,
    StandardAmount,
    UsedConsumable,
    check_close,
    check_day,
)
from shop.common.chunks import chunks
from shop.models import Finding, Job, JobUse, StandardUse, in_shop_zone, the_shop
from shop.workload.job_counts import regular_work_from

# The latest jobs of a type say what is usual; older ones were done with other people and discs.
HISTORY_JOBS = 100


def of_documents(
    jobs: dict[int, Job], all_uses: Iterable[JobUse] | None, now: datetime, *, alone: bool
) -> list[Finding]:
    """Return what to ask about documents just posted to jobs, unsaved.

    `jobs` holds the job of each document's id. A job is judged by all that was logged for it, and not asked
    again what it was asked before; `all_uses` are given when these documents are the first of their jobs.
    One that comes `alone` is compared with the history of its job type; in a bulk import the standard says
    what is usual, so that its cost grows with the file only, and a job without any use is not judged: its
    uses come in another file.
    """
    if all_uses is None:
        used, asked = _standing_uses(jobs.values()), _asked_before(jobs.values())
    else:
        used, asked = _by_job(all_uses), set()
    if any(job.closed_at is not None and job.closed_at > now for job in jobs.values()):
        # What is asked about a close that is still to come is kept, and names moments on the shop's clocks.
        now = in_shop_zone(now, the_shop())
    standards = _standards({job.job_type_id for job in jobs.values()})
    found = []
    for document, job in jobs.items():
        uses = used[job.pk]
        if not uses and not alone:
            continue
        close = CloseUnderReview(
            job.outcome, job.labour_minutes or Decimal(0), job.closed_at or now, _merged(uses)
        )
        histories = _histories(job, uses) if alone else []
        for finding in check_close(close, standards[job.job_type_id], histories, now=now):
            question = (job.pk, str(finding.code), finding.consumable)
            if question in asked:
                continue
            asked.add(question)
            found.append(
                Finding(
                    job=job,
                    document_id=document,
                    code=finding.code,
                    consumable=finding.consumable,
                    message=finding.message,
                )
            )
    return found


def of_days(jobs: dict[int, Job], now: datetime, *, alone: bool) -> list[Finding]:
    """Return what to ask about the days of jobs just closed, by their documents' ids, unsaved.

    One that comes alone is compared with the latest of the others. A file may bring years of work in any
    order, so each is compared with the beginning of the shop's regular work. At most two queries.
    """
    closed = [job.closed_at for job in jobs.values() if job.closed_at]
    if alone:
        others = Job.objects.filter(closed_at__isnull=False).exclude(pk__in=[job.pk for job in jobs.values()])
        latest = others.order_by("-closed_at").values_list("closed_at", flat=True).first()
        # Days need the shop's zone; most closes are near enough without.
        if latest is None or not closed or latest - min(closed) <= LONG_BEFORE - timedelta(days=1):
            return []
        shop = the_shop()
        compared: date | None = in_shop_zone(latest, shop).date()
        what = "the latest close of another job, on"
    else:
        shop = the_shop()
        compared = regular_work_from(now) if closed else None
        what = "regular work began, in the week of"
    if compared is None:
        return []
    return [
        Finding(job=job, document_id=document, code=found.code, message=found.message)
        for document, job in jobs.items()
        if job.closed_at
        for found in check_day(in_shop_zone(job.closed_at, shop).date(), compared, what)
    ]


def _standing_uses(jobs: Iterable[Job]) -> dict[int, list[JobUse]]:
    """Return by job all that was logged for it and not undone."""
    uses: list[JobUse] = []
    for chunk in chunks(sorted({job.pk for job in jobs})):
        rows = JobUse.objects.filter(job__in=chunk, document__corrected_by__isnull=True)
        uses += rows.select_related("consumable").order_by("document", "line")
    return _by_job(uses)


def _by_job(uses: Iterable[JobUse]) -> dict[int, list[JobUse]]:
    by_job: dict[int, list[JobUse]] = defaultdict(list)
    for use in uses:
        by_job[use.job_id].append(use)
    return by_job


def _asked_before(jobs: Iterable[Job]) -> set[tuple[int, str, str]]:
    """Return what jobs were asked about documents that stand, answered or not."""
    asked: set[tuple[int, str, str]] = set()
    for chunk in chunks(sorted({job.pk for job in jobs})):
        rows = Finding.objects.filter(job__in=chunk, document__corrected_by__isnull=True)
        asked |= set(rows.values_list("job_id", "code", "consumable"))
    return asked


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


def _standards(job_types: set[int]) -> dict[int, list[StandardAmount]]:
    standards: dict[int, list[StandardAmount]] = defaultdict(list)
    for use in StandardUse.objects.filter(job_type__in=job_types).select_related("consumable"):
        standards[use.job_type_id].append(
            StandardAmount(use.consumable.code, use.consumable.name, use.quantity, use.finishing)
        )
    return standards


def _histories(job: Job, uses: Sequence[JobUse]) -> list[PastCloses]:
    """Return what the latest jobs of this type took of the same consumables: one query."""
    if not uses:
        return []
    recent = (
        Job.objects.filter(job_type=job.job_type_id, closed_at__isnull=False)
        .exclude(pk=job.pk)
        .order_by("-closed_at")
        .values("pk")[:HISTORY_JOBS]
    )
    # Not narrowed to the consumables here: SQLite would walk through all that was ever used of them.
    rows = JobUse.objects.filter(job__in=recent, quantity__gt=0, document__corrected_by__isnull=True)
    codes = {use.consumable_id: use.consumable.code for use in uses}
    totals: dict[tuple[int, int], Decimal] = defaultdict(Decimal)
    for consumable, job_id, quantity in rows.order_by().values_list("consumable_id", "job_id", "quantity"):
        if consumable in codes:
            totals[consumable, job_id] += quantity
    quantities: dict[str, list[Decimal]] = defaultdict(list)
    for (consumable, _), quantity in totals.items():
        quantities[codes[consumable]].append(quantity)
    return [PastCloses(code, tuple(taken)) for code, taken in quantities.items()]
