"""What reports share: a form of parameters, and computed rows in pages."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, ClassVar

from django import forms
from django.core.exceptions import ValidationError
from drf_spectacular.utils import OpenApiParameter
from rest_framework.generics import ListAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.documents import Problem
from shop.api.filters import DayFilterField
from shop.api.lists import OFFICE, RoleMay
from shop.api.pagination import Pages
from shop.api.permissions import MethodsFirst
from shop.api.problems import Malformed
from shop.models import Role

if TYPE_CHECKING:
    ReportBase = ListAPIView[Any]
else:
    ReportBase = ListAPIView

PAGING = ("page", "page_size")
DAY = {"type": "string", "format": "date"}
PERIOD_PARAMETERS = [
    OpenApiParameter("from", DAY, description="first day, on the shop's clocks"),
    OpenApiParameter("to", DAY, description="last day, on the shop's clocks"),
]


class NothingAsked(forms.Form):
    """A report without parameters."""


class PeriodQueryForm(forms.Form):
    """A period from its first to its last day; without any, all time."""

    start = DayFilterField(required=False)
    end = DayFilterField(required=False)

    def add_prefix(self, field_name: str) -> str:
        """Return the name of a field in a query: Python does not allow the name `from`."""
        return {"start": "from", "end": "to"}.get(field_name, field_name)

    def clean(self) -> dict[str, Any]:
        """Refuse a period that ends before it starts."""
        said = self.cleaned_data
        if said.get("start") and said.get("end") and said["end"] < said["start"]:
            self.add_error("end", ValidationError("is before the first day; swap them"))
        return said


class ReportList(MethodsFirst, ReportBase):
    """A report as a list in pages. A view sets who reads it, its `form`, and its `report`."""

    readers: ClassVar[frozenset[Role]] = OFFICE
    form: ClassVar[type[forms.Form]] = NothingAsked
    permission_classes = [RoleMay]
    filter_backends = []
    pagination_class = Pages
    http_method_names: Sequence[str] = ["get", "head"]

    def get(self, request: Request, *_args: Any, **named: str) -> Response:
        """Return a page."""
        asked = asked_of(request, self.form, PAGING)
        rows = self.paginate_queryset(self.report(**asked, **named))
        return self.get_paginated_response(self.get_serializer(rows, many=True).data)

    def report(self, **asked: Any) -> Any:
        """Return the rows, as a list or a query set in a fixed order."""
        raise NotImplementedError


def asked_of(request: Request, form_class: type[forms.Form], others: Sequence[str] = ()) -> dict[str, Any]:
    """Return the parameters of a query, read by a form; `others` are allowed besides.

    Raises Malformed with each invalid or unknown parameter.
    """
    form = form_class(request.query_params)
    form.full_clean()
    names = {form.add_prefix(name): name for name in form.fields}
    known = [*names, *others]
    problems = [
        Problem(name, value, f"is not a parameter here; known are {', '.join(known)}")
        for name, value in request.query_params.items()
        if name not in known
    ]
    problems += [
        Problem(shown, request.query_params.get(shown, ""), str(text))
        for shown, name in names.items()
        for text in form.errors.get(name, ())
    ]
    if problems:
        raise Malformed(problems)
    return dict(form.cleaned_data)
