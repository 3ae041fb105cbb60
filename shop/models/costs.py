"""The cost that each document posts to a job."""

from decimal import Decimal

from django.db import models

from inventory.db.fixed_point import FixedPointField
from inventory.models import Document
from shop.models.jobs import Job, Outcome
from shop.models.services import DamageType, GlassType, JobType
from shop.models.vans import Technician, Van


class JobCost(models.Model):
    """What one document posted to a job. Derived and rebuildable; see shop.costing.job_costs.

    `jobs` is 1 for a close, -1 for its correction and 0 for anything else, so that sums count jobs. Who did
    what, where and when is kept as the document's close said it: a job may be closed again with other facts,
    and the report of a locked period stays.
    """

    document = models.OneToOneField(
        Document, primary_key=True, on_delete=models.PROTECT, related_name="job_cost"
    )
    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="costs")
    posted_at = models.DateTimeField(db_index=True)
    jobs = models.SmallIntegerField(default=0)
    labour_minutes = FixedPointField(default=Decimal(0))
    revenue = FixedPointField(default=Decimal(0))
    materials = FixedPointField(default=Decimal(0))
    wear = FixedPointField(default=Decimal(0))
    labour = FixedPointField(default=Decimal(0))
    travel = FixedPointField(default=Decimal(0))
    overhead = FixedPointField(default=Decimal(0))
    closed_at = models.DateTimeField()
    van = models.ForeignKey(Van, on_delete=models.PROTECT, related_name="+", db_index=False)
    technician = models.ForeignKey(Technician, on_delete=models.PROTECT, related_name="+", db_index=False)
    job_type = models.ForeignKey(JobType, on_delete=models.PROTECT, related_name="+", db_index=False)
    damage_type = models.ForeignKey(DamageType, on_delete=models.PROTECT, related_name="+", db_index=False)
    glass = models.ForeignKey(GlassType, on_delete=models.PROTECT, related_name="+", db_index=False)
    outcome = models.CharField(max_length=16, choices=Outcome.choices)
    callback_of = models.ForeignKey(
        Job, null=True, on_delete=models.PROTECT, related_name="+", db_index=False
    )

    def __str__(self) -> str:
        return f"{self.document}: cost of {self.job}"
