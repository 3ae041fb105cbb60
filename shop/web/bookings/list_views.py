"""Booked jobs by day and van."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Count, F, Q, QuerySet, Sum, Window
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from inventory.db.fixed_point import FixedPointField
from inventory.models import Books
from shop.accounting.periods import days_problem
from shop.common.amounts import money, quantity, shown_length
from shop.common.page_fields import DayField
from shop.common.pagination import page_of
from shop.models import Job, JobStatus, LengthUnit, Person, Role, Shop, the_shop
from shop.people.permissions import for_roles, own_van, person_of, role_of
from shop.web.bookings.work_form import VanField
from shop.web.tables import Cell, Column, Table, address, numbers

STATUSES = [(JobStatus.BOOKED.value, "Booked"), (JobStatus.CANCELLED.value, "Cancelled")]


class BookingFilterForm(forms.Form):
    """Which bookings: of a van, of some days, by reference or customer, or those that were cancelled."""

    van = VanField(required=False, empty_label="All vans")
    start = DayField(label="From", required=False)
    end = DayField(label="To", required=False)
    q = forms.CharField(label="Reference or customer contains", required=False, max_length=64)
    status = forms.ChoiceField(choices=STATUSES, required=False)

    def clean(self) -> dict[str, Any]:
        """Refuse days that end before they start."""
        cleaned = super().clean() or {}
        if wrong := days_problem(cleaned.get("start"), cleaned.get("end")):
            raise ValidationError(wrong)
        return cleaned


@never_cache
@require_safe
@for_roles(Role.TECHNICIAN, Role.STOREKEEPER, Role.OWNER)
def bookings(request: HttpRequest) -> HttpResponse:
    """List bookings: an owner's with what they bring, a technician's own, a storekeeper's as work ahead."""
    person, shop = person_of(request), the_shop()
    role = role_of(person)
    form = BookingFilterForm({"status": JobStatus.BOOKED, **request.GET.dict()})
    if role == Role.TECHNICIAN:
        del form.fields["van"]
    if role == Role.STOREKEEPER:
        form.fields["q"].label = "Reference has"
    found = form.cleaned_data if form.is_valid() else {}
    rows = page_of(request, _booked(person, found), "page")
    context = {
        "title": "Bookings",
        "shop": shop,
        "form": form,
        "may_change": role == Role.OWNER,
        "table": _table(list(rows), role, shop, person.length_unit_in(shop)),
        "rows": rows,
    }
    return render(request, "shop/bookings/bookings.html", context, status=400 if form.errors else 200)


def _booked(person: Person, chosen: dict[str, Any]) -> QuerySet[Job]:
    """Return what a person may see of what was chosen, each with how many its van has that day."""
    jobs = Job.objects.filter(status=chosen.get("status") or JobStatus.BOOKED)
    role = role_of(person)
    if role == Role.TECHNICIAN:
        own = own_van(person)
        jobs = jobs.filter(pk__in=own.jobs().values("pk")) if own else jobs.none()
    if chosen.get("van"):
        jobs = jobs.filter(van=chosen["van"])
    if chosen.get("start"):
        jobs = jobs.filter(booked_for__gte=chosen["start"])
    if chosen.get("end"):
        jobs = jobs.filter(booked_for__lte=chosen["end"])
    if chosen.get("q"):
        like = Q(reference__icontains=chosen["q"])
        # A storekeeper sees no customers, so cannot look for one either.
        if role != Role.STOREKEEPER:
            like |= Q(site__customer__name__icontains=chosen["q"])
        jobs = jobs.filter(like)
    that_day = [F("van"), F("booked_for")]
    minutes = Sum("job_type__standard_minutes")
    return (
        jobs.select_related(
            "van__place", "technician", "job_type", "damage_type", "glass", "site__customer", "callback_of"
        )
        .annotate(
            day_jobs=Window(Count("pk"), partition_by=that_day),
            day_minutes=Window(minutes, partition_by=that_day, output_field=FixedPointField()),
        )
        .order_by(F("booked_for").asc(nulls_first=True), "van__place__code", "reference")
    )


def _table(jobs: list[Any], role: Role, shop: Shop, unit: LengthUnit) -> Table:
    digits = Books.objects.get().minor_unit_digits
    sees_customers = role != Role.STOREKEEPER
    columns = [Column("Day"), Column("Van"), Column("Job"), Column("Work")]
    if sees_customers:
        columns += [Column("Customer"), *numbers(f"Price in {shop.currency}")]
    rows = []
    for job in jobs:
        row = [_day(job), _van(job), _job(job, may_change=role == Role.OWNER), _work(job, unit)]
        if sees_customers:
            row += [_customer(job), Cell(money(job.price, digits))]
        rows.append(row)
    return Table(
        caption="Jobs by day and van",
        columns=columns,
        rows=rows,
        empty="No booking matches. Remove a filter, or book a job.",
    )


def _day(job: Any) -> Cell:
    if job.booked_for is None:
        return Cell("No day yet", tags=("no day",))
    is_late = job.status == JobStatus.BOOKED and job.booked_for < timezone.localdate()
    return Cell(
        f"{job.booked_for:%Y-%m-%d}", note=f"{job.booked_for:%A}", tags=("still open",) if is_late else ()
    )


def _van(job: Any) -> Cell:
    load = f"{job.day_jobs} job{'' if job.day_jobs == 1 else 's'} that day"
    if job.day_minutes:
        load += f", {quantity(job.day_minutes)} standard minutes"
    parts = (f"{job.technician}" if job.technician else "", load if job.booked_for else "")
    return Cell(job.van.code, note="; ".join(part for part in parts if part))


def _job(job: Any, *, may_change: bool) -> Cell:
    tags: tuple[str, ...] = ("cancelled",) if job.status == JobStatus.CANCELLED else ()
    if job.callback_of:
        tags += (f"callback of {job.callback_of}",)
    return Cell(job.reference, address("intake:change", job.pk) if may_change else "", tags=tags)


def _work(job: Any, unit: LengthUnit) -> Cell:
    length = f", {shown_length(job.length_mm, unit)}" if job.length_mm is not None else ""
    tags = ("in primary view",) if job.in_primary_view else ()
    return Cell(f"{job.job_type}", note=f"{job.damage_type} on {job.glass}{length}", tags=tags)


def _customer(job: Any) -> Cell:
    return Cell(f"{job.site.customer}", note=job.site.name) if job.site else Cell("Not known")
