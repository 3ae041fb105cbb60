"""The cost that each document posts to a job, kept up to date with ledger values and rates in force.

The amounts of a JobCost row are computed from facts alone: the document, the values of its movements, the
logged uses and the effective-dated rates. So they can be computed again at any time, and must come out the
same. That they do is checked in shop.integrity.job_cost_checks.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from inventory.decimals import ZERO
from inventory.documents import DocumentKind
from inventory.models import Consumable, ConsumableKind, Document, MovementValue
from inventory.signals import revalued
from shop.common.chunks import chunks
from shop.common.job_content import stored_job_content
from shop.costing.formulas import AMOUNTS, minutes_cost, overhead_cost, rate_on, wear_cost
from shop.costing.last_landed_cost import PartCosts
from shop.costing.net_issues import net_into_jobs
from shop.models import Job, JobCost, JobUse, LabourRate, OverheadRate, the_shop

CHUNK = 1000
DERIVED = ("posted_at", "jobs", "labour_minutes", *AMOUNTS)
AS_CLOSED = (
    *("closed_at", "van_id", "technician_id", "job_type_id", "damage_type_id"),
    *("glass_id", "outcome", "callback_of_id"),
)


class Rates:
    """All effective-dated rates of the shop, read once."""

    def __init__(self) -> None:
        self.zone = the_shop().zone
        self.overhead = list(OverheadRate.objects.all())
        self.labour: dict[str | None, list[LabourRate]] = defaultdict(list)
        for rate in LabourRate.objects.select_related("technician"):
            self.labour[rate.technician.code if rate.technician else None].append(rate)

    def labour_per_hour(self, technician: str, day: date) -> Decimal:
        """Return the loaded rate of a technician on a day: their own or that of all; zero when none."""
        rate = rate_on(self.labour[technician], day) or rate_on(self.labour[None], day)
        return rate.per_hour if rate else ZERO

    def of_close(self, said: dict[str, Any]) -> dict[str, Decimal]:
        """Return what a close charges besides materials and wear, from what it said."""
        day = datetime.fromisoformat(said["closed_at"]).astimezone(self.zone).date()
        labour, travel = Decimal(said["labour_minutes"]), Decimal(said["travel_minutes"])
        per_hour = self.labour_per_hour(said["technician"], day)
        overhead = rate_on(self.overhead, day)
        vehicle = overhead.vehicle_per_minute if overhead else ZERO
        return {
            "revenue": Decimal(said["price"]),
            "labour": minutes_cost(labour, per_hour),
            "travel": minutes_cost(travel, per_hour + 60 * vehicle),
            "overhead": overhead_cost(labour, overhead.monthly_overhead, overhead.capacity_minutes)
            if overhead
            else ZERO,
        }


def compute(jobs_by_document: dict[int, int], rates: Rates) -> list[JobCost]:
    """Return the costs that documents posted to jobs, unsaved; six queries whatever the history.

    `jobs_by_document` holds the job's id for each document's id.
    """
    documents = list(
        Document.objects.filter(pk__in=jobs_by_document).select_related("corrects").order_by("pk")
    )
    materials = _materials(jobs_by_document)
    wear = _wear([*documents, *(document.corrects for document in documents if document.corrects)])
    return [_cost(document, jobs_by_document[document.pk], materials, wear, rates) for document in documents]


def _cost(
    document: Document, job: int, materials: dict[int, Decimal], wear: dict[int, Decimal], rates: Rates
) -> JobCost:
    """Return one document's cost; a correction takes back all that its document charged but materials."""
    source = document.corrects or document
    sign = -1 if document.corrects else 1
    cost = JobCost(
        document=document,
        job_id=job,
        posted_at=document.posted_at,
        materials=materials.get(document.pk, ZERO),
        wear=sign * wear.get(source.pk, ZERO),
    )
    if source.kind == DocumentKind.CLOSE:
        said = stored_job_content(source.content)
        cost.jobs = sign
        cost.labour_minutes = sign * Decimal(said["labour_minutes"])
        for name, amount in rates.of_close(said).items():
            setattr(cost, name, sign * amount)
    return cost


