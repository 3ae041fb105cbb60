"""What jobs took from stock in all: what went into them less what came back."""

from django.db.models import Case, F, Sum, When

from inventory.fields import FixedPointField
from inventory.models import PlaceKind


def net_into_jobs(name: str) -> Sum:
    """Return the sum of a field of a job's `MovementValue` rows, negative where a movement leaves the job."""
    into_job = When(movement__destination__kind=PlaceKind.JOB, then=F(name))
    return Sum(Case(into_job, default=-1 * F(name), output_field=FixedPointField()))
