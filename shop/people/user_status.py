"""Who may sign in in which role: roles, leaving and coming back. The last owner cannot leave."""

from django.contrib.auth.hashers import UNUSABLE_PASSWORD_PREFIX
from django.db import transaction
from django.db.models import Q, QuerySet

from shop.models import ApiToken, Person, Role, Technician, Van
from shop.people import sessions
from shop.people.admin_log import note
from shop.people.permissions import role_of

LAST_OWNER = (
    "is the only owner who can sign in. Make somebody else an owner first: "
    "without one nobody could add people or change the set-up."
)
# How Django writes down that there is no password: nobody can sign in with it.
NO_PASSWORD = Q(password__startswith=UNUSABLE_PASSWORD_PREFIX)


class Refusal(Exception):
    """A change of people that cannot be made, with the reason to show."""


def owners() -> QuerySet[Person]:
    """Return the owners who can sign in: who was invited and has not come yet cannot."""
    is_owner = Q(role=Role.OWNER) | Q(is_superuser=True)
    return Person.objects.filter(is_owner, is_active=True).exclude(NO_PASSWORD)


def last_owner_problem(person: Person) -> str | None:
    """Return why a person must stay an active owner, or None; locks the owners until the transaction ends."""
    others = [owner for owner in owners().select_for_update().order_by("pk") if owner.pk != person.pk]
    before = Person.objects.get(pk=person.pk)
    if others or not owners().filter(pk=before.pk).exists():
        return None
    return f"{before} {LAST_OWNER}"


@transaction.atomic
def change_role(
    person: Person, role: Role, technician: Technician | None, van: Van | None, *, by: Person
) -> None:
    """Give a person another role, and a technician's record and van. Raises Refusal for the last owner."""
    before = role_of(person)
    if before == Role.OWNER and role != Role.OWNER and (problem := last_owner_problem(person)):
        raise Refusal(problem)
    person.role = role
    # The person who made the deployment is an owner by these flags, whatever the role says.
    person.is_superuser = person.is_superuser and role == Role.OWNER
    person.is_staff = person.is_staff and role == Role.OWNER
    person.save(update_fields=["role", "is_superuser", "is_staff"])
    said = [f"role {before} to {role}"] if before != role else []
    if role == Role.TECHNICIAN:
        said.append(link_technician(person, technician, van))
    note(by, person, "; ".join(said) or "role kept")


def link_technician(person: Person, technician: Technician | None, van: Van | None) -> str:
    """Give a person a technician's record (a new one under the sign-in name without any) and its van."""
    before = Technician.objects.select_for_update().filter(person=person).first()
    after = technician or before
    if after is None:
        after, _ = Technician.objects.get_or_create(code=person.username, defaults={"name": str(person)})
        if after.person_id not in (None, person.pk):
            raise Refusal(f"Technician {after.code} is somebody else already; choose the record to use.")
    if before is not None and before.pk != after.pk:
        before.person = None
        before.save(update_fields=["person"])
    after.person = person
    after.van = van
    after.save(update_fields=["person", "van"])
    return f"technician {after.code} on {van.code if van else 'no van'}"


@transaction.atomic
def deactivate(person: Person, *, by: Person) -> None:
    """Deactivate a person at once: sessions, tokens and open links end. Raises Refusal."""
    if problem := last_owner_problem(person):
        raise Refusal(problem)
    person.is_active = False
    person.invited_at = None
    person.session_generation += 1
    person.save(update_fields=["is_active", "invited_at", "session_generation"])
    sessions.end(sessions.devices_of(person))
    ApiToken.objects.filter(user=person).delete()
    note(by, person, "deactivated; sessions and tokens ended")


@transaction.atomic
def reactivate(person: Person, *, by: Person) -> None:
    """Let a person sign in again with the password of before."""
    person.is_active = True
    person.save(update_fields=["is_active"])
    note(by, person, "may sign in again")


@transaction.atomic
def sign_out_everywhere(person: Person, *, by: Person) -> None:
    """End all sessions of a person, on every device."""
    person.session_generation += 1
    person.save(update_fields=["session_generation"])
    sessions.end(sessions.devices_of(person))
    note(by, person, "signed out everywhere")
