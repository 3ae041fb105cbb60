"""Tables of the shop: people, vans, customers, services, jobs and what each document posted to a job."""

from shop.common.amounts import LengthUnit
from shop.models.business import (
    BEGINNING,
    NOT_NEGATIVE,
    Shop,
    in_shop_zone,
    on_shop_clocks,
    start_of_day,
    the_shop,
)
from shop.models.costs import JobCost
from shop.models.count_variances import CountExplanation, DifferenceCause
from shop.models.jobs import Booking, Finding, Job, JobStatus, JobUse, Outcome, WaitingUse
from shop.models.people import Person, Role
from shop.models.photos import Moment, Photo
from shop.models.rates import LARGEST_OVERHEAD, LARGEST_RATE, LabourRate, OverheadRate
from shop.models.services import Customer, DamageType, GlassType, JobType, Site, StandardUse
from shop.models.sign_in import ApiToken, Device, LetterAsked
from shop.models.standards import FormerStandard
from shop.models.vans import Technician, Van

__all__ = [
    "BEGINNING",
    "LARGEST_OVERHEAD",
    "LARGEST_RATE",
    "NOT_NEGATIVE",
    "ApiToken",
    "Booking",
    "CountExplanation",
    "Customer",
    "DamageType",
    "Device",
    "DifferenceCause",
    "Finding",
    "FormerStandard",
    "GlassType",
    "Job",
    "JobCost",
    "JobStatus",
    "JobType",
    "JobUse",
    "LabourRate",
    "LengthUnit",
    "LetterAsked",
    "Moment",
    "Outcome",
    "OverheadRate",
    "Person",
    "Photo",
    "Role",
    "Shop",
    "Site",
    "StandardUse",
    "Technician",
    "Van",
    "WaitingUse",
    "in_shop_zone",
    "on_shop_clocks",
    "start_of_day",
    "the_shop",
]