def _materials(documents: Iterable[int]) -> dict[int, Decimal]:
    """Return the value that each document took from stock for its job, without wearing parts."""
    rows = (
        MovementValue.objects.filter(movement__document__in=list(documents))
        .exclude(movement__consumable__kind=ConsumableKind.WORN)
        .values_list("movement__document_id")
        .annotate(total=net_into_jobs("value"))
    )
    return dict(rows)


def _wear(documents: Iterable[Document]) -> dict[int, Decimal]:
    """Return the wear that each document's minutes charge."""
    by_id = {document.pk: document for document in documents}
    worn = JobUse.objects.filter(
        document__in=list(by_id), consumable__kind=ConsumableKind.WORN, minutes__gt=0
    ).order_by()
    uses = list(worn.select_related("consumable"))
    for use in uses:
        use.document = by_id[use.document_id]
    wear: dict[int, Decimal] = defaultdict(Decimal)
    for use, charge in zip(uses, wear_charges(uses), strict=True):
        wear[use.document_id] += charge
    return wear


def wear_charges(uses: Sequence[JobUse]) -> list[Decimal]:
    """Return the wear that the minutes of each use charge; uses come with their consumable and document.

    The rate is predetermined: the latest landed cost of the part when the document posted, over its expected
    life. A part that was never received charges nothing yet; the wear pool shows it as under-absorbed. One
    query, none without uses.
    """
    if not uses:
        return []
    part_costs = PartCosts({use.consumable_id for use in uses}, max(use.document.posted_at for use in uses))
    charges = []
    for use in uses:
        life = use.consumable.life_minutes
        landed = part_costs.latest(use.consumable_id, use.document.posted_at)
        if life is None or landed is None:
            charges.append(ZERO)
        else:
            charges.append(wear_cost(use.minutes, landed.value, life * landed.quantity))
    return charges


def add(jobs_by_document: Mapping[int, Job]) -> None:
    """Store the costs of documents just posted to jobs, each job being as its standing close said.

    The job of a correction is still as it was before it is reopened.
    """
    rates = Rates()
    for chunk in chunks(sorted(jobs_by_document), CHUNK):
        costs = compute({pk: jobs_by_document[pk].pk for pk in chunk}, rates)
        for cost in costs:
            for name in AS_CLOSED:
                setattr(cost, name, getattr(jobs_by_document[cost.document_id], name))
        JobCost.objects.bulk_create(costs)


def refresh(documents: Iterable[int]) -> None:
    """Compute the stored costs of documents again; those that belong to no job are passed over."""
    rates: Rates | None = None
    for chunk in chunks(sorted(documents), CHUNK):
        # Locked first and in order, so that two documents that re-value the same job wait for each other.
        locked = JobCost.objects.select_for_update().filter(document__in=chunk).order_by("pk")
        stored = {cost.document_id: cost for cost in locked}
        if not stored:
            continue
        rates = rates or Rates()
        costs = compute({pk: cost.job_id for pk, cost in stored.items()}, rates)
        for cost in costs:
            for name in AS_CLOSED:
                setattr(cost, name, getattr(stored[cost.document_id], name))
        JobCost.objects.bulk_create(
            costs, update_conflicts=True, unique_fields=["document"], update_fields=list(DERIVED)
        )


def refresh_from(day: datetime) -> None:
    """Compute again the costs posted from a moment on, after a rate has changed."""
    refresh(JobCost.objects.filter(posted_at__gte=day).values_list("document_id", flat=True))


def follow_ledger() -> None:
    """Refresh job costs whenever the ledger re-values their documents."""
    revalued.connect(_refresh_revalued, dispatch_uid="job costs follow the ledger")


def _refresh_revalued(*, documents: set[int], received_from: dict[int, datetime], **_: object) -> None:
    worn = Consumable.objects.filter(pk__in=received_from, kind=ConsumableKind.WORN)
    worn_by: set[int] = set()
    for part in worn.values_list("pk", flat=True):
        uses = JobUse.objects.filter(consumable=part, document__posted_at__gte=received_from[part])
        worn_by |= set(uses.values_list("document_id", flat=True))
        # A correction takes back the wear of the document that it undoes.
        worn_by |= set(
            uses.filter(document__corrected_by__isnull=False).values_list("document__corrected_by", flat=True)
        )
    refresh(documents | worn_by)
