"""How many jobs each van did and has booked, as the books were known at a moment.

A booking may be moved or cancelled without a trace, so what was booked earlier is not known here; a caller
who needs to know later writes it down.
"""

from datetime import date, datetime, timedelta

from django.db.models import Count, Min, Sum

from inventory.reports.iso_weeks import Weeks
from inventory.weeks import A_WEEK, DAYS_A_WEEK, monday_of
from shop.models import Job, JobCost, JobStatus, Van, in_shop_zone, the_shop
from shop.workload.regular_work import opening

# A job booked for earlier and still open counts as due soon; an older one counts as forgotten.
LATE_DAYS = 14


def first_job(known_at: datetime) -> datetime | None:
    """Return when the first job was done, None before that."""
    done = JobCost.objects.filter(jobs=1, document__recorded_at__lte=known_at)
    moment: datetime | None = done.order_by().aggregate(first=Min("closed_at"))["first"]
    return moment


def latest_close() -> date | None:
    """Return the day of the latest closed job, None without one."""
    latest = Job.objects.filter(closed_at__isnull=False).order_by("-closed_at").first()
    return in_shop_zone(latest.closed_at, the_shop()).date() if latest and latest.closed_at else None


def regular_work_from(known_at: datetime) -> date | None:
    """Return the Monday of the week in which regular work began, None before any job; see
    shop.workload.regular_work.

    Two queries.
    """
    shop = the_shop()
    first = first_job(known_at)
    if first is None:
        return None
    start = monday_of(in_shop_zone(first, shop).date())
    ahead = (in_shop_zone(known_at, shop).date() - start) // A_WEEK + 1
    weeks = Weeks(start, max(ahead, 0), shop.zone)
    week = opening({week for _, week, jobs in jobs_done(weeks, known_at) if jobs > 0})
    return None if week is None else start + week * A_WEEK


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
