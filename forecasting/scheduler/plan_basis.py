"""What a week's drafts rest on besides the ledger: bookings and settings, as one digest to compare.

They may be changed without a trace, so the digest alone tells whether they still are what the drafts knew.
"""

import hashlib
import json
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

from django.db.models import Count

from forecasting.models import ConsumableTerms, StockingTerms, VanSpace, the_terms
from shop.models import Job, JobStatus, StandardUse
from shop.workload.job_counts import LATE_DAYS

# Of the shop's terms; the others are about letters and orders to suppliers.
OF_VANS = (
    *("review_days", "van_lead_days", "restock_from_id", "a_share", "b_share"),
    *("service_stops_a_job", "service_a", "service_b", "service_c"),
)


def digest(week_begins: date) -> str:
    """Return the digest of what drafts of a week rest on now. Five queries."""
    terms = the_terms()
    text = json.dumps([list(part) for part in _parts(terms, week_begins)], default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def _parts(terms: StockingTerms, week_begins: date) -> Iterator[Any]:
    """Yield rows in a fixed order. Bookings are looked at from fixed days on: passing days are no change."""
    yield [getattr(terms, name) for name in OF_VANS]
    yield ConsumableTerms.objects.order_by("pk").values_list("pk", "stops_a_job", "service", "usable_unit")
    yield VanSpace.objects.order_by("place", "consumable").values_list("place", "consumable", "quantity")
    uses = StandardUse.objects.order_by("job_type", "consumable")
    yield uses.values_list("job_type", "consumable", "quantity")
    first = week_begins - timedelta(days=LATE_DAYS)
    last = week_begins + timedelta(weeks=1, days=terms.interval_days)
    booked = Job.objects.filter(status=JobStatus.BOOKED, booked_for__range=(first, last))
    groups = booked.order_by("van", "job_type", "booked_for").values_list("van", "job_type", "booked_for")
    yield groups.annotate(jobs=Count("pk"))
