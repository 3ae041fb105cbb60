"""The reconciliation of a period on one page, each number with a link to its rows."""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from django import forms
from django.db.models import Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from inventory.db.repeatable_read import one_snapshot
from inventory.decimals import ZERO
from inventory.models import RefusedDocument
from shop.accounting.period_reconciliation import (
    Part,
    Reconciled,
    late_documents,
    open_provisional,
    reconcile_period,
    total_of,
)
from shop.common.amounts import exact_money
from shop.common.page_fields import EARLIEST, LATEST
from shop.common.pagination import page_of
from shop.costing.absorption import overhead_absorption, wear_absorption
from shop.costing.costing_rows import HEADER, costing_rows
from shop.costing.formulas import AMOUNTS, Absorption, JobCosts
from shop.costing.posted_costs import posted_costs
from shop.models import Role, the_shop
from shop.people.permissions import for_roles
from shop.web.accounting.forms import BooksPeriodForm
from shop.web.owner.section_links import areas
from shop.web.tables import Cell, Column, Table, address, numbers


class ReconciliationForm(BooksPeriodForm):
    """The period, and its actual overhead."""

    overhead = forms.DecimalField(
        label="Overhead really spent", required=False, min_value=0, max_digits=19, decimal_places=4
    )


@dataclass(frozen=True, slots=True)
class Proof:
    """Two figures that must be equal, computed in different ways."""

    what: str
    one: Decimal
    other: Decimal

    @property
    def difference(self) -> Decimal:
        return self.one - self.other


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def reconciliation(request: HttpRequest) -> HttpResponse:
    """Show where the value of a period went, and that nothing is unexplained."""
    form = ReconciliationForm(request)
    with one_snapshot():
        by_consumable = reconcile_period(form.period)
        total = total_of(by_consumable.values())
        wear = wear_absorption(form.period.start, form.period.end)
        overhead = overhead_absorption(form.chosen("overhead") or ZERO, form.period.start, form.period.end)
        proofs = _proofs(form, total, wear)
        waiting = _waiting(form)
    page = page_of(request, list(by_consumable.items()), "page")
    context = {
        "title": "Reconciliation",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "intro": [f"{form.period}, in {the_shop().currency}, to the last digit the books keep."],
        "tables": [
            _identity_table(total, form),
            _proofs_table(proofs),
            _absorption_table(wear, overhead, form),
            _waiting_table(waiting),
            _consumables_table(page, total),
        ],
        "broken": [proof.what for proof in proofs if proof.difference],
        "rows": page,
        "of": "consumables",
    }
    return render(request, "shop/accounting/reconciliation.html", context)


def _proofs(form: BooksPeriodForm, total: Reconciled, wear: Absorption) -> list[Proof]:
    """Return the checks: the ledger with itself, with the jobs, and the jobs with their export."""
    posted = posted_costs(form.period.start, form.period.end)
    sums = posted.aggregate(**{f"total_{name}": Sum(name) for name in AMOUNTS})
    costs = JobCosts(*(sums[f"total_{name}"] or ZERO for name in AMOUNTS))
    exported_materials, exported_margin = _exported(form)
    return [
        Proof("Receipts, and where they went", total.receipts, total.gone_or_there),
        Proof("Materials: the ledger, and the jobs", total.job_materials, costs.materials),
        Proof("Wear parts: the ledger, and the wear pool", total.wear_parts, wear.actual),
        Proof("Materials: the jobs, and the costing export", costs.materials, exported_materials),
        Proof("Margin: the jobs, and the costing export", costs.margin, exported_margin),
    ]


def _exported(form: BooksPeriodForm) -> tuple[Decimal, Decimal]:
    """Return the sums of materials and margin of the rows that the costing export gives, one by one."""
    materials = margin = ZERO
    at_materials, at_margin = HEADER.index("materials"), HEADER.index("margin")
    for row in costing_rows(form.period.start or EARLIEST, form.period.end or LATEST):
        materials += Decimal(row[at_materials])
        margin += Decimal(row[at_margin])
    return materials, margin


def _waiting(form: BooksPeriodForm) -> dict[str, tuple[int, str]]:
    """Return the open items: how many, and where."""
    return {
        "Uses whose cost is provisional until a receipt": (
            len(open_provisional(form.period)),
            address("accounts:provisional", **form.query),
        ),
        "Documents of earlier days that count in this period": (
            late_documents(form.period).count(),
            address("accounts:late", **form.query),
        ),
        "Refused documents that wait for a person": (
            RefusedDocument.objects.filter(resolved_at__isnull=True).count(),
            address("accounts:refused"),
        ),
    }


