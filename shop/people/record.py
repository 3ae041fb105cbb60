"""Who did what to whose account: kept where Django's admin keeps its own changes, and shown in the trail."""

from django.contrib.admin.models import ADDITION, CHANGE, LogEntry

from shop.models import Person


def note(by: Person, about: Person, what: str, *, added: bool = False) -> None:
    """Keep that `by` did something to the account of `about`."""
    LogEntry.objects.log_actions(
        user_id=by.pk,
        queryset=[about],
        action_flag=ADDITION if added else CHANGE,
        change_message=what,
        single_object=True,
    )
