"""Net issues to jobs: what jobs took from stock less what came back."""

from django.db.models import Case, F, Q, Sum, When

from inventory.db.fixed_point import FixedPointField
from inventory.models import PlaceKind


def net_into_jobs(name: str, movement: str = "movement__") -> Sum:
    """Return the sum of a field of rows, negative where their movement leaves a job.

    `movement` is the way from a row to its movement: that of `MovementValue`, or none for movements.
    """
    into_job = When(Q((f"{movement}destination__kind", PlaceKind.JOB)), then=F(name))
    return Sum(Case(into_job, default=-1 * F(name), output_field=FixedPointField()))
