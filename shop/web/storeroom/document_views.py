"""Stock documents as they were recorded: the list, one of them, and undoing it."""

from datetime import timedelta
from uuid import uuid4

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from inventory import documents
from inventory.documents import DocumentKind
from inventory.ledger import Refused, flags
from inventory.models import Document, Lot
from shop.common.page_fields import DayField
from shop.common.pagination import page_of
from shop.jobs import returns_and_corrections
from shop.models import Role, start_of_day, the_shop
from shop.people.permissions import ALL_KINDS, STOCK_KINDS, for_roles, person_of, role_of

LISTED = tuple(sorted(STOCK_KINDS | {DocumentKind.RETURN, DocumentKind.CORRECTION}))


class DocumentFilterForm(forms.Form):
    """Which documents to list."""

    kind = forms.ChoiceField(choices=[("", "all"), *((kind, kind) for kind in LISTED)], required=False)
    on = DayField(label="Happened on", required=False)
    q = forms.CharField(label="Id holds", required=False, max_length=documents.LONGEST_ID)


class UndoForm(forms.Form):
    """Why a document is undone."""

    id = forms.CharField(widget=forms.HiddenInput, max_length=documents.LONGEST_ID)
    reason = forms.CharField(label="Why it is undone", widget=forms.Textarea(attrs={"rows": 2}))


@never_cache
@for_roles(Role.STOREKEEPER, Role.OWNER)
@require_safe
def document_list(request: HttpRequest) -> HttpResponseBase:
    """List stock documents, the latest first."""
    form = DocumentFilterForm(request.GET or None)
    shop = the_shop()
    found = Document.objects.filter(kind__in=LISTED).select_related("corrected_by", "supplier")
    if form.is_valid():
        if kind := form.cleaned_data["kind"]:
            found = found.filter(kind=kind)
        if words := form.cleaned_data["q"]:
            found = found.filter(client_id__icontains=words)
        if day := form.cleaned_data["on"]:
            after = start_of_day(day + timedelta(days=1))
            found = found.filter(occurred_at__gte=start_of_day(day), occurred_at__lt=after)
    rows = page_of(request, found.order_by("-occurred_at", "-pk"), "page")
    page = {"title": "Stock documents", "shop": shop, "form": form, "rows": rows}
    return render(request, "shop/storeroom/documents.html", page)


@never_cache
@for_roles(Role.STOREKEEPER, Role.OWNER)
@require_http_methods(["GET", "HEAD", "POST"])
def document(request: HttpRequest, kind: str, client_id: str) -> HttpResponseBase:
    """Show a document with what it moved; a POST with a reason undoes it."""
    allowed = ALL_KINDS if role_of(person_of(request)) == Role.OWNER else set(LISTED)
    if kind not in allowed:
        raise Http404
    found = get_object_or_404(
        Document.objects.select_related("corrects", "corrected_by", "supplier"),
        kind=kind,
        client_id=client_id,
    )
    form = UndoForm(request.POST or None, initial={"id": f"desk-{uuid4()}"})
    if request.method == "POST" and form.is_valid() and _undo(request, found, form):
        return redirect("store:document", kind=kind, client_id=client_id)
    moves = found.movements.select_related("consumable", "source", "destination", "valued")
    shop = the_shop()
    page = {
        "title": f"{found.kind.capitalize()} {found.client_id}",
        "shop": shop,
        "document": found,
        "flags": flags.as_shown(
            found.flags, occurred_at=found.occurred_at, posted_at=found.posted_at, zone=shop.zone
        ),
        "inexact": _inexact_lots(found),
        "moves": page_of(request, moves.order_by("line", "part"), "page"),
        "form": form,
        "may_undo": found.kind != DocumentKind.CORRECTION and not hasattr(found, "corrected_by"),
        "here": reverse("store:document", kwargs={"kind": kind, "client_id": client_id}),
    }
    return render(request, "shop/storeroom/document.html", page, status=400 if form.errors else 200)


def _inexact_lots(found: Document) -> list[Lot]:
    """Return the lots whose expiry rests on a shelf life that is no longer known."""
    unknown = found.lots.filter(expires_on__isnull=False, shelf_life_days__isnull=True)
    return [
        lot
        for lot in unknown.select_related("consumable").order_by("line")
        if not found.content["lines"][lot.line - 1]["expires_on"]
    ]


def _undo(request: HttpRequest, found: Document, form: UndoForm) -> bool:
    """Post the correction; False, with the reason on the form, when it is refused."""
    correction = documents.Correction(
        form.cleaned_data["id"], timezone.now(), found.kind, found.client_id, form.cleaned_data["reason"]
    )
    try:
        returns_and_corrections.post(correction, by=person_of(request).get_username())
    except Refused as refused:
        for _, problem in refused.problems:
            form.add_error(None, str(problem))
        return False
    messages.success(request, f"{found.kind.capitalize()} {found.client_id} is undone by {correction.id}.")
    return True
