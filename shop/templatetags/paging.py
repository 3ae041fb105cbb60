"""Links from one page of a list to another."""

from django import template
from django.http import HttpRequest

register = template.Library()


@register.simple_tag(takes_context=True)
def page_link(context: template.Context, name: str, number: int) -> str:
    """Return the query for another page of the list called `name`; filters and sorting stay as they are."""
    request: HttpRequest = context["request"]
    query = request.GET.copy()
    query[name] = str(number)
    return f"?{query.urlencode()}"
