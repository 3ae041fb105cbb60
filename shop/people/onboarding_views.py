"""Pages for people without a password: joining by a link, and choosing a new password."""

import logging
from datetime import datetime
from http import HTTPStatus
from threading import Thread
from typing import Any

from django.contrib import messages
from django.contrib.auth.forms import PasswordResetForm, SetPasswordForm
from django.contrib.auth.views import (
    PasswordResetConfirmView,
    PasswordResetDoneView,
    PasswordResetView,
)
from django.db import connection
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse_lazy
from django.utils import timezone
from django.utils.decorators import method_decorator
from django.views.decorators.http import require_http_methods

from shop.models import Person, the_shop
from shop.people import invitations, sessions
from shop.people.admin_log import note
from shop.people.email_rate_limit import minute_after, refused_until
from shop.people.login_throttle import address_of

log = logging.getLogger(__name__)


# Django's view answers a bad link before it looks at the method.
@method_decorator(require_http_methods(["GET", "HEAD", "POST"]), name="dispatch")
class _ChoosePassword(PasswordResetConfirmView):
    """A link that leads to choosing a password; Django takes the token out of the address first."""

    success_url = reverse_lazy("sign-in")
    noted = ""
    said = ""

    def form_valid(self, form: "SetPasswordForm[Any]") -> HttpResponse:
        """Keep the password; the link ends with it."""
        answer = super().form_valid(form)
        person = form.user
        assert isinstance(person, Person)  # noqa: S101 - it is the only user model
        Person.objects.filter(pk=person.pk).update(invited_at=None)
        sessions.end(sessions.devices_of(person))
        note(person, person, self.noted)
        messages.success(self.request, self.said)
        return answer


class Join(_ChoosePassword):
    """The link that an owner sent to a new person."""

    token_generator = invitations.tokens
    reset_url_token = "choose-password"  # noqa: S105 - a word in the address
    template_name = "shop/people/join.html"
    extra_context = {"shop": None}
    noted = "joined and chose a password"
    said = "Your password is kept. Sign in with your name and it."

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        """Name the shop and the person."""
        context = {**super().get_context_data(**kwargs), "person": self.user, "shop": the_shop()}
        title = f"Welcome, {self.user}" if self.validlink else "This link no longer works"
        return {**context, "title": title}


class Reset(_ChoosePassword):
    """The link that a person asked for who has forgotten the password."""

    reset_url_token = "choose-password"  # noqa: S105
    template_name = "shop/people/reset.html"
    noted = "password reset by e-mail"
    said = "Your new password is kept. Sign in with it. Your API tokens have ended; make new ones."

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        """Say what the page is for."""
        context = super().get_context_data(**kwargs)
        return {
            **context,
            "title": "Choose a new password" if self.validlink else "This link no longer works",
        }


class Forgotten(PasswordResetView):
    """Asks for the e-mail address; answers the same, and as fast, whether or not somebody has it."""

    template_name = "shop/people/forgotten.html"
    http_method_names = ["get", "head", "post"]
    success_url = reverse_lazy("people:forgotten-sent")
    extra_context = {"title": "Forgotten your password?"}

    def form_valid(self, form: PasswordResetForm) -> HttpResponse:
        """Look for the person and write the letter beside the answer."""
        email, now = form.cleaned_data["email"], timezone.now()
        if until := refused_until("reset", email, address_of(self.request), now):
            return self._try_later(form, until, now)
        send_beside(form, self.request.get_host(), self.request.is_secure())
        return redirect(self.get_success_url())

    def _try_later(self, form: PasswordResetForm, until: datetime, now: datetime) -> HttpResponse:
        form.add_error(
            None,
            "This was asked for too often, for this address or from here. Check your mail, also the "
            f"spam folder, or try again at {minute_after(until)}.",
        )
        answer = self.form_invalid(form)
        answer.status_code = HTTPStatus.TOO_MANY_REQUESTS
        answer.headers["Retry-After"] = str(int((until - now).total_seconds()) + 1)
        return answer


def send_beside(form: PasswordResetForm, host: str, is_secure: bool) -> None:  # noqa: FBT001
    """Do `send` in a thread of its own."""

    def run() -> None:
        try:
            send(form, host, is_secure)
        except Exception:
            log.exception("A letter to choose a new password could not be written")
        finally:
            connection.close()

    Thread(target=run).start()


def send(form: PasswordResetForm, host: str, is_secure: bool) -> None:  # noqa: FBT001
    """Send the letter to the person who has the address and may sign in; a refusal is logged."""
    form.save(
        domain_override=host,
        use_https=is_secure,
        email_template_name="shop/people/reset.txt",
        subject_template_name="shop/people/reset_subject.txt",
        extra_email_context={"shop_name": the_shop().name},
    )


class ForgottenSent(PasswordResetDoneView):
    """Says that an e-mail is on its way if somebody has that address."""

    template_name = "shop/people/forgotten_sent.html"
    extra_context = {"title": "Check your mail"}
