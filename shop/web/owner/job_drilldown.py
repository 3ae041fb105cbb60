"""One job down to the movements that made its cost; each level adds up to the one above it exactly."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from inventory.decimals import ZERO
from inventory.models import ConsumableKind, Movement, PlaceKind
from shop.costing.formulas import AMOUNTS, NO_COSTS, JobCosts
from shop.costing.job_costs import wear_charges
from shop.models import Job, JobCost, JobUse


@dataclass(frozen=True, slots=True)
class JobMovement:
    """A movement of a job's document as charged to the job: back to stock is negative.

    `settled` is what later receipts found it to cost beyond its provisional value; the job does not bear it.
    """

    movement: Movement
    quantity: Decimal
    value: Decimal
    is_worn: bool
    provisional: bool
    settled: Decimal


@dataclass(frozen=True, slots=True)
class Worked:
    """What the job logged of one consumable, and the wear that its minutes charge."""

    use: JobUse
    charge: Decimal


@dataclass(slots=True)
class Posted:
    """What one document posted to the job, with its movements and uses."""

    cost: JobCost
    moved: list[JobMovement] = field(default_factory=list)
    worked: list[Worked] = field(default_factory=list)

    @property
    def costs(self) -> JobCosts:
        return JobCosts(*(getattr(self.cost, name) for name in AMOUNTS))

    @property
    def material_value(self) -> Decimal:
        """What its movements took from stock, wearing parts left out."""
        return sum((moved.value for moved in self.moved if not moved.is_worn), ZERO)

    @property
    def part_value(self) -> Decimal:
        """The wearing parts it took: replaced, so in the wear pool and not in the job's cost."""
        return sum((moved.value for moved in self.moved if moved.is_worn), ZERO)

    @property
    def wear_charged(self) -> Decimal:
        """What its uses charge; a correction takes back what the document it undoes charged."""
        charged = sum((worked.charge for worked in self.worked), ZERO)
        return -charged if self.cost.document.corrects_id else charged

    @property
    def adds_up(self) -> bool:
        """Whether movements and uses make the materials and the wear that the document posted."""
        materials, wear = self.costs.materials, self.costs.wear
        return self.material_value == materials and self.wear_charged == wear


def posted_to(job: Job) -> list[Posted]:
    """Return what each document posted to a job, in order: five queries."""
    costs = list(job.costs.select_related("document__corrects").order_by("posted_at", "document_id"))
    found = {cost.document_id: Posted(cost) for cost in costs}
    for moved in _moved(found):
        found[moved.movement.document_id].moved.append(moved)
    source = {cost.document.corrects_id or cost.document_id: cost.document_id for cost in costs}
    worked = _worked(set(found) | set(source))
    for posted in found.values():
        document = posted.cost.document
        posted.worked = worked[document.corrects_id or document.pk]
    return list(found.values())


def total_of(posted: Iterable[Posted]) -> JobCosts:
    """Return the sum of what documents posted."""
    return sum((each.costs for each in posted), NO_COSTS)


def _moved(documents: Iterable[int]) -> list[JobMovement]:
    movements = (
        Movement.objects.filter(document__in=list(documents))
        .select_related("consumable", "source", "destination", "valued")
        .prefetch_related("adjusted_by")
        .order_by("document", "line", "part")
    )
    found = []
    for movement in movements:
        sign = 1 if movement.destination.kind == PlaceKind.JOB else -1
        valued = getattr(movement, "valued", None)
        found.append(
            JobMovement(
                movement,
                sign * movement.quantity,
                sign * valued.value if valued else ZERO,
                movement.consumable.kind == ConsumableKind.WORN,
                bool(valued and valued.provisional),
                sum((adjustment.amount for adjustment in movement.adjusted_by.all()), ZERO),
            )
        )
    return found


def _worked(documents: Iterable[int]) -> dict[int, list[Worked]]:
    uses: Sequence[JobUse] = list(
        JobUse.objects.filter(document__in=list(documents))
        .select_related("consumable", "document")
        .order_by("document", "line")
    )
    worn = [use for use in uses if use.consumable.kind == ConsumableKind.WORN and use.minutes > 0]
    charges = dict(zip((use.pk for use in worn), wear_charges(worn), strict=True))
    worked: dict[int, list[Worked]] = defaultdict(list)
    for use in uses:
        worked[use.document_id].append(Worked(use, charges.get(use.pk, ZERO)))
    return worked
