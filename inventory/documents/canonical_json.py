"""What documents say as JSON values in one form, so that equal things are equal byte for byte. Pure."""

from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any


def json_values(value: Any) -> Any:
    """Return a value as JSON values: 1.50 and 1.5 are one text, as is a moment in any time zone.

    Takes dataclasses, dicts, tuples and lists of Decimals, aware datetimes and what JSON knows. The digests
    of all stored documents rest on this form: a change to it would turn every retry into a conflict.
    """
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if is_dataclass(value):
        return {field.name: json_values(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, dict):
        return {name: json_values(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [json_values(item) for item in value]
    return value
