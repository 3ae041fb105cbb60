"""From a total to its jobs, and from a job to the documents and movements that made its cost."""

from typing import Any

from django import forms
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from shop.common.amounts import percent, quantity, shown_length
from shop.common.pagination import page_of
from shop.costing.formulas import JobCosts
from shop.costing.posted_costs import posted_costs
from shop.models import Job, LengthUnit, Role, Shop, the_shop
from shop.people.permissions import for_roles, is_owner, person_of
from shop.profitability.margins import GROUPINGS, in_group
from shop.web.grouping_form import GROUPS, shown
from shop.web.owner.job_drilldown import JobMovement, Posted, posted_to, total_of
from shop.web.owner.job_totals import SORTS, JobSum, jobs_with_costs, sums_of
from shop.web.owner.job_totals import total_of as total_of_jobs
from shop.web.owner.section_links import areas
from shop.web.period_form import PeriodForm
from shop.web.tables import (
    COST_COLUMNS,
    Cell,
    Column,
    Money,
    Table,
    address,
    cost_cells,
    numbers,
    shop_money,
    texts,
)


class JobsForm(PeriodForm):
    """Which jobs: of a period, of a group, by reference, only losing ones; and their order."""

    q = forms.CharField(label="Reference has", required=False, max_length=64)
    losing = forms.BooleanField(label="Only those that lost money", required=False)
    sort = forms.ChoiceField(label="Order", choices=list(SORTS.items()), required=False)
    by = forms.ChoiceField(
        choices=[(name, name) for name in GROUPINGS], required=False, widget=forms.HiddenInput
    )
    group = forms.CharField(required=False, max_length=200, widget=forms.HiddenInput)
    lifetime = forms.BooleanField(required=False, widget=forms.HiddenInput)

    def usual_choices(self) -> dict[str, Any]:
        """Return the latest jobs of all groups."""
        return {"sort": "-closed", "q": "", "losing": False, "by": "", "group": "", "lifetime": False}


class WholeForm(PeriodForm):
    """The period from which a job was asked for, all time when it was not asked for from one."""

    usual = "all time"


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def jobs(request: HttpRequest) -> HttpResponse:
    """List the jobs of a group and period with what they earned and cost, adding up to the group's total."""
    form = JobsForm(request)
    by, group, lifetime = form.chosen("by"), form.chosen("group"), bool(form.chosen("lifetime"))
    costs = posted_costs(form.period.start, form.period.end)
    if by and group:
        try:
            costs = in_group(costs, by, group, lifetime=lifetime)
        except ValueError as error:
            raise Http404(str(error)) from error
    rows = jobs_with_costs(
        costs, reference=form.chosen("q"), losing=bool(form.chosen("losing")), sort=form.chosen("sort")
    )
    page = page_of(request, rows, "page")
    count, total = total_of_jobs(rows)
    shop, written = the_shop(), shop_money()
    of = f"{GROUPS.get(by, by)} {shown(group)}" if by and group else "all jobs"
    context = {
        "title": f"Jobs: {of}",
        "areas": areas(request),
        "shop": shop,
        "form": form,
        "intro": _intro(by, group, lifetime=lifetime),
        "links_here": [Cell("All groups", address("owner:jobs", **form.query))] if by and group else [],
        "tables": [
            Table(
                caption=f"What {count:,} jobs posted in {form.period}, in {shop.currency}",
                columns=[Column("Job"), Column("Work"), *COST_COLUMNS, *numbers("Ratio")],
                rows=[_job_row(found, form, written) for found in sums_of(page)],
                total=[
                    Cell(f"All {count:,} jobs"),
                    Cell(""),
                    *cost_cells(total, written),
                    Cell(_ratio(total)),
                ],
                empty="No job with postings matches.",
            )
        ],
        "rows": page,
        "of": "jobs",
    }
    return render(request, "shop/owner/desk.html", context)


def _intro(by: str, group: str, *, lifetime: bool) -> list[str]:
    if not (by and group):
        return []
    lines = [f"The jobs that make the total of {GROUPS.get(by, by)} {shown(group)}."]
    if lifetime:
        lines.append("Callbacks are listed where the job they repeat belongs.")
    return lines


def _ratio(costs: JobCosts) -> str:
    return percent(float(costs.margin / costs.revenue) if costs.revenue > 0 else None)


