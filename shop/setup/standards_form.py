"""The admin's form of what has standards: the day from which they count is asked for, and kept."""

from typing import TYPE_CHECKING, Any

from django import forms
from django.http import HttpRequest

from inventory.admin import CodeAdmin
from shop.common.page_fields import DayField
from shop.costing.standards import FROM_HELP, check_start, keep_former_standards, present_standards

if TYPE_CHECKING:
    RowForm = forms.ModelForm[Any]
else:
    RowForm = forms.ModelForm


class StandardsForm(RowForm):
    """A job type or consumable, and the day from which its standards count."""

    standards_from = DayField(required=False, label="Standards in force from", help_text=FROM_HELP)

    def clean(self) -> dict[str, Any]:
        """Refuse a day in a locked period, or to come, before anything is saved."""
        cleaned = super().clean() or self.cleaned_data
        check_start(cleaned.get("standards_from"))
        return cleaned


class StandardsAdmin(CodeAdmin):
    """What has standards: the former ones stay with the jobs of their time."""

    form = StandardsForm

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:  # noqa: FBT001
        """Save it, once what was in force is known."""
        form.standards_before = present_standards(obj)
        super().save_model(request, obj, form, change)

    def save_related(self, request: HttpRequest, form: Any, formsets: Any, change: bool) -> None:  # noqa: FBT001
        """Save what belongs to it, and keep the standards that were changed."""
        super().save_related(request, form, formsets, change)
        keep_former_standards(form.instance, form.standards_before, form.cleaned_data["standards_from"])
