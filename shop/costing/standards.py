"""Standards from a day on: changing one never changes what earlier jobs are held against.

The standard of today is kept with the job type, its standard uses and the consumable; what was in force
before is in FormerStandard. Whoever saves one of these reads `present_standards` first and ends with
`keep_former_standards`.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date, datetime, time, timedelta
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Case, IntegerField, Q, QuerySet, Value, When
from django.utils import timezone

from inventory.ledger.period_lock import hold_postings
from inventory.models import Consumable
from shop.costing.rates import first_open_day
from shop.models import BEGINNING, FormerStandard, JobType, StandardUse, the_shop

# (job type, consumable): minutes of the one, cost of the other, or the quantity of both.
Key = tuple[int | None, int | None]
Standards = Mapping[Key, Decimal | None]
ONE_DAY = timedelta(days=1)
FROM_HELP = (
    "the day from which these standards count; left empty, a first one counts from the first open day, "
    "and a changed one from today"
)


def present_standards(item: JobType | Consumable) -> Standards:
    """Return the standards of today that are stored with a job type or a consumable; none of a new one."""
    if isinstance(item, Consumable):
        stored = Consumable.objects.filter(pk=item.pk, standard_cost__isnull=False)
        return {(None, pk): cost for pk, cost in stored.values_list("pk", "standard_cost")}
    services = JobType.objects.filter(pk=item.pk).exclude(standard_minutes=0)
    uses = StandardUse.objects.filter(job_type=item.pk)
    return {
        **{(pk, None): minutes for pk, minutes in services.values_list("pk", "standard_minutes")},
        **{(item.pk, consumable): much for consumable, much in uses.values_list("consumable", "quantity")},
    }


def check_start(day: date | None) -> None:
    """Raise ValidationError when no standard can be in force from `day` on: it is locked, or to come."""
    if day is None:
        return
    hold_postings()
    first, today = _first_open_day_and_today()
    if first != BEGINNING and day < first:
        message = f"{day} is locked; the first open day is {first}: let the standards start then"
        raise ValidationError({"standards_from": message})
    if day > today:
        message = f"{day} is after today, {today}; set the standards once they are in force"
        raise ValidationError({"standards_from": message})


@transaction.atomic
def keep_former_standards(item: JobType | Consumable, before: Standards, day: date | None) -> None:
    """Let what is stored with `item` count from `day` on, and earlier jobs keep what was in force until then.

    `before` are its present standards before they were changed. Without a day, a first standard counts from
    the first open day, and a changed one from today. Raises ValidationError as check_start does.
    """
    hold_postings()
    check_start(day)
    now = present_standards(item)
    first, today = _first_open_day_and_today()
    former = _former(_rows_of(item))
    for key in before.keys() | now.keys() | former.keys():
        old, new, past = before.get(key), now.get(key), former.get(key, [])
        if day is None and old == new:
            continue
        is_first = old is None and not past
        start = max(BEGINNING, day or (first if is_first else max(first, today)))
        until_then = _on(past, start - ONE_DAY, old)
        job_type, consumable = key
        _rows_of(item).filter(consumable=consumable, in_force_before__gte=start).delete()
        if until_then != new and start > BEGINNING:
            FormerStandard.objects.create(
                job_type_id=job_type, consumable_id=consumable, in_force_before=start, value=until_then
            )


def _first_open_day_and_today() -> tuple[date, date]:
    books = the_shop().books
    return first_open_day(books.zone), books.day_of(timezone.now())


def _rows_of(item: JobType | Consumable) -> QuerySet[FormerStandard]:
    if isinstance(item, Consumable):
        return FormerStandard.objects.filter(job_type=None, consumable=item)
    return FormerStandard.objects.filter(job_type=item)


class StandardsByDay:
    """All standards by the day of a job, read in two queries. Time falls into stretches without a change."""

    def __init__(self, other_days: Iterable[date] = ()) -> None:
        """Read the former standards; stretches also end on `other_days`."""
        self._former = _former(FormerStandard.objects.all())
        untils = {until for past in self._former.values() for until, _ in past}
        self._days = sorted(untils.union(other_days))
        self._zone = the_shop().zone

    def stretch(self, closed_at: str) -> Case:
        """Return the number of the stretch in which a job was closed; `closed_at` names the field."""
        starts = [datetime.combine(day, time.min, tzinfo=self._zone) for day in self._days]
        cases = [When(Q((f"{closed_at}__lt", start)), then=number) for number, start in enumerate(starts)]
        return Case(*cases, default=Value(len(starts)), output_field=IntegerField())

    def first_day(self, stretch: int) -> date:
        """Return the day with which a stretch begins."""
        return self._days[stretch - 1] if stretch else date.min

    def in_force(self, key: Key, stretch: int, present: Decimal | None) -> Decimal | None:
        """Return the standard of a stretch, given that of today."""
        day = self.first_day(stretch)
        return _on(self._former.get(key, ()), day, present)

    def keys(self) -> Iterable[Key]:
        """Return what has a former standard."""
        return self._former.keys()


def _on(past: Iterable[tuple[date, Decimal | None]], day: date, present: Decimal | None) -> Decimal | None:
    """Return what was in force on a day: the first former standard that counted beyond it, or the present."""
    return next((value for until, value in past if until > day), present)


def _former(rows: QuerySet[FormerStandard]) -> dict[Key, list[tuple[date, Decimal | None]]]:
    """Return former standards by key, the first one first, each with the day before which it was in force."""
    former: dict[Key, list[tuple[date, Decimal | None]]] = defaultdict(list)
    for job_type, consumable, until, value in rows.order_by("in_force_before").values_list(
        "job_type_id", "consumable_id", "in_force_before", "value"
    ):
        former[job_type, consumable].append((until, value))
    return former
