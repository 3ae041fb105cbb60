"""Filters and sort orders of lists. A misspelt or invalid parameter is refused, never ignored."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django_filters import Filter, FilterSet
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.utils import extend_schema_field
from rest_framework.filters import BaseFilterBackend
from rest_framework.request import Request
from rest_framework.views import APIView

from inventory.documents import YEARS, Problem
from shop.api.problems import Malformed
from shop.models import start_of_day

PAGING = ("page", "page_size", "sort")


class DayFilterField(forms.DateField):
    """A day in ISO 8601, of the years that the books may hold."""

    def __init__(self, **kwargs: Any) -> None:
        said = {"invalid": "is not a day such as 2026-03-02"}
        super().__init__(input_formats=["%Y-%m-%d"], error_messages=said, **kwargs)

    def clean(self, value: Any) -> date | None:
        """Return the day. Raises ValidationError."""
        day: date | None = super().clean(value)
        if day is not None and day.year not in YEARS:
            raise ValidationError(f"is outside the years {YEARS.start} to {YEARS.stop - 1}")
        return day


class CodeField(forms.CharField):
    """A code, read unchanged."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=100, strip=False, **kwargs)


class FlagFilterField(forms.TypedChoiceField):
    """true or false."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            choices=[("true", "true"), ("false", "false")],
            coerce=lambda text: text == "true",
            empty_value=None,
            error_messages={"invalid_choice": "is not true or false"},
            **kwargs,
        )


@extend_schema_field({"type": "string", "format": "date"})
class DayFrom(Filter):
    """From a day on, on the shop's clocks."""

    field_class = DayFilterField

    def filter(self, qs: QuerySet[Any], value: date | None) -> QuerySet[Any]:
        """Return the rows from the beginning of the day."""
        return qs if value is None else qs.filter(**{f"{self.field_name}__gte": start_of_day(value)})


@extend_schema_field({"type": "string", "format": "date"})
class DayTo(Filter):
    """Up to and including a day, on the shop's clocks."""

    field_class = DayFilterField

    def filter(self, qs: QuerySet[Any], value: date | None) -> QuerySet[Any]:
        """Return the rows to the end of the day."""
        if value is None:
            return qs
        return qs.filter(**{f"{self.field_name}__lt": start_of_day(value + timedelta(days=1))})


@extend_schema_field({"type": "string", "format": "date"})
class Day(Filter):
    """A comparison with a column of days."""

    field_class = DayFilterField


@extend_schema_field({"type": "string", "maxLength": 100})
class Code(Filter):
    """A code, or another text that is read unchanged."""

    field_class = CodeField


@extend_schema_field({"type": "boolean"})
class Flag(Filter):
    """true or false."""

    field_class = FlagFilterField


class Choice(Filter):
    """One of several values."""

    field_class = forms.ChoiceField

    def __init__(self, choices: Sequence[str], **kwargs: Any) -> None:
        said = {"invalid_choice": f"is not one of {', '.join(choices)}"}
        super().__init__(choices=[(word, word) for word in choices], error_messages=said, **kwargs)


class StrictFilters(DjangoFilterBackend):
    """django-filter that refuses unknown parameters."""

    def get_filterset(self, request: Request, queryset: QuerySet[Any], view: APIView) -> Any:
        """Return the filters of a list, bound to the query. Raises Malformed with each bad parameter."""
        made: FilterSet | None = super().get_filterset(request, queryset, view)
        known = [*(made.filters if made else ()), *PAGING]
        problems = [
            Problem(
                name, request.query_params[name], f"is not a parameter here; known are {', '.join(known)}"
            )
            for name in request.query_params
            if name not in known
        ]
        if made is not None and made.errors:
            problems += [
                Problem(name, request.query_params.get(name, ""), str(text))
                for name, found in made.errors.items()
                for text in found
            ]
        if problems:
            raise Malformed(problems)
        return made


class Sorting(BaseFilterBackend):
    """Sorts a list by `sort`: a name of the view's `sortable`; a leading minus reverses the order.

    `sortable` gives the columns for each name, `default_sort` the order when none is asked. The primary key
    is added, so that no row is on two pages.
    """

    def filter_queryset(self, request: Request, queryset: QuerySet[Any], view: APIView) -> QuerySet[Any]:
        """Return the rows in order. Raises Malformed for an unknown name."""
        sortable: dict[str, tuple[str, ...]] = getattr(view, "sortable")  # noqa: B009
        asked = request.query_params.get("sort", "") or getattr(view, "default_sort")  # noqa: B009
        columns = sortable.get(asked.removeprefix("-"))
        if columns is None:
            raise Malformed([Problem("sort", asked, f"is not one of {', '.join(sortable)}")])
        order = (*columns, *getattr(view, "tie_breaker", ("pk",)))
        return queryset.order_by(*(_reversed(column) for column in order) if asked.startswith("-") else order)

    def get_schema_operation_parameters(self, view: APIView) -> list[dict[str, Any]]:
        """Describe the parameter."""
        names = list(getattr(view, "sortable"))  # noqa: B009
        return [
            {
                "name": "sort",
                "in": "query",
                "required": False,
                "description": "what to sort by; a leading minus reverses the order",
                "schema": {"type": "string", "enum": [*names, *(f"-{name}" for name in names)]},
            }
        ]


def _reversed(column: str) -> str:
    return column.removeprefix("-") if column.startswith("-") else f"-{column}"
