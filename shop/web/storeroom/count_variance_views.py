"""Count variances: where a count differs from the book, for a person to explain."""

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from inventory.documents import LONGEST_TEXT
from inventory.models import REAL_KINDS, Books, Place
from shop.accounting.count_variances import differing
from shop.common.pagination import page_of
from shop.models import CountExplanation, DifferenceCause, Role, the_shop
from shop.people.permissions import for_roles, person_of
from shop.web.code_select import options_of


class ExplainForm(forms.Form):
    """Why a count differs from the book."""

    cause = forms.ChoiceField(label="Cause", choices=DifferenceCause.choices)
    note = forms.CharField(
        label="Note", required=False, max_length=LONGEST_TEXT, widget=forms.Textarea(attrs={"rows": 2})
    )


@never_cache
@for_roles(Role.STOREKEEPER, Role.OWNER)
@require_safe
def difference_list(request: HttpRequest) -> HttpResponseBase:
    """List count variances: those not yet explained, or all of them on request."""
    found = differing()
    if place := request.GET.get("place", ""):
        found = found.filter(place__code=place)
    if request.GET.get("show") != "all":
        found = found.filter(explanation__isnull=True)
    page = {
        "title": "Count variances",
        "shop": the_shop(),
        "digits": Books.objects.get().minor_unit_digits,
        "rows": page_of(request, found.order_by("-counted_at", "pk"), "page"),
        "places": options_of(Place.objects.filter(kind__in=REAL_KINDS).values_list("code", flat=True)),
        "chosen": request.GET,
    }
    return render(request, "shop/storeroom/differences.html", page)


@never_cache
@for_roles(Role.STOREKEEPER, Role.OWNER)
@require_http_methods(["GET", "HEAD", "POST"])
def explain(request: HttpRequest, pk: int) -> HttpResponseBase:
    """Record why one line of a count differs."""
    line = get_object_or_404(differing(), pk=pk)
    known = getattr(line, "explanation", None)
    initial = {"cause": known.cause, "note": known.note} if known else {}
    form = ExplainForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        CountExplanation.objects.update_or_create(
            count_line=line,
            defaults={
                **form.cleaned_data,
                "explained_at": timezone.now(),
                "explained_by": person_of(request).get_username(),
            },
        )
        messages.success(
            request, f"The count variance of {line.consumable.name} at {line.place} is explained."
        )
        return redirect("store:differences")
    page = {"title": "Explain a count variance", "shop": the_shop(), "line": line, "form": form}
    return render(request, "shop/storeroom/explain.html", page, status=400 if form.errors else 200)
