"""The form for the level under which a place is low on a consumable."""

from django import forms

from inventory.documents import LARGEST_QUANTITY
from inventory.models import Consumable, LowLevel, Place


class LevelForm(forms.Form):
    """A low level; empty takes it away."""

    quantity = forms.DecimalField(
        label="Low at or under",
        min_value=0,
        max_value=LARGEST_QUANTITY,
        decimal_places=4,
        required=False,
        help_text="in stock units; empty: no level",
    )

    def save_for(self, place: Place, consumable: Consumable) -> None:
        """Set the level of a valid form, or take it away."""
        quantity = self.cleaned_data["quantity"]
        if quantity is None:
            LowLevel.objects.filter(place=place, consumable=consumable).delete()
        else:
            LowLevel.objects.update_or_create(
                place=place, consumable=consumable, defaults={"quantity": quantity}
            )
