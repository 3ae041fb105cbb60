"""The shop that letters are written in, and a mail server that takes them."""

from collections.abc import Iterator

import pytest
from django.test import override_settings

from tests.forecasting.restock_world import (
    open_letter_shop,
)
from tests.servers import Mailbox, mail_server

SMTP = "django.core.mail.backends.smtp.EmailBackend"


@pytest.fixture(autouse=True)
def letter_shop() -> None:
    """Open the shop that every test writes letters in."""
    open_letter_shop()


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    """Run a real mail server, and let letters go to it."""
    with mail_server() as box:
        port = int(box.url.rpartition(":")[2])
        with override_settings(EMAIL_BACKEND=SMTP, EMAIL_HOST="127.0.0.1", EMAIL_PORT=port, EMAIL_TIMEOUT=5):
            yield box
