"""The form that gives a desk page its period: by a name, or by a first and a last day."""

from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest
from django.utils import timezone

from shop.accounting.periods import NAMES, Period, days_problem, named
from shop.common.page_fields import DayField


class PeriodForm(forms.Form):
    """The days of a period; further fields of a page are added by its own form.

    A query with days means these days, both empty: all time. One with the name of a period means that period;
    one with neither, the page's usual one. An error is shown with the usual period.
    """

    usual = "this year"
    names: tuple[str, ...] = NAMES

    start = DayField(label="From", required=False)
    end = DayField(label="To", required=False)

    def __init__(self, request: HttpRequest) -> None:
        given = request.GET
        today = timezone.localdate()
        self.name = ""
        if "start" not in given and "end" not in given:
            asked = given.get("period", "")
            self.name = asked if asked in self.names else self.usual
        self.period = self.days_of(self.name or self.usual, today)
        data: dict[str, Any] = {**self.usual_choices(), **given.dict()}
        if self.name:
            data |= {"start": self.period.start, "end": self.period.end}
        super().__init__(data)
        if self.is_valid() and not self.name:
            self.period = Period(self.cleaned_data["start"], self.cleaned_data["end"])

    def days_of(self, name: str, today: date) -> Period:
        """Return the period of one of `names`; a form with a name of its own says which days it means."""
        return named(name, today)

    def usual_choices(self) -> dict[str, Any]:
        """Return what the page's own fields are when the query leaves them out."""
        return {}

    def chosen(self, name: str) -> Any:
        """Return what was chosen in a field, its usual choice when that was wrong."""
        found = self.cleaned_data.get(name)
        return self.usual_choices().get(name) if found in (None, "") else found

    def clean(self) -> dict[str, Any]:
        """Refuse a period that ends before it starts."""
        cleaned = super().clean() or {}
        if wrong := days_problem(cleaned.get("start"), cleaned.get("end")):
            raise ValidationError(wrong)
        return cleaned

    @property
    def query(self) -> dict[str, str]:
        """The period as another page takes it."""
        if self.name:
            return {"period": self.name}
        start, end = self.period.start, self.period.end
        if start is None and end is None:
            return {"period": "all time"}
        return {"start": f"{start or ''}", "end": f"{end or ''}"}
