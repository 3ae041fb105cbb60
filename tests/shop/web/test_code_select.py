"""Fields that choose by code: what means no choice."""

import pytest

from inventory.models import Place
from shop.web.code_select import CodeChoice


@pytest.mark.django_db
@pytest.mark.parametrize(("required", "first"), [(False, "All"), (True, "Choose")])
def test_a_field_says_in_words_what_no_choice_means(required: bool, first: str) -> None:
    assert CodeChoice(Place.objects.all(), required=required).empty_label == first


@pytest.mark.django_db
def test_a_field_keeps_the_words_of_its_own() -> None:
    assert CodeChoice(Place.objects.all(), required=False, empty_label="Anywhere").empty_label == "Anywhere"
