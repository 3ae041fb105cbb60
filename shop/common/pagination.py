"""Lists in pages: the rows of one page, by number or by key."""

from collections.abc import Sequence
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.http import HttpRequest

ROWS_PER_PAGE = 50


def page_of(request: HttpRequest, rows: Sequence[Any] | QuerySet[Any, Any], name: str) -> Page[Any]:
    """Return the page of rows that the query parameter `name` asks for, or the nearest one."""
    return Paginator(rows, ROWS_PER_PAGE).get_page(request.GET.get(name))


def page_by_key(request: HttpRequest, rows: QuerySet[Any, Any], name: str) -> Page[Any]:
    """Return the page of rows that are expensive to read: their keys are sorted, then the page is read."""
    page = page_of(request, rows.prefetch_related(None).values_list("pk", flat=True), name)
    page.object_list = list(rows.filter(pk__in=list(page.object_list)))
    return page
