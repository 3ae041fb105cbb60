"""Letters that the tests of the outbox write."""

from typing import Any

from forecasting.models import Letter, Restock
from forecasting.outbox.messages import Composed, write_letter
from forecasting.outbox.weekly_list import compose, key_of, recipients_of
from tests.forecasting.restock_world import (
    NOW,
    restock,
)


def written(about: Restock | None = None, to: list[str] | None = None) -> Letter:
    """Write the letter of a restock."""
    about = about or restock()
    recipients = recipients_of(about.van) if to is None else to
    return write_letter(key_of(about), recipients, compose(about, NOW), restock=about, now=NOW)


def plain(subject: str = "Hello", text: str = "Hi.", **fields: Any) -> Composed:
    return Composed(subject, text, f"<p>{text}</p>", **fields)


def again(letter: Letter) -> Letter:
    letter.refresh_from_db()
    return letter
