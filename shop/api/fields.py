"""JSON fields for text, numbers, timestamps and flags; no value is guessed."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.fields import empty

from inventory.documents import YEARS
from shop.common.text import PLAIN_NUMBER
from shop.people.permissions import sees_costs

# Longer numbers are not amounts, and comparing them takes long.
LONGEST_NUMBER = 40
MESSAGES = {"required": "is missing; give it", "null": "is null; leave it out or give a value"}


class TextField(serializers.CharField):
    """A JSON string, kept unchanged."""

    default_error_messages = {**MESSAGES, "invalid": "is not a string"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(trim_whitespace=False, allow_blank=True, **kwargs)

    def run_validation(self, data: Any = empty) -> Any:
        """Return the value. An empty string is checked like any other; CharField would skip it."""
        return serializers.Field.run_validation(self, data)

    def to_internal_value(self, data: Any) -> str:
        """Return the string; a number is refused."""
        if not isinstance(data, str):
            self.fail("invalid")
        return data


@extend_schema_field({"oneOf": [{"type": "string", "pattern": r"^-?[0-9]+(\.[0-9]+)?$"}, {"type": "number"}]})
class NumberField(serializers.Field[Decimal, Any, str, Any]):
    """An exact number: "12.5" or 12.5."""

    default_error_messages = {
        **MESSAGES,
        "invalid": 'is not a number such as 12.5 or "12.5"',
        "long": f"has more than {LONGEST_NUMBER} characters; round it",
    }

    def to_internal_value(self, data: Any) -> Decimal:
        """Return the Decimal; the document checks its limits."""
        if isinstance(data, bool) or not isinstance(data, str | int | Decimal):
            self.fail("invalid")
        if isinstance(data, str) and not PLAIN_NUMBER.fullmatch(data):
            self.fail("invalid")
        number = Decimal(data)
        if len(str(number)) > LONGEST_NUMBER:
            self.fail("long")
        return number

    def to_representation(self, value: Decimal) -> str:
        """Return the number in plain digits."""
        return f"{value:f}"


class OfCosts:
    """A field of what something costs the shop: null when unknown, or when the person may not see costs."""

    def to_representation(self: Any, value: Any) -> Any:
        """Return the amount if the person of the request in the context may see it."""
        request = self.context.get("request")
        seen = request is not None and sees_costs(request.user)
        return super().to_representation(value) if seen else None  # type: ignore[misc] # of the field beside it


class TimestampField(serializers.DateTimeField):
    """A moment in ISO 8601 with its offset from UTC."""

    default_error_messages = {
        **MESSAGES,
        "invalid": "is not a moment such as 2026-03-02T08:30:00+01:00",
        "offset": "has no offset from UTC; write 2026-03-02T08:30:00+01:00 or end it with Z",
        "outside": f"is outside the years {YEARS.start} to {YEARS.stop - 1}",
    }

    def to_internal_value(self, value: Any) -> datetime:
        """Return the moment in UTC, as not every database keeps every offset of ISO 8601."""
        if not isinstance(value, str):
            self.fail("invalid")
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            self.fail("invalid")
        if moment.tzinfo is None:
            self.fail("offset")
        if moment.year not in YEARS:
            self.fail("outside")
        return moment.astimezone(UTC)


class FlagField(serializers.BooleanField):
    """true or false."""

    default_error_messages = {**MESSAGES, "invalid": "is not true or false"}

    def to_internal_value(self, data: Any) -> bool:
        """Return the flag; 1 and "yes" are not flags."""
        if not isinstance(data, bool):
            self.fail("invalid")
        return data
