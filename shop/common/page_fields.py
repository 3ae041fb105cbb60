"""What forms of pages share: days and moments of the years that the books may hold, and stored rows."""

from copy import copy
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from django import forms
from django.core.exceptions import ValidationError

from inventory.decimals import PLACES
from inventory.documents import LARGEST_MONEY, YEARS, time_problem

EARLIEST, LATEST = date(YEARS.start, 1, 1), date(YEARS.stop - 1, 12, 31)
DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
# As a field of type datetime-local reads and writes a moment.
LOCAL_MINUTE = "%Y-%m-%dT%H:%M"
OUTSIDE = f"outside the years {YEARS.start} to {YEARS.stop - 1}"

if TYPE_CHECKING:
    FormOfRow = forms.BaseModelForm[Any]
else:
    FormOfRow = forms.BaseModelForm


class DayField(forms.DateField):
    """A day of the years that the books may hold: the one after it, and its start in any zone, exist too."""

    def __init__(self, *, widget: Any = DAY, **kwargs: Any) -> None:
        super().__init__(widget=widget, **kwargs)

    def validate(self, value: date | None) -> None:
        """Refuse a day outside of these years. Raises ValidationError."""
        super().validate(value)
        if value is not None and value.year not in YEARS:
            raise ValidationError(f"{value} is {OUTSIDE}.")


class MomentField(forms.DateTimeField):
    """A moment of the years that the books may hold, read on the shop's clocks."""

    def validate(self, value: datetime | None) -> None:
        """Refuse a moment outside of these years. Raises ValidationError."""
        super().validate(value)
        if value is not None and (found := time_problem(value)):
            raise ValidationError(f"{value:%Y-%m-%d %H:%M} {found}.")


class MoneyField(forms.DecimalField):
    """An amount of money, 0 or more, as large and as exact as the books keep one."""

    def __init__(self, **kwargs: Any) -> None:
        said = {
            "max_value": f"This is above {LARGEST_MONEY:,}, the most one amount may be.",
            "max_decimal_places": f"This has more than {PLACES} decimal places; round it.",
        }
        super().__init__(
            min_value=0, max_value=LARGEST_MONEY, decimal_places=PLACES, error_messages=said, **kwargs
        )


class RowForm(FormOfRow):
    """A form that changes a row of a table; to be named before Django's ModelForm.

    It works on a copy: Django puts what was sent into a form's row before it refuses it, and the page around
    the form goes on to show and compute with the row as it is stored.
    """

    def __init__(self, *args: Any, instance: Any = None, **kwargs: Any) -> None:
        super().__init__(*args, instance=copy(instance), **kwargs)  # type: ignore[misc] # positional ones are the data