def _identity_table(total: Reconciled, form: BooksPeriodForm) -> Table:
    def rows_of(part: Part) -> str:
        return address("accounts:movements", **form.query, part=part)

    parts = [
        (Part.MATERIALS, total.job_materials),
        (Part.PARTS, total.wear_parts),
        (Part.LOSSES, total.losses),
        (Part.SCRAP, total.scrap),
    ]
    stock = address("accounts:stock", **form.query)
    return Table(
        caption="Receipts = job materials + wear parts + losses + scrap + adjustments + change of stock",
        columns=[Column("Value"), *numbers("Amount"), Column("What it is")],
        rows=[
            [
                Cell("Receipts", rows_of(Part.RECEIPTS)),
                Cell(exact_money(total.receipts), strong=True),
                Cell("landed value received, less what went back"),
            ],
            *[
                [Cell(part.capitalize(), rows_of(part)), Cell(exact_money(amount)), Cell(SAID[part])]
                for part, amount in parts
            ],
            [
                Cell("Adjustments", address("accounts:adjustments", **form.query)),
                Cell(exact_money(total.adjustments)),
                Cell("final cost of uses before their receipt, less their provisional value"),
            ],
            [
                Cell("Change of stock", stock),
                Cell(exact_money(total.change_of_stock)),
                Cell(f"from {exact_money(total.opening_stock)} to {exact_money(total.closing_stock)}"),
            ],
        ],
        total=[
            Cell("Unexplained"),
            Cell(exact_money(total.unexplained), good="" if total.unexplained else "proven"),
            Cell("receipts less all that follows; must be 0"),
        ],
    )


SAID = {
    Part.MATERIALS: "consumables that jobs took, less what came back",
    Part.PARTS: "long-lived parts that jobs took; jobs bear wear by the minute instead",
    Part.LOSSES: "shortages found by counts, less surpluses",
    Part.SCRAP: "scrapped, with a reason",
}


def _proofs_table(proofs: Iterable[Proof]) -> Table:
    return Table(
        caption="Found in two ways each",
        columns=[Column("What"), *numbers("The one", "The other", "Difference")],
        rows=[
            [
                Cell(proof.what),
                Cell(exact_money(proof.one)),
                Cell(exact_money(proof.other)),
                Cell(exact_money(proof.difference), strong=True, good="" if proof.difference else "agree"),
            ]
            for proof in proofs
        ],
    )


def _absorption_table(wear: Absorption, overhead: Absorption, form: ReconciliationForm) -> Table:
    is_known = form.chosen("overhead") is not None
    return Table(
        caption="Charged to jobs by predetermined rates, against what was spent",
        columns=[Column("Pool"), *numbers("Charged", "Spent", "Balance"), Column("That is")],
        rows=[
            [
                Cell("Wear of long-lived parts"),
                Cell(exact_money(wear.absorbed)),
                Cell(exact_money(wear.actual)),
                Cell(exact_money(wear.balance), strong=True),
                Cell(_absorbed(wear)),
            ],
            [
                Cell("Overhead"),
                Cell(exact_money(overhead.absorbed)),
                Cell(exact_money(overhead.actual) if is_known else ""),
                Cell(exact_money(overhead.balance) if is_known else "", strong=True),
                Cell(_absorbed(overhead) if is_known else "give above the actual cost"),
            ],
        ],
    )


def _absorbed(absorption: Absorption) -> str:
    return "absorbed exactly" if absorption.word == "even" else f"{absorption.word}-absorbed"


def _waiting_table(waiting: dict[str, tuple[int, str]]) -> Table:
    return Table(
        caption="Still to look at",
        columns=[Column("What"), *numbers("How many")],
        rows=[
            [Cell(what, href), Cell(f"{number:,}", strong=bool(number))]
            for what, (number, href) in waiting.items()
        ],
    )


def _consumables_table(page: Iterable[tuple[str, Reconciled]], total: Reconciled) -> Table:
    def cells(found: Reconciled) -> list[Cell]:
        amounts = (
            *(found.receipts, found.job_materials, found.wear_parts, found.losses, found.scrap),
            *(found.adjustments, found.opening_stock, found.closing_stock),
        )
        unexplained = Cell(exact_money(found.unexplained), strong=bool(found.unexplained))
        return [*(Cell(exact_money(amount)) for amount in amounts), unexplained]

    return Table(
        caption="By consumable",
        columns=[
            Column("Consumable"),
            *numbers("Receipts", "Materials", "Parts", "Losses", "Scrap", "Adjustments"),
            *numbers("Stock before", "Stock after", "Unexplained"),
        ],
        rows=[[Cell(code), *cells(found)] for code, found in page],
        total=[Cell("All"), *cells(total)],
        empty="Nothing was ever received or used.",
    )
