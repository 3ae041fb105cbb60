"""Giving a message to the mail server that EMAIL_URL names, and reading its answer (RFC 5321)."""

import smtplib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from email.message import EmailMessage as WireMessage
from email.parser import BytesParser
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage, get_connection
from django.core.mail.backends.smtp import EmailBackend

from forecasting.email_addresses import on_the_wire
from forecasting.outbox.messages import WIRE

# "Service not available": said for us where the server itself says nothing.
NOT_REACHED = 421

Answer = tuple[int, str]


@dataclass(frozen=True, slots=True)
class HandedOver:
    """For whom the server took a message, and its reply code and words for each of the others."""

    accepted: Sequence[str] = ()
    refused: Mapping[str, Answer] = field(default_factory=dict)

    @property
    def may_pass(self) -> bool:
        """Whether any of the refusals is of the kind that trying again may overcome (section 4.2.1)."""
        return any(code < 500 for code, _ in self.refused.values())

    @property
    def words(self) -> str:
        """What the server said, and to whom."""
        return "\n".join(f"{address}: {code} {text}" for address, (code, text) in self.refused.items())


class MailServer:
    """A connection for one message. Closed after the outcome is written, since closing takes time."""

    def __init__(self) -> None:
        self._connection = get_connection()

    def hand_over(self, source: bytes, to: Sequence[str]) -> HandedOver:
        """Give the message to the server; never raises for faults of the server or the network."""
        try:
            if isinstance(self._connection, EmailBackend):
                return self._by_smtp(self._connection, source, to)
            self._connection.send_messages([_Kept(source, to)])
        except (smtplib.SMTPException, OSError) as error:
            return HandedOver(refused=_refusals(error, to))
        return HandedOver(accepted=to)

    def close(self) -> None:
        """Close the connection."""
        # The server has the message by now, or will be asked again.
        self._connection.fail_silently = True
        self._connection.close()

    def _by_smtp(self, connection: EmailBackend, source: bytes, to: Sequence[str]) -> HandedOver:
        """Speak through Django's connection, which knows how to encrypt and to sign in."""
        connection.open()
        server = connection.connection
        assert server is not None  # noqa: S101 - open raises when it does not connect
        answers = server.sendmail(on_the_wire(settings.DEFAULT_FROM_EMAIL), to, source)
        refused = {address: _answer(*answer) for address, answer in answers.items()}
        return HandedOver([address for address in to if address not in refused], refused)


class _Kept(EmailMessage):
    """A message that is written already, for what stands in for a server: a terminal, a file, a test."""

    def __init__(self, source: bytes, to: Sequence[str]) -> None:
        self._written: Any = BytesParser(policy=WIRE).parsebytes(source)
        super().__init__(self._written["Subject"], "", self._written["From"], list(to))

    def message(self, *_: Any, **__: Any) -> Any:
        """Return the message as it was written."""
        written: WireMessage = self._written
        return written


def _refusals(error: smtplib.SMTPException | OSError, to: Sequence[str]) -> dict[str, Answer]:
    """Return what an error means for each recipient."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        not_asked = (NOT_REACHED, "the server ended the conversation before it was asked")
        return {address: _answer(*error.recipients.get(address, not_asked)) for address in to}
    match error:
        # A wrong password or a server that will not talk is not a fault of this message: it is kept for
        # later.
        case smtplib.SMTPAuthenticationError() | smtplib.SMTPConnectError() | smtplib.SMTPHeloError():
            answer = (NOT_REACHED, f"{error.smtp_code} {_words(error.smtp_error)}")
        case smtplib.SMTPResponseException():
            answer = _answer(error.smtp_code, error.smtp_error)
        case _:
            answer = (NOT_REACHED, f"the mail server could not be used: {error or type(error).__name__}")
    return dict.fromkeys(to, answer)


def _answer(code: int, words: bytes | str) -> Answer:
    # smtplib says -1 where the server's answer was none.
    return (code if code > 0 else NOT_REACHED, _words(words))


def _words(words: bytes | str) -> str:
    return words.decode("utf-8", "replace") if isinstance(words, bytes) else str(words)
