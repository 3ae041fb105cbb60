"""Pages for who has no password yet, or no longer: joining by a link, and choosing a new password."""

import logging
from smtplib import SMTPException
from threading import Thread
from typing import Any

from django.contrib import messages
from django.contrib.auth.forms import PasswordResetForm, SetPasswordForm
from django.contrib.auth.views import (
    PasswordResetConfirmView,
    PasswordResetDoneView,
    PasswordResetView,
)
from django.core.mail import EmailMessage
from django.http import HttpResponse
from django.template.loader import render_to_string
from django.urls import reverse_lazy
from django.utils.decorators import method_decorator
from django.views.decorators.http import require_http_methods

from shop.models import Person, the_shop
from shop.people import invitations
from shop.people.record import note

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
        title = f"Welcome, {self.user}" if self.validlink else "This link works no more"
        return {**context, "title": title}


class Reset(_ChoosePassword):
    """The link that a person asked for who has forgotten the password."""

    reset_url_token = "choose-password"  # noqa: S105
    template_name = "shop/people/reset.html"
    noted = "password reset by e-mail"
    said = "Your new password is kept. Sign in with it."

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        """Say what the page is for."""
        context = super().get_context_data(**kwargs)
        return {**context, "title": "Choose a new password" if self.validlink else "This link works no more"}


class UnseenResetForm(PasswordResetForm):
    """Sends the e-mail beside the answer, so that its time does not tell who has an account."""

    def send_mail(  # noqa: PLR0917 - the signature is the framework's
        self,
        subject_template_name: str,
        email_template_name: str,
        context: dict[str, Any],
        from_email: str | None,
        to_email: str,
        html_email_template_name: str | None = None,  # noqa: ARG002
    ) -> None:
        """Write the letter and hand it to a thread of its own."""
        subject = render_to_string(subject_template_name, context).strip()
        text = render_to_string(email_template_name, {**context, "shop": the_shop()})
        letter = EmailMessage(subject, text, from_email, [to_email])
        Thread(target=_send, args=[letter, str(context["user"].pk)]).start()


def _send(letter: EmailMessage, person: str) -> None:
    try:
        letter.send()
    except (OSError, SMTPException):
        log.exception("The e-mail to reset the password of person %s could not be sent", person)


class Forgotten(PasswordResetView):
    """Asks for the e-mail address; answers the same whether or not somebody has it."""

    template_name = "shop/people/forgotten.html"
    http_method_names = ["get", "head", "post"]
    email_template_name = "shop/people/reset.txt"
    subject_template_name = "shop/people/reset_subject.txt"
    form_class = UnseenResetForm
    success_url = reverse_lazy("people:forgotten-sent")
    extra_context = {"title": "Forgotten your password?"}


class ForgottenSent(PasswordResetDoneView):
    """Says that an e-mail is on its way if somebody has that address."""

    template_name = "shop/people/forgotten_sent.html"
    extra_context = {"title": "Look into your mail"}
