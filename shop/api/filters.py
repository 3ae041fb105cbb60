"""What lists can be narrowed and sorted by. A misspelt or invalid parameter is refused, never ignored."""

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
    """A day as ISO 8601 has it, of the years that the books may hold."""

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
    """A code as it stands."""

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
    """What happened on a day or later, on the shop's clocks."""

    field_class = DayFilterField

    def filter(self, qs: QuerySet[Any], value: date | None) -> QuerySet[Any]:
        """Return the rows from the beginning of the day."""
        return qs if value is None else qs.filter(**{f"{self.field_name}__gte": start_of_day(value)})


@extend_schema_field({"type": "string", "format": "date"})
class DayTo(Filter):
    """What happened on a day or before, on the shop's clocks."""

    field_class = DayFilterField

    def filter(self, qs: QuerySet[Any], value: date | None) -> QuerySet[Any]:
        """Return the rows to the end of the day."""
        if value is None:
            return qs
        return qs.filter(**{f"{self.field_name}__lt": start_of_day(value + timedelta(days=1))})


@extend_schema_field({"type": "string", "format": "date"})
class Day(Filter):
    """A column that holds days; `lookup_expr` compares."""

    field_class = DayFilterField


@extend_schema_field({"type": "string", "maxLength": 100})
class Code(Filter):
    """A code, or any other text that is kept as it stands."""

    field_class = CodeField


@extend_schema_field({"type": "boolean"})
class Flag(Filter):
    """A yes or no."""

    field_class = FlagFilterField


class Choice(Filter):
    """One of several words."""

    field_class = forms.ChoiceField

    def __init__(self, choices: Sequence[str], **kwargs: Any) -> None:
        said = {"invalid_choice": f"is not one of {', '.join(choices)}"}
        super().__init__(choices=[(word, word) for word in choices], error_messages=said, **kwargs)


class StrictFilters(DjangoFilterBackend):
    """django-filter, refusing parameters that mean nothing here."""

    def get_filterset(self, request: Request, queryset: QuerySet[Any], view: APIView) -> Any:
        """Return the filters of a list, bound to the query. Raises Malformed with each bad parameter."""
        made: FilterSet | None = super().get_filterset(request, queryset, view)
        known = [*(made.filters if made else ()), *PAGING]
        problems = [
            Problem(name, request.query_params[name], f"is no parameter here; known are {', '.join(known)}")
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
    """Sorts a list by `sort`: a name of the view's `sortable`, a minus before it for the other way round.

    `sortable` gives for each name the columns to sort by, `default_sort` what is sorted by when nothing is
    asked. The row's own number is added, so that no page shows a row twice.
    """

    def filter_queryset(self, request: Request, queryset: QuerySet[Any], view: APIView) -> QuerySet[Any]:
        """Return the rows in order. Raises Malformed for a name that is none."""
        sortable: dict[str, tuple[str, ...]] = getattr(view, "sortable")  # noqa: B009
        asked = request.query_params.get("sort", "") or getattr(view, "default_sort")  # noqa: B009
        columns = sortable.get(asked.removeprefix("-"))
        if columns is None:
            raise Malformed([Problem("sort", asked, f"is not one of {', '.join(sortable)}")])
        order = (*columns, *getattr(view, "tie_breaker", ("pk",)))
        return queryset.order_by(*(_turned(column) for column in order) if asked.startswith("-") else order)

    def get_schema_operation_parameters(self, view: APIView) -> list[dict[str, Any]]:
        """Describe the parameter."""
        names = list(getattr(view, "sortable"))  # noqa: B009
        return [
            {
                "name": "sort",
                "in": "query",
                "required": False,
                "description": "what to sort by, a minus before it for the other way round",
                "schema": {"type": "string", "enum": [*names, *(f"-{name}" for name in names)]},
            }
        ]


def _turned(column: str) -> str:
    return column.removeprefix("-") if column.startswith("-") else f"-{column}"
