"""Template tag for a filter of a list by one of many."""

from collections.abc import Iterable
from typing import Any

from django import template

from shop.web.code_select import TYPED

register = template.Library()


@register.inclusion_tag("shop/_choice.html")
def choice(
    name: str,
    label: str,
    options: Iterable[Any] | None,
    chosen: str,
    *,
    empty: str = "all",
    id: str = "",  # noqa: A002 - the attribute's name
    required: bool = False,
) -> dict[str, Any]:
    """Show the options to choose from, or a field to type a code where there are too many (None).

    An option is a value, or a pair of it and what to show for it.
    """
    pairs = None
    if options is not None:
        pairs = [each if isinstance(each, tuple) else (each, each) for each in options]
    return {
        "id": id or name,
        "name": name,
        "label": label,
        "options": pairs,
        "chosen": chosen or "",
        "empty": empty,
        "required": required,
        "typed": TYPED,
    }
