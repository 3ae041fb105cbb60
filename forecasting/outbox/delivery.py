"""Sending letters: once each, and again after a pause when the mail server could not take them.

A letter is claimed by a token that is committed before the server is spoken to, and marked as sent right
after the server has said that it takes it. If the worker dies between these two, nobody can know whether
the server has the letter. It is then sent again with the same Message-ID, by which mail programs recognise
a repeat: a list that comes twice does less harm than one that never comes. The gap is one statement long.
"""

import logging
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

from django.db.models import F, Q
from django.utils import timezone

from forecasting.leases import LONGEST_ERROR, doubled, kept_alive, stale_since
from forecasting.models import Letter, LetterState
from forecasting.outbox.smtp import HandedOver, MailServer

FIRST_PAUSE, LONGEST_PAUSE = timedelta(minutes=1), timedelta(hours=4)
# About 16 hours of trying: over a night in which the mail server is down, not into the next week's letter.
MOST_ATTEMPTS = 12

logger = logging.getLogger(__name__)


def send_due_letters(now: datetime) -> list[Letter]:
    """Send what waits to be sent, and return each letter tried, as it then stands.

    Safe to run twice and at once: each letter is taken by one of them.
    """
    return [letter for claimed in _claimed(now) if (letter := _send(claimed, now))]


def letters_wait(now: datetime) -> bool:
    """Return whether there is a letter to send."""
    return Letter.objects.filter(sendable(now)).exists()


def sendable(now: datetime) -> Q:
    """Return the condition of letters that may be sent now, those left by someone who died among them."""
    waiting = Q(state=LetterState.WAITING) & (Q(not_before=None) | Q(not_before__lte=now))
    return waiting | Q(state=LetterState.SENDING, alive_at__lt=stale_since(now))


def _claimed(now: datetime) -> Iterator[Letter]:
    """Claim one letter after the other, oldest first; each is sent before the next is claimed."""
    due = Letter.objects.filter(sendable(now)).order_by("written_at", "pk")
    for pk in list(due.values_list("pk", flat=True)):
        token = str(uuid4())
        taken = Letter.objects.filter(sendable(now), pk=pk).update(
            state=LetterState.SENDING, token=token, alive_at=timezone.now(), attempts=F("attempts") + 1
        )
        letter = Letter.objects.filter(pk=pk, token=token).first() if taken else None
        if letter is not None:
            yield letter


def _send(letter: Letter, now: datetime) -> Letter | None:
    """Send a claimed letter and write the result; None when the claim was lost meanwhile."""
    own = Letter.objects.filter(pk=letter.pk, token=letter.token, state=LetterState.SENDING)
    to = [address for address in letter.recipients if address not in letter.accepted]
    with kept_alive(lambda: bool(own.update(alive_at=timezone.now()))), closing(MailServer()) as server:
        handed = server.hand_over(bytes(letter.source), to)
        written = own.update(**_outcome(letter, handed, now))
    if not written:
        logger.warning("Letter %s was taken over while it was being sent", letter.key)
        return None
    letter.refresh_from_db()
    return letter


def _outcome(letter: Letter, handed: HandedOver, now: datetime) -> dict[str, Any]:
    """Return what an attempt changes in the letter's row."""
    changes: dict[str, Any] = {
        "token": "",
        "accepted": [*letter.accepted, *handed.accepted],
        "error": handed.words[:LONGEST_ERROR],
        "not_before": None,
    }
    if handed.accepted:
        changes["sent_at"] = now
    if not handed.refused:
        return {**changes, "state": LetterState.SENT}
    if handed.may_pass and letter.attempts < MOST_ATTEMPTS:
        pause = doubled(FIRST_PAUSE, letter.attempts, LONGEST_PAUSE)
        return {**changes, "state": LetterState.WAITING, "not_before": now + pause}
    return {**changes, "state": LetterState.FAILED}