def _job_row(found: JobSum, form: JobsForm, written: Money) -> list[Cell]:
    job = found.job
    closed = f"{timezone.localtime(job.closed_at):%Y-%m-%d}" if job.closed_at else "open again"
    who = f"{job.technician or 'nobody'}, {job.van}, {closed}"
    tags = (f"callback of {job.callback_of}",) if job.callback_of else ()
    return [
        Cell(job.reference, address("owner:job", job.pk, **form.query), tags=tags),
        Cell(f"{job.job_type}, {job.damage_type} on {job.glass}", note=who),
        *cost_cells(found.costs, written),
        Cell(_ratio(found.costs)),
    ]


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def job(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one job: costs by kind, each document that posted them, its movements and uses, its questions."""
    found = get_object_or_404(
        Job.objects.select_related(
            "technician", "van__place", "job_type", "damage_type", "glass", "callback_of", "site__customer"
        ),
        pk=pk,
    )
    form = WholeForm(request)
    posted = posted_to(found)
    shop, written = the_shop(), shop_money()
    context = {
        "title": f"Job {found.reference}",
        "areas": areas(request),
        "shop": shop,
        "job": found,
        "facts": _facts(found, person_of(request).length_unit_in(shop)),
        "tables": [_documents_table(posted, form, shop, written)],
        "documents": [
            {
                "posted": each,
                "tables": [
                    table for table in (_movements_table(each, written), _uses_table(each, written)) if table
                ],
                "materials": written(each.material_value),
                "parts": written(each.part_value) if each.part_value else "",
                "wear": written(each.wear_charged),
            }
            for each in posted
            if each.moved or each.worked
        ],
        "callbacks": list(found.callbacks.order_by("reference")[:50]),
        "findings": list(found.findings.filter(document__corrected_by__isnull=True)),
        "photos": list(found.photos.order_by("-moment", "recorded_at")) if is_owner(request.user) else [],
    }
    return render(request, "shop/owner/job.html", context)


def _facts(job: Job, length_unit: LengthUnit) -> list[tuple[str, str]]:
    facts = [
        ("Status", f"{job.status}{f', {job.outcome}' if job.outcome else ''}"),
        ("Closed", f"{timezone.localtime(job.closed_at):%Y-%m-%d %H:%M}" if job.closed_at else ""),
        ("Technician and van", f"{job.technician or 'nobody yet'}, {job.van}"),
        ("Service", f"{job.job_type}"),
        ("Damage", f"{job.damage_type} on {job.glass}"),
        ("Length", shown_length(job.length_mm, length_unit) if job.length_mm is not None else ""),
        ("Catches a fingernail", {True: "yes", False: "no", None: ""}[job.catches_fingernail]),
        ("Primary viewing area", "yes" if job.in_primary_view else ""),
        ("Customer", f"{job.site.customer}, {job.site.name}" if job.site else ""),
        (
            "Minutes",
            f"{quantity(job.labour_minutes)} of labour, {quantity(job.travel_minutes)} of travel"
            if job.labour_minutes is not None and job.travel_minutes is not None
            else "",
        ),
        ("Damage there before", job.existing_damage),
        ("Note", job.note),
    ]
    return [(name, text) for name, text in facts if text]


def _documents_table(posted: list[Posted], form: PeriodForm, shop: Shop, written: Money) -> Table:
    days = form.period

    def is_in(each: Posted) -> bool:
        day = timezone.localtime(each.cost.posted_at).date()
        return (days.start is None or day >= days.start) and (days.end is None or day <= days.end)

    rows = []
    for each in posted:
        tags = () if is_in(each) else (f"not in {days}",)
        document = each.cost.document
        late = document.occurred_at != document.posted_at
        note = f"posted {timezone.localtime(each.cost.posted_at):%Y-%m-%d %H:%M}" + (
            f", happened {timezone.localtime(document.occurred_at):%Y-%m-%d}" if late else ""
        )
        rows.append([Cell(f"{document}", note=note, tags=tags), *cost_cells(each.costs, written)])
    within = [each for each in posted if is_in(each)]
    if 0 < len(within) < len(posted):
        rows.append([Cell(f"Of these in {days}"), *cost_cells(total_of(within), written)])
    return Table(
        caption=f"What each document posted to this job, in {shop.currency}",
        columns=[Column("Document"), *COST_COLUMNS],
        rows=rows,
        total=[Cell("The whole job"), *cost_cells(total_of(posted), written)],
        empty="Nothing was posted to this job: it has not been closed yet.",
    )


def _movements_table(each: Posted, written: Money) -> Table | None:
    if not each.moved:
        return None
    return Table(
        caption="Movements of stock",
        columns=[Column("Consumable"), Column("From and to"), *numbers("Quantity", "Value")],
        rows=[_movement_row(moved, written) for moved in each.moved],
    )


def _movement_row(moved: JobMovement, written: Money) -> list[Cell]:
    movement = moved.movement
    tags = ("provisional",) if moved.provisional else ()
    note = "a part that wears: charged by the minute instead" if moved.is_worn else ""
    if moved.settled:
        note = f"{note} settled by a later receipt: {written(moved.settled)} more".strip()
    return [
        Cell(movement.consumable.name, note=movement.consumable.code),
        Cell(f"{movement.source} to {movement.destination}"),
        Cell(f"{quantity(moved.quantity)} {movement.consumable.stock_unit}"),
        Cell(written(moved.value), tags=tags, note=note),
    ]


def _uses_table(each: Posted, written: Money) -> Table | None:
    if not each.worked or each.cost.document.corrects_id:
        return None
    rows = [
        [
            Cell(worked.use.consumable.name, note=worked.use.consumable.grade),
            *texts(
                f"{quantity(worked.use.quantity)} {worked.use.consumable.stock_unit}",
                quantity(worked.use.minutes),
            ),
            Cell(quantity(worked.use.spoilt), note=worked.use.spoilt_reason),
            Cell(written(worked.charge) if worked.charge else ""),
        ]
        for worked in each.worked
    ]
    return Table(
        caption="As logged",
        columns=[Column("Consumable"), *numbers("Used", "Minutes", "Spoilt", "Wear charged")],
        rows=rows,
    )
