"""How many jobs each van did and has booked, as the books were known at a moment.

A booking may be moved or cancelled without a trace, so what was booked earlier is not known here; whoever
needs to know later writes it down.
"""

from datetime import date, datetime, timedelta

from django.db.models import Count, Min, Sum

from inventory.reports.iso_weeks import Weeks
from shop.models import Job, JobCost, JobStatus, Van

# A job booked for earlier and still open is taken to be done soon; one that is older was forgotten.
LATE_DAYS = 14
DAYS_A_WEEK = 7


def first_job(known_at: datetime) -> datetime | None:
    """Return when the first job was done, None before that."""
    done = JobCost.objects.filter(jobs=1, document__recorded_at__lte=known_at)
    moment: datetime | None = done.order_by().aggregate(first=Min("closed_at"))["first"]
    return moment


def van_places() -> list[int]:
    """Return the places of all vans there are now, in the order of their ids."""
    return sorted(Van.objects.order_by().values_list("place_id", flat=True))


def jobs_done(weeks: Weeks, known_at: datetime) -> list[tuple[int, int, int]]:
    """Return how many jobs each van did in each week: (its place, number of the week, jobs), where it did.

    A job counts when and where its close said that it was done, and not at all when that was undone. One
    query.
    """
    rows = (
        JobCost.objects.filter(
            document__recorded_at__lte=known_at, closed_at__gte=weeks.start, closed_at__lt=weeks.end
        )
        .exclude(jobs=0)
        .order_by()
        .annotate(week=weeks.number_of("closed_at"))
        .values_list("van__place", "week")
        .annotate(total=Sum("jobs"))
    )
    return [row for row in rows if row[-1]]


def jobs_booked(today: date, weeks: int) -> dict[int, list[int]]:
    """Return how many jobs are booked for each van now, by its place, for each seven days from today on.

    Those that were booked for the last LATE_DAYS and are still open count in the first seven. One query.
    """
    last = today + timedelta(days=weeks * DAYS_A_WEEK - 1)
    rows = (
        Job.objects.filter(
            status=JobStatus.BOOKED, booked_for__range=(today - timedelta(days=LATE_DAYS), last)
        )
        .order_by()
        .values_list("van__place", "booked_for")
        .annotate(jobs=Count("pk"))
    )
    found: dict[int, list[int]] = {}
    for place, day, jobs in rows:
        if day is not None:
            booked = found.setdefault(place, [0] * weeks)
            booked[max((day - today).days, 0) // DAYS_A_WEEK] += jobs
    return found
