"""Who did what to whose account: kept where Django's admin keeps its own changes, and shown in the trail."""

from django.contrib.admin.models import ADDITION, CHANGE, LogEntry
from django.db.models import Model

from shop.models import Person


def note(by: Person, about: Person, what: str, *, added: bool = False) -> None:
    """Keep that `by` did something to the account of `about`."""
    note_change(by, about, what, added=added)


def note_change(by: Person, about: Model, what: str, *, added: bool = False) -> None:
    """Keep that `by` added or changed something that is set up."""
    LogEntry.objects.log_actions(
        user_id=by.pk,
        queryset=[about],
        action_flag=ADDITION if added else CHANGE,
        change_message=what,
        single_object=True,
    )
