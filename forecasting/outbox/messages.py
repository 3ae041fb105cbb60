"""Letters as they go over the wire (RFC 5322), written once and kept."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from email import policy
from email.message import EmailMessage, MIMEPart
from email.parser import BytesParser
from email.utils import format_datetime, formataddr
from uuid import uuid4

from django.conf import settings
from django.db import transaction

from forecasting.email_addresses import on_the_wire
from forecasting.models import Letter, LetterState, Purchase, Restock
from shop.models import in_shop_zone, the_shop

LONGEST_SUBJECT = 200
# Lines end in CRLF, headers are folded and, where they are not ASCII, encoded words (RFC 2047).
WIRE = policy.SMTP


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file: its name in ASCII, its media type such as text/csv, and its content."""

    name: str
    media_type: str
    content: bytes


@dataclass(frozen=True, slots=True)
class Composed:
    """What a letter says, in plain text and in HTML, and what comes with it."""

    subject: str
    text: str
    html: str
    attachments: Sequence[Attachment] = ()


def write_letter(
    key: str,
    recipients: Sequence[str],
    composed: Composed,
    *,
    restock: Restock | None = None,
    purchase: Purchase | None = None,
    resends: Letter | None = None,
    by: str = "",
    now: datetime,
) -> Letter:
    """Write a letter and queue it, or return the letter of this key that was written before.

    Without recipients it is stored with a status for that. Raises ValidationError for a
    recipient that is not an address.
    """
    with transaction.atomic():
        if written := Letter.objects.filter(key=key).first():
            return written
        to = [on_the_wire(address) for address in recipients]
        message = _message(composed, to, now)
        letter, _ = Letter.objects.get_or_create(
            key=key,
            defaults={
                "restock": restock,
                "purchase": purchase,
                "resends": resends,
                "asked_by": by,
                "recipients": to,
                "subject": message["Subject"],
                "message_id": message["Message-ID"],
                "source": message.as_bytes(policy=WIRE),
                "state": LetterState.WAITING if to else LetterState.NO_RECIPIENT,
                "written_at": now,
            },
        )
        return letter


def write_again(letter: Letter, recipients: Sequence[str], *, number: int, by: str, now: datetime) -> Letter:
    """Write a letter with the same content, to be sent again, to these recipients.

    The same number again returns what was written under it: a second click sends nothing.
    """
    first = letter.resends or letter
    return write_letter(
        f"{first.key} again {number}",
        recipients,
        content_of(first),
        restock=first.restock,
        purchase=first.purchase,
        resends=first,
        by=by,
        now=now,
    )


def content_of(letter: Letter) -> Composed:
    """Return what a kept letter says, read from its source."""
    message = parsed(letter)
    texts = {kind: message.get_body((kind,)) for kind in ("plain", "html")}
    return Composed(
        subject=letter.subject,
        text=_text_of(texts["plain"]),
        html=_text_of(texts["html"]),
        attachments=list(attachments_of(message)),
    )


def parsed(letter: Letter) -> EmailMessage:
    """Return a kept letter as a message."""
    return BytesParser(policy=WIRE).parsebytes(bytes(letter.source))


def attachments_of(message: EmailMessage) -> Iterator[Attachment]:
    """Yield what is attached to a message."""
    for part in message.iter_attachments():
        content = part.get_payload(decode=True)
        assert isinstance(content, bytes)  # noqa: S101 - an attachment of ours is never of several parts
        yield Attachment(part.get_filename() or "attachment", part.get_content_type(), content)


def one_line(text: str) -> str:
    """Return a text without line ends and other control characters, which would start a header of its own."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _message(composed: Composed, to: Sequence[str], now: datetime) -> EmailMessage:
    shop, sender = the_shop(), on_the_wire(settings.DEFAULT_FROM_EMAIL)
    message = EmailMessage(policy=WIRE)
    message["Subject"] = one_line(composed.subject)[:LONGEST_SUBJECT]
    message["From"] = formataddr((one_line(shop.name), sender))
    message["To"] = ", ".join(to) or "undisclosed-recipients:;"
    message["Date"] = format_datetime(in_shop_zone(now, shop))
    message["Message-ID"] = f"<{uuid4()}@{sender.rpartition('@')[2]}>"
    # RFC 3834: so that no absence notice answers.
    message["Auto-Submitted"] = "auto-generated"
    # In this encoding no line is too long, whatever a template or a name holds (RFC 5322, section 2.1.1).
    message.set_content(composed.text, cte="quoted-printable")
    message.add_alternative(composed.html, subtype="html", cte="quoted-printable")
    for attachment in composed.attachments:
        main, _, sub = attachment.media_type.partition("/")
        message.add_attachment(
            attachment.content,
            maintype=main,
            subtype=sub,
            filename=attachment.name,
            params={"charset": "utf-8"} if main == "text" else None,
        )
    return message


def _text_of(part: MIMEPart | None) -> str:
    return "" if part is None else str(part.get_content()).replace("\r\n", "\n")
