"""Choosing one of many by its code: from a list while that is short enough to read, by typing it beyond."""

from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils.safestring import SafeString

# A longer list does not help the reader, and makes the page heavy.
MOST_OPTIONS = 500
TYPED = {"autocomplete": "off", "autocapitalize": "off", "placeholder": "type its code"}


class ChooseOrType(forms.Select):
    """A list to choose from, or a field for the code beyond MOST_OPTIONS. One query more than a list."""

    def render(
        self, name: str, value: Any, attrs: dict[str, Any] | None = None, renderer: Any = None
    ) -> SafeString:
        """Return the field's HTML."""
        options: QuerySet[Any] = getattr(self.choices, "queryset")  # noqa: B009 - the choices of a model's field
        if not options[MOST_OPTIONS : MOST_OPTIONS + 1].exists():
            return super().render(name, value, attrs, renderer)
        return forms.TextInput(TYPED).render(name, value, attrs, renderer)


class CodeChoice(forms.ModelChoiceField):  # type: ignore[type-arg] # generic only in the stubs
    """A row of a table, by its code; what need not be chosen narrows a list, which shows all without it."""

    widget = ChooseOrType

    def __init__(self, rows: QuerySet[Any], *, required: bool = True, **kwargs: Any) -> None:
        kwargs = {"empty_label": "Choose" if required else "All", **kwargs}
        super().__init__(rows, required=required, to_field_name="code", **kwargs)


def options_of(values: QuerySet[Any]) -> list[Any] | None:
    """Return what can be chosen; None where that is more than MOST_OPTIONS. One query."""
    found = list(values[: MOST_OPTIONS + 1])
    return found if len(found) <= MOST_OPTIONS else None
