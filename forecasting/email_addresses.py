"""E-mail addresses as people write them, taken only where every mail server takes them."""

from collections.abc import Iterable

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

MOST_RECIPIENTS = 50


def addresses_in(text: str) -> list[str]:
    """Return the addresses of a text that separates them by commas, semicolons or line ends, each once.

    Raises ValidationError naming each that is none.
    """
    parts = [part.strip() for part in text.replace(";", ",").replace("\n", ",").split(",")]
    found, problems = [], []
    for part in filter(None, parts):
        try:
            found.append(on_the_wire(part))
        except ValidationError as error:
            problems += error.messages
    if problems:
        raise ValidationError(problems)
    found = once(found)
    if len(found) > MOST_RECIPIENTS:
        raise ValidationError(f"{len(found)} addresses are more than {MOST_RECIPIENTS}; use a mailing list")
    return found


def validate_addresses(text: str) -> None:
    """Refuse a text that does not hold addresses only; see addresses_in."""
    addresses_in(text)


def on_the_wire(address: str) -> str:
    """Return an address with its domain in ASCII (IDNA), so that no server needs an extension to take it.

    Raises ValidationError when it is not an address, or has other letters than ASCII before the @.
    """
    try:
        validate_email(address)
        name, _, domain = address.rpartition("@")
        name.encode("ascii")
        return f"{name}@{domain.encode('idna').decode('ascii')}"
    except (ValidationError, UnicodeError):
        raise ValidationError(f"{address!r} is not an e-mail address such as depot@example.org") from None


def once(addresses: Iterable[str]) -> list[str]:
    """Return addresses in their order, each once; addresses that differ in case only are the same."""
    found: dict[str, str] = {}
    for address in addresses:
        found.setdefault(address.lower(), address)
    return list(found.values())
