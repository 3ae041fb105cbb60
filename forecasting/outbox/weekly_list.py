"""What a van's weekly letter says: what to fetch and why, what may expire, and what is booked."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db.models import QuerySet
from django.template.loader import render_to_string

from forecasting.email_addresses import addresses_in, once
from forecasting.models import Restock, RestockLine, RestockStatus, the_terms
from forecasting.outbox.messages import Attachment, Composed, one_line
from forecasting.replenishment.pick_list import file_name, pick_list_csv, pick_list_pdf
from inventory.models import Consumable, Place
from inventory.reports.expiring_stock import expiring
from shop.common.amounts import quantity
from shop.common.text import counted
from shop.models import Job, JobStatus, Technician, in_shop_zone, the_shop

# Four weeks: until about four more lists have come. Common practice, no source.
EXPIRY_DAYS = 28
# Jobs of today and the six days after it.
BOOKED_DAYS = 7
# More would hide the list under its appendices; the pages of the site hold all.
MOST_SHOWN = 30


@dataclass(frozen=True, slots=True)
class ListedLine:
    """One consumable to fetch, as text."""

    name: str
    code: str
    amount: str
    why: str
    short_of: str


@dataclass(frozen=True, slots=True)
class ExpiringLine:
    """A lot to look for, thought to be at a place."""

    place: str
    name: str
    lot: str
    amount: str
    expires_on: date
    expired: bool


def recipients_of(van: Place) -> list[str]:
    """Return who gets a van's list: its technicians who may sign in and have an address, then the shop's.

    Raises ValidationError when the shop's addresses in the stocking terms hold one that is none.
    """
    own = technicians_of([van])[van.pk]
    return once([*addresses_in(",".join(own)), *addresses_in(the_terms().restock_emails)])


def technicians_of(vans: Sequence[Place]) -> dict[int, list[str]]:
    """Return the addresses of the technicians of each van who may sign in, by the van's id. One query."""
    technicians = Technician.objects.filter(van__place__in=vans, person__is_active=True)
    found: dict[int, list[str]] = {van.pk: [] for van in vans}
    rows = technicians.exclude(person__email="").order_by("code").values_list("van__place", "person__email")
    for place, address in rows:
        found[place].append(address)
    return found


def key_of(restock: Restock) -> str:
    """Return the key under which a restock's letter is written once."""
    return f"restock {restock.van.code} {restock.period}"


def compose(restock: Restock, now: datetime) -> Composed:
    """Return the letter of a restock as things stand now."""
    shop = the_shop()
    today = in_shop_zone(now, shop).date()
    names = dict(Consumable.objects.values_list("code", "name"))
    units = dict(Consumable.objects.values_list("code", "stock_unit"))
    lines = [_listed(line) for line in restock.lines.select_related("consumable") if line.due]
    lots = _lots(restock, today, names, units)
    jobs = _booked(restock.van, today)
    monday = date.fromisoformat(f"{restock.period}-1")
    facts = {
        "shop": shop,
        "restock": restock,
        "approved": restock.status != RestockStatus.DRAFT,
        "monday": monday,
        "sunday": monday + timedelta(days=6),
        "lines": lines,
        "lots": lots[:MOST_SHOWN],
        "more_lots": max(len(lots) - MOST_SHOWN, 0),
        "expiry_days": EXPIRY_DAYS,
        "jobs": jobs[:MOST_SHOWN],
        "more_jobs": max(len(jobs) - MOST_SHOWN, 0),
        "cautions": sorted({job.glass.caution for job in jobs if job.glass.caution}),
        "written": in_shop_zone(now, shop),
    }
    things = f"{counted(len(lines), 'thing')} to fetch" if lines else "nothing to fetch"
    return Composed(
        subject=one_line(f"{restock.van.code}: {things}, week {monday:%V} from {monday.day} {monday:%B}"),
        text=render_to_string("forecasting/letter_restock.txt", facts),
        html=render_to_string("forecasting/letter_restock.html", facts),
        attachments=(
            Attachment(file_name(restock, "pdf"), "application/pdf", pick_list_pdf(restock)),
            Attachment(file_name(restock, "csv"), "text/csv", pick_list_csv(restock).encode()),
        ),
    )


def _listed(line: RestockLine) -> ListedLine:
    unit = line.consumable.stock_unit
    short = (
        Decimal(line.wanted - line.suggested) if line.approved is None and line.picked is None else Decimal(0)
    )
    return ListedLine(
        name=line.consumable.name,
        code=line.consumable.code,
        amount=_amount(line.due, unit),
        why=line.why,
        short_of=_amount(short, unit) if short > 0 else "",
    )


def _lots(restock: Restock, today: date, names: dict[str, str], units: dict[str, str]) -> list[ExpiringLine]:
    places = {restock.van.code, restock.depot.code}
    return [
        ExpiringLine(
            place=row.place,
            name=names[row.consumable],
            lot=row.lot,
            amount=_amount(row.quantity, units[row.consumable]),
            expires_on=row.expires_on,
            expired=row.expires_on < today,
        )
        for row in expiring(today + timedelta(days=EXPIRY_DAYS))
        if row.place in places
    ]


def _booked(van: Place, today: date) -> list[Job]:
    """Return the jobs booked on a van for the days to come."""
    last = today + timedelta(days=BOOKED_DAYS - 1)
    jobs: QuerySet[Job] = Job.objects.filter(
        status=JobStatus.BOOKED, van__place=van, booked_for__range=(today, last)
    )
    return list(jobs.select_related("job_type", "damage_type", "glass").order_by("booked_for", "reference"))


def _amount(amount: Decimal, unit: str) -> str:
    """Return an amount with its unit; single things are only counted."""
    return quantity(amount) if unit == "each" else f"{quantity(amount)} {unit}"
