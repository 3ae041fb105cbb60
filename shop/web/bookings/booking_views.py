"""Booking a job, changing its booking, cancelling it."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from shop.jobs import bookings
from shop.models import Job, JobStatus, Role, the_shop
from shop.people.admin_log import note_change
from shop.people.permissions import for_roles, person_of
from shop.web.bookings import customer_fields
from shop.web.bookings.booking_form import BookingForm, NewBookingForm, as_asked, as_booked, next_reference
from shop.web.bookings.work_form import unit_for
from shop.web.form_errors import add_errors
from shop.web.tables import address

FORM = "shop/bookings/booking.html"


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def book(request: HttpRequest) -> HttpResponse:
    """Book a job, filled in with what an estimate was asked for."""
    shop = the_shop()
    start = as_asked(request.GET.dict(), timezone.localdate())
    unit = unit_for(request.POST or request.GET, person_of(request), shop)
    form = NewBookingForm(
        request.POST or None, unit, shop.currency, initial={"reference": next_reference(), **start}
    )
    if request.method == "POST" and form.is_valid():
        try:
            with transaction.atomic():
                job, is_new = bookings.book_new(form.cleaned_data["reference"], form.said())
        except bookings.AlreadyBooked as error:
            free = next_reference()
            form.add_error("reference", f"{error} {free} is free.")
            form.propose_anew(free)
        except ValidationError as error:
            add_errors(form, error)
        else:
            if is_new:
                note_change(person_of(request), job, f"booked: {_where(job)}", added=True)
            messages.success(request, f"{job}: {_where(job)}{'' if is_new else ' already'}.")
            _say_what_is_odd(request, job)
            return _to_list_of(job)
    context = {
        "title": "Book a job",
        "shop": shop,
        "form": form,
        "customers": customer_fields.offered(),
        "button": "Book",
    }
    return render(request, FORM, context, status=400 if form.errors else 200)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def change(request: HttpRequest, pk: int) -> HttpResponse:
    """Change a booking; one that was cancelled is booked again by saving it."""
    shop = the_shop()
    job = get_object_or_404(_jobs(), pk=pk)
    if job.status == JobStatus.CLOSED:
        return _closed(request, job)
    unit = unit_for(request.POST, person_of(request), shop)
    form = BookingForm(request.POST or None, unit, shop.currency, initial=as_booked(job, unit))
    if job.site:
        form.fields["customer"].help_text = f"{job.site.customer}; the name or code of another changes it"
    before = _where(job)
    if request.method == "POST" and form.is_valid():
        try:
            with transaction.atomic():
                job, _ = bookings.book(job.reference, form.said())
        except bookings.AlreadyClosed:
            return _closed(request, job)
        except ValidationError as error:
            add_errors(form, error)
        else:
            moved = f", before: {before}" if before != _where(job) else ""
            note_change(person_of(request), job, f"changed the booking: {_where(job)}{moved}")
            messages.success(request, f"{job}: {_where(job)}.")
            _say_what_is_odd(request, job)
            return _to_list_of(job)
    context = {
        "title": f"Booking {job}",
        "shop": shop,
        "form": form,
        "job": job,
        "is_cancelled": job.status == JobStatus.CANCELLED,
        "customers": customer_fields.offered(),
        "button": "Save and book again" if job.status == JobStatus.CANCELLED else "Save",
    }
    return render(request, FORM, context, status=400 if form.errors else 200)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def cancel(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask, then cancel a booking; it can be booked again from its page."""
    job = get_object_or_404(_jobs(), pk=pk)
    if job.status == JobStatus.CLOSED:
        return _closed(request, job)
    if request.method == "POST":
        reason = " ".join(request.POST.get("reason", "").replace("\0", " ").split())[:200]
        try:
            job = bookings.cancel(job.reference, reason)
        except bookings.AlreadyClosed:
            return _closed(request, job)
        note_change(person_of(request), job, f"cancelled the booking{f': {reason}' if reason else ''}")
        messages.success(request, f"{job} is cancelled. Its page books it again.")
        return redirect("intake:bookings")
    return render(
        request, "shop/bookings/cancel.html", {"title": f"Cancel {job}", "shop": the_shop(), "job": job}
    )


def _jobs() -> Any:
    return Job.objects.select_related(
        *("van__place", "technician", "job_type", "damage_type", "glass", "site__customer", "callback_of")
    )


def _where(job: Job) -> str:
    day = f"{job.booked_for:%Y-%m-%d}" if job.booked_for else "no day yet"
    return f"{day}, {job.van}"


def _say_what_is_odd(request: HttpRequest, job: Job) -> None:
    if job.booked_for and job.booked_for < timezone.localdate():
        messages.warning(request, f"{job.booked_for:%Y-%m-%d} is past. If that is a mistake, change it.")


def _closed(request: HttpRequest, job: Job) -> HttpResponseRedirect:
    messages.error(request, f"{job} was closed: it changes through documents only.")
    return redirect("owner:job", pk=job.pk)


def _to_list_of(job: Job) -> HttpResponseRedirect:
    """Go to the day's bookings, so that the van's load shows at once."""
    return HttpResponseRedirect(address("intake:bookings", start=job.booked_for, end=job.booked_for))
