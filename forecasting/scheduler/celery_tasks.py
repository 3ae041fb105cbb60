"""Celery's part: it carries work to workers and nothing else; the database knows what is to be done.

Messages may be lost, doubled or late without harm. They expire before the next look, so that workers that
were away do not find a pile of old ones.
"""

from celery import shared_task
from django.conf import settings
from django.utils import timezone

from forecasting.outbox.delivery import letters_wait, send_due_letters
from forecasting.schedule import WorkKind
from forecasting.scheduler.handlers import Piece
from forecasting.scheduler.runner import do, ready


@shared_task(name="slurrybook.look")
def look() -> None:
    """Find what is ready, and hand it to whatever worker is free."""
    now = timezone.now()
    for piece in ready(now):
        do_piece.apply_async((piece.kind.value, piece.period), expires=settings.LOOK_EXPIRES_SECONDS)
    if letters_wait(now):
        send_letters.apply_async(expires=settings.LOOK_EXPIRES_SECONDS)


@shared_task(name="slurrybook.do_piece")
def do_piece(kind: str, period: str) -> None:
    """Do a piece of work, then look at once for work that depends on it."""
    if do(Piece(WorkKind(kind), period), timezone.now()) is not None:
        look.apply_async(expires=settings.LOOK_EXPIRES_SECONDS)


@shared_task(name="slurrybook.send_letters")
def send_letters() -> None:
    """Send waiting letters."""
    send_due_letters(timezone.now())
