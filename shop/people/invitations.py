"""Adding people by an e-mailed link: it works once, for three days, and can be sent again or revoked."""

import logging
from smtplib import SMTPException

from django.contrib.auth.tokens import PasswordResetTokenGenerator
from django.core.mail import send_mail
from django.db import transaction
from django.http import HttpRequest
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode

from shop.models import Person, Role, Technician, Van, the_shop
from shop.people.admin_log import note
from shop.people.email_rate_limit import MOST_FROM_ONE, MOST_TO_ONE, minute_after, refused_until
from shop.people.login_throttle import address_of
from shop.people.user_status import Refusal, link_technician

log = logging.getLogger(__name__)


class InvitationTokens(PasswordResetTokenGenerator):
    """Tokens that end when used (the password changes), sent again or revoked (`invited_at` changes)."""

    key_salt = "shop.people.invitations"

    def _make_hash_value(self, user: Person, timestamp: int) -> str:
        invited = user.invited_at.isoformat() if user.invited_at else "not invited"
        return f"{super()._make_hash_value(user, timestamp)}{invited}{user.is_active}"

    def check_token(self, user: Person | None, token: str | None) -> bool:
        """Return whether a link is good: of an active person who was invited and has not come yet."""
        invited = user is not None and user.is_active and user.invited_at is not None
        return invited and super().check_token(user, token)


tokens = InvitationTokens()


@transaction.atomic
def add_person(person: Person, technician: Technician | None, van: Van | None, *, by: Person) -> None:
    """Keep a new person, who can sign in once the link was used. Raises Refusal for a technician's record."""
    person.set_unusable_password()
    person.invited_at = timezone.now()
    person.save()
    said = f"added as {person.role}"
    if person.role == Role.TECHNICIAN:
        said += f"; {link_technician(person, technician, van)}"
    note(by, person, said, added=True)


def send_link(request: HttpRequest, person: Person, *, by: Person) -> None:
    """Send a person a new link; earlier ones end. Raises Refusal when it could not be sent, and why.

    A request refused for asking too often leaves the earlier link as it is.
    """
    if person.has_usable_password() or not person.is_active:
        raise Refusal(f"{person} has a password already; nothing was sent.")
    if not person.email:
        raise Refusal(f"{person} has no e-mail address; nothing was sent.")
    now = timezone.now()
    if until := refused_until("invitation", person.email, address_of(request), now):
        raise Refusal(
            f"{MOST_TO_ONE} links were sent to {person.email} in the past hour, or {MOST_FROM_ONE} from "
            f"here; nothing more was sent. Try again at {minute_after(until)}."
        )
    person.invited_at = now
    person.save(update_fields=["invited_at"])
    uid = urlsafe_base64_encode(force_bytes(person.pk))
    path = reverse("people:join", args=[uid, tokens.make_token(person)])
    shop = the_shop()
    context = {"person": person, "by": by, "shop": shop, "link": request.build_absolute_uri(path)}
    text = render_to_string("shop/people/invitation.txt", context)
    try:
        send_mail(f"Your sign-in at {shop.name}", text, None, [person.email])
    except (OSError, SMTPException) as error:
        log.warning("The link for %s could not be sent: %s", person.username, error)
        note(by, person, "link could not be sent")
        raise Refusal(
            f"The e-mail to {person.email} could not be sent ({error}). {person} is kept: check the address "
            "and the mail settings, then send the link again."
        ) from error
    note(by, person, "link sent")


@transaction.atomic
def take_back_link(person: Person, *, by: Person) -> None:
    """End the link that a person was sent; the person is kept and can be sent another one."""
    person.invited_at = None
    person.save(update_fields=["invited_at"])
    note(by, person, "link taken back")
