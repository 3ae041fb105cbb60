"""What Django checks at each start besides its own: settings that letters depend on."""

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, register
from django.core.exceptions import ValidationError

from forecasting.email_addresses import on_the_wire


@register
def sender_is_an_address(**_: Any) -> list[CheckMessage]:
    """Return an error when letters would have no usable sender."""
    try:
        on_the_wire(settings.DEFAULT_FROM_EMAIL)
    except ValidationError as error:
        hint = "Give the address alone; the shop's name is put before it."
        return [Error(f"DEFAULT_FROM_EMAIL: {error.messages[0]}", hint=hint, id="forecasting.E001")]
    return []
