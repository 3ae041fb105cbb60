"""Which jobs an owner's page looks at: the period, how they are grouped, whether over their lifetime."""

from typing import Any

from django import forms

from shop.profitability.margins import NO_LABEL
from shop.web.period_form import PeriodForm

GROUPS = {
    "damage_type": "damage type",
    "job_type": "job type",
    "glass": "glass",
    "technician": "technician",
    "van": "van",
    "customer": "customer",
    "month": "month",
}
CHOICES = [(name, label.capitalize()) for name, label in GROUPS.items()]
SORTS = {
    "label": "Name",
    "-jobs": "Most jobs",
    "-revenue": "Most revenue",
    "margin": "Lowest margin",
    "-margin": "Highest margin",
}


class GroupingForm(PeriodForm):
    """The period, and how its jobs are grouped."""

    by = forms.ChoiceField(label="By", choices=CHOICES, required=False)
    lifetime = forms.BooleanField(label="Callbacks count where they came from", required=False)

    def usual_choices(self) -> dict[str, Any]:
        """Return damage types, each job for itself."""
        return {"by": "damage_type", "lifetime": False}

    @property
    def by_(self) -> str:
        """The grouping."""
        found: str = self.chosen("by")
        return found

    @property
    def lifetime_(self) -> bool:
        """Whether callbacks count with the job they repeat."""
        return bool(self.chosen("lifetime"))

    @property
    def query(self) -> dict[str, str]:
        """The choices as another page takes them."""
        return {**super().query, "by": self.by_, "lifetime": "on" if self.lifetime_ else ""}


class SortedGroupingForm(GroupingForm):
    """The grouping, and the order of the groups."""

    sort = forms.ChoiceField(label="Order", choices=list(SORTS.items()), required=False)

    def usual_choices(self) -> dict[str, Any]:
        """Return groups by name."""
        return {**super().usual_choices(), "sort": "label"}


def shown(label: str) -> str:
    """Return a group's label for reading."""
    return "none given" if label == NO_LABEL else label
