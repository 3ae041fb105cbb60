"""Exact decimals in every database: a Decimal with 4 places, stored as a whole number of ten-thousandths.

SQLite keeps Django's own DecimalField as a binary float; a stock ledger that reconciles to the last digit
cannot. Whole numbers are exact everywhere, and sums are made by the database itself.
"""

from decimal import Context, Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models
from django.db.backends.base.base import BaseDatabaseWrapper

from inventory.decimals import PLACES

SCALE = 10**PLACES
# Well inside what BIGINT holds, and above any value that allowed quantities and costs can make.
LARGEST = Decimal(10**14)
# More digits than any amount that is written down has, so that none is rounded away unseen.
EXACT = Context(prec=200)


def to_scaled(value: Decimal | int) -> int:
    """Return value in whole ten-thousandths; ValueError when it has more than 4 places or is too large."""
    value = Decimal(value)
    if not value.is_finite() or abs(value) >= LARGEST:
        raise ValueError(f"{value} is not a number below {LARGEST:,}")
    scaled = EXACT.scaleb(value, PLACES)
    if scaled != scaled.to_integral_value():
        raise ValueError(f"{value} has more than {PLACES} decimal places; round it first")
    return int(scaled)


def from_scaled(scaled: int | Decimal) -> Decimal:
    """Return the Decimal with 4 places that `scaled` ten-thousandths make."""
    return Decimal(int(scaled)).scaleb(-PLACES)


class FixedPointField(models.DecimalField):  # type: ignore[type-arg]
    """A DecimalField of 4 places kept as BIGINT. Forms and serializers treat it as any DecimalField.

    In queries, compare it and add it up freely, but do not add a plain number to it: F("quantity") + 1 adds
    one ten-thousandth.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs["max_digits"] = 19
        kwargs["decimal_places"] = PLACES
        super().__init__(*args, **kwargs)

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        del kwargs["max_digits"], kwargs["decimal_places"]
        return name, path, args, kwargs

    def get_internal_type(self) -> str:
        return "BigIntegerField"

    def get_prep_value(self, value: Any) -> Any:
        if value is None or hasattr(value, "resolve_expression"):
            return value
        return to_scaled(self.to_python(value))

    def get_db_prep_value(
        self,
        value: Any,
        connection: BaseDatabaseWrapper,  # noqa: ARG002 - the signature is Django's
        prepared: bool = False,  # noqa: FBT001, FBT002
    ) -> Any:
        return value if prepared else self.get_prep_value(value)

    def get_db_prep_save(self, value: Any, connection: BaseDatabaseWrapper) -> Any:  # noqa: ARG002
        if hasattr(value, "as_sql"):
            return value
        return self.get_prep_value(value)

    def from_db_value(
        self,
        value: Any,
        expression: Any,  # noqa: ARG002
        connection: BaseDatabaseWrapper,  # noqa: ARG002
    ) -> Decimal | None:
        return None if value is None else from_scaled(value)

    def to_python(self, value: Any) -> Any:
        if isinstance(value, float):
            raise ValidationError(f"{value!r} is a float; give a Decimal so that no digit is guessed")
        return super().to_python(value)
