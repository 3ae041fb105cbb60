"""Entering stock documents: receive, move, count, scrap. Odd values are asked about once, then posted."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from inventory import documents
from inventory.documents import DocumentKind
from inventory.ledger import Conflict, Posting, Refused, late_arrivals
from inventory.ledger.late_arrivals import Seen
from inventory.models import Consumable, Pack
from shop.costing.last_landed_cost import last_unit_costs
from shop.jobs import returns_and_corrections
from shop.models import Role, the_shop
from shop.people.permissions import for_roles, person_of
from shop.web.storeroom import entry_forms, typical_quantities
from shop.web.storeroom.counted_before import FIELD, CountQuestion, count_question
from shop.web.storeroom.entry_forms import EnteredLines, HeadForm, LineForm
from shop.web.storeroom.entry_warnings import Entered, count_questions, day_question, questions
from shop.workload.job_counts import latest_close

LISTED_CONSUMABLES = 1000
LISTED_PACKS = 200
# Of a number of lines; Python refuses to read a number of thousands of digits.
MOST_DIGITS = 4


@dataclass(frozen=True, slots=True)
class Entry:
    """One kind of document to enter: its words, forms, and what they make."""

    kind: DocumentKind
    title: str
    verb: str
    help: str
    head: type[HeadForm]
    line: type[LineForm]
    make: Callable[[dict[str, Any], EnteredLines], documents.Document]
    source: str | None = None
    blind: bool = False


RECEIVE = Entry(
    DocumentKind.RECEIPT,
    "Receive a delivery",
    "Receive",
    "Quantities in stock units or packs, such as 50 or 2 box; costs of the whole line, net of tax.",
    entry_forms.ReceiptForm,
    entry_forms.ReceiptLineForm,
    entry_forms.receipt,
)
MOVE = Entry(
    DocumentKind.TRANSFER,
    "Move stock",
    "Move",
    "From one place to another. A move changes no value.",
    entry_forms.TransferForm,
    LineForm,
    entry_forms.transfer,
    "source",
)
SCRAP = Entry(
    DocumentKind.SCRAP,
    "Scrap stock",
    "Scrap",
    "Scrap leaves the stock at its cost. Discs spoilt on a job belong to that job's close.",
    entry_forms.ScrapForm,
    LineForm,
    entry_forms.scrap,
    "place",
)


COUNT = Entry(
    DocumentKind.COUNT,
    "Count stock",
    "Post the count",
    "Count without looking at the book. Leave empty what was not counted; write 0 where none was found.",
    entry_forms.CountForm,
    entry_forms.CountLineForm,
    entry_forms.count,
    source="place",
    blind=True,
)


def _view(entry: Entry) -> Callable[..., HttpResponseBase]:
    @never_cache
    @for_roles(Role.STOREKEEPER, Role.OWNER)
    @require_http_methods(["GET", "HEAD", "POST"])
    def view(request: HttpRequest) -> HttpResponseBase:
        return _enter(request, entry)

    return view


receive = _view(RECEIVE)
move = _view(MOVE)
scrap = _view(SCRAP)
count = _view(COUNT)


def _enter(request: HttpRequest, entry: Entry) -> HttpResponseBase:
    if request.method != "POST":
        head = entry.head(initial={**request.GET.dict(), "id": entry.head.new_id()})
        counted = typical_quantities.shelf(request.GET.get("place", "")) if entry.blind else []
        return _show(request, entry, head, entry_forms.lines_of(entry.line, consumables=counted))
    if "more" in request.POST:
        return _with_more_lines(request, entry)
    head = entry.head(request.POST)
    lines = entry_forms.lines_of(entry.line, request.POST)
    head.is_valid()
    entered = entry_forms.read_lines(lines, head, head.cleaned_data.get("supplier"))
    if not head.is_valid() or not _all_valid(lines):
        return _show(request, entry, head, lines)
    asked = list(_questions(entry, head.cleaned_data, entered))
    document = entry.make(head.cleaned_data, entered)
    question = count_question(document)
    seen = question.answer(request.POST) if question else None
    if (asked and "sure" not in request.POST) or (question and not seen):
        return _show(request, entry, head, lines, asked, counted=question)
    try:
        posting = _post(document, seen, person_of(request).get_username())
    except Refused as refused:
        _place_problems(refused, head, entered)
        return _show(request, entry, head, lines)
    said = "Posted" if posting.created else "Was posted before; it counts once"
    messages.success(request, f"{said}: {entry.kind} {document.id}.")
    return redirect("store:document", kind=document.kind, client_id=document.id)


def _post(document: documents.Document, seen: Seen | None, by: str) -> Posting:
    if seen is not None and isinstance(document, documents.Receipt | documents.Transfer):
        return late_arrivals.post(document, seen, by=by)
    return returns_and_corrections.post(document, by=by)


def _with_more_lines(request: HttpRequest, entry: Entry) -> HttpResponseBase:
    """Show the form again as it was filled in, with further empty lines."""
    data = request.POST.copy()
    shown = str(data.get("line-TOTAL_FORMS", ""))
    total = int(shown) if shown.isdecimal() and len(shown) <= MOST_DIGITS else 0
    data["line-TOTAL_FORMS"] = str(min(total + entry_forms.LINES_SHOWN, entry_forms.LINES_MOST))
    head = entry.head(initial=data.dict())
    lines = entry_forms.lines_of(entry.line, data)
    return _show(request, entry, head, lines)


def _all_valid(lines: entry_forms.LineFormSet) -> bool:
    return not any(form.errors for form in lines.forms) and not lines.non_form_errors()


def _questions(entry: Entry, head: dict[str, Any], entered: EnteredLines) -> Iterator[str]:
    codes = list(entered.consumables)
    recent = {} if entry.blind else typical_quantities.recent_quantities(entry.kind, codes)
    costs = last_unit_costs(entered.consumables.values()) if entry.kind == DocumentKind.RECEIPT else {}
    there = typical_quantities.held(head[entry.source], codes) if entry.source else {}
    lines = [
        Entered(
            name=entered.consumable(form).name,
            unit=entered.consumable(form).stock_unit,
            quantity=quantity,
            usual=recent.get(code := form.cleaned_data["consumable"], ()),
            cost=form.cleaned_data.get("cost"),
            last_cost=costs.get(entered.consumable(form).pk),
            held=there.get(code, Decimal(0)) if entry.source else None,
        )
        for form, quantity in zip(entered.forms, entered.quantities, strict=True)
    ]
    yield from day_question(timezone.localdate(head["occurred_at"]), latest_close())
    yield from count_questions(lines) if entry.blind else questions(lines)


def _place_problems(refused: Refused, head: forms.Form, entered: EnteredLines) -> None:
    """Put what the ledger refused beside the fields it is about."""
    for document, problem in refused.problems:
        if isinstance(refused, Conflict):
            head.add_error(
                None, f"{document.kind} {document.id} was posted before with other content. Start a new one."
            )
            continue
        form = entered.forms[problem.line - 1] if problem.line else head
        form.add_error(
            problem.field if problem.field in form.fields else None, f"{problem.value} {problem.expected}"
        )


def _show(
    request: HttpRequest,
    entry: Entry,
    head: forms.Form,
    lines: entry_forms.LineFormSet,
    asked: list[str] | None = None,
    *,
    counted: CountQuestion | None = None,
) -> HttpResponseBase:
    page = {
        "title": entry.title,
        "shop": the_shop(),
        "entry": entry,
        "head": head,
        "lines": lines,
        "asked": asked or [],
        "sure": "sure" in request.POST,
        "counted": counted,
        "counted_said": request.POST.get(FIELD, ""),
        "consumables": Consumable.objects.order_by("code")[:LISTED_CONSUMABLES],
        "packs": Pack.objects.values_list("name", flat=True).order_by("name").distinct()[:LISTED_PACKS],
    }
    status = 400 if head.errors or any(form.errors for form in lines.forms) else 200
    return render(request, "shop/storeroom/entry.html", page, status=status)
