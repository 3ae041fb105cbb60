"""What a code, a name, a grade or a time zone may be."""

from django.core.exceptions import ValidationError

from inventory.db.time_zones import time_zone_problem
from inventory.documents import name_problem
from inventory.items.grit_grades import P_GRADES


def validate_code(value: str) -> None:
    """Refuse a code that cannot be shown, typed or exported safely."""
    if found := name_problem(value, 64):
        raise ValidationError(f"{value!r} {found}")


def validate_name(value: str) -> None:
    """Refuse a name that cannot be shown or exported safely."""
    if found := name_problem(value, 200):
        raise ValidationError(f"{value!r} {found}")


def validate_time_zone(value: str) -> None:
    """Refuse a zone that no shop keeps its clocks by."""
    if found := time_zone_problem(value):
        raise ValidationError(found)


def validate_grade(value: str) -> None:
    """Refuse a grade that is not a P-grade."""
    if value not in P_GRADES:
        raise ValidationError(f"{value!r} is not a P-grade of ISO 6344, such as P240 or P1000")
