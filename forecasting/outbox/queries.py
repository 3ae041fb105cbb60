"""The filters of a list of letters, and which letters need a person."""

from django.db.models import QuerySet

from forecasting.models import Letter, LetterState

TROUBLED = (LetterState.FAILED, LetterState.NO_RECIPIENT)
NEEDS_A_HAND = "needs a hand"
CHOICES = (NEEDS_A_HAND, *LetterState.values)


def needing_a_hand() -> QuerySet[Letter]:
    """Return the letters that somebody did not get; one that was sent again no longer needs a person."""
    return Letter.objects.filter(state__in=TROUBLED, resent_as=None)


def narrowed(state: str) -> QuerySet[Letter]:
    """Return the letters of one of CHOICES, newest first; all when it is none of them."""
    if state == NEEDS_A_HAND:
        found = needing_a_hand()
    else:
        found = Letter.objects.filter(state=state) if state in CHOICES else Letter.objects.all()
    return found.defer("source").order_by("-written_at", "-pk")
