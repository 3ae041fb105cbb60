"""The common part of the pages of restocks and purchases: taking a step, with a form or without."""

from collections.abc import Callable, Iterable, Sequence
from typing import Protocol

from django.contrib import messages
from django.http import Http404, HttpRequest
from django.utils import timezone

from forecasting.models import Purchase, Restock
from forecasting.workflow import Done, Order, StepRefused
from inventory.documents import Problem
from inventory.ledger import Refused
from shop.people.permissions import person_of


class StepForm(Protocol):
    """A form that shows what a step refused beside the fields it is about."""

    def is_valid(self) -> bool:
        """Return whether a step may be tried."""

    def add_problems(self, problems: Sequence[Problem], /) -> None:
        """Show what was refused."""


def press(
    request: HttpRequest,
    pk: int,
    step: Callable[..., Done[Order]],
    said: str,
    *,
    unchanged: str = "That was done already.",
    refused_by: tuple[type[Exception], ...] = (),
) -> None:
    """Take a step that only needs confirmation, and show the result.

    `step` takes the order's id, `by` and `now`. Besides what steps and the ledger refuse, `refused_by` names
    errors whose text the person is shown. Raises Http404 for an order that is not there.
    """
    refusals: tuple[type[Exception], ...] = (StepRefused, Refused, *refused_by)
    try:
        done = step(pk, by=person_of(request).get_username(), now=timezone.now())
    except (Restock.DoesNotExist, Purchase.DoesNotExist):
        raise Http404 from None
    except refusals as refused:
        messages.error(request, f"Nothing was changed: {str(refused).rstrip('.')}.")
    else:
        messages.success(request, said if done.changed else unchanged)
        warn(request, done.flags)


def warn(request: HttpRequest, flags: Iterable[str]) -> None:
    """Show the flags of a step that was taken."""
    for flag in flags:
        messages.warning(request, flag)


def fill_in(
    request: HttpRequest, form: StepForm, step: Callable[[], Done[Order]], said: str, *, unchanged: str
) -> Done[Order] | None:
    """Take a step when its form is valid, say so, and return its result.

    None when it was not taken; the form then says why.
    """
    if not form.is_valid():
        return None
    try:
        done = step()
    except StepRefused as refused:
        form.add_problems(refused.problems)
    except Refused as refused:
        form.add_problems([problem for _, problem in refused.problems])
    else:
        messages.success(request, said if done.changed else unchanged)
        return done
    return None
