"""Roles, leaving and coming back; own passwords and sessions; the last owner stays."""

import pytest
from django.test import Client

from shop.models import ApiToken, Person, Role, Technician, Van
from shop.people.tokens import make_token
from tests.shop.api.served_shop import open_served_shop, signed_in

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people, olga the only owner."""
    open_served_shop()


def pk(name: str) -> int:
    """Return the number of a person."""
    return Person.objects.get(username=name).pk


def shown(client: Client, path: str, **data: object) -> str:
    """Return the page that a form leads to."""
    return client.post(path, data, follow=True).content.decode()


def old(password: str) -> dict[str, str]:
    """Return the field of the old password."""
    return {"old_password": password}


def test_a_role_changes_after_the_owner_has_seen_what_it_means() -> None:
    olga = signed_in("olga")
    asked = shown(olga, f"/people/{pk('sue')}/role/", role="accountant")
    assert "reads all documents and costs" in asked
    assert Person.objects.get(username="sue").role == Role.STOREKEEPER
    shown(olga, f"/people/{pk('sue')}/role/", role="accountant", confirmed="yes")
    assert Person.objects.get(username="sue").role == Role.ACCOUNTANT


def test_a_technician_is_given_a_record_and_a_van() -> None:
    van = Van.objects.get(place__code="van-b")
    shown(signed_in("olga"), f"/people/{pk('sue')}/role/", role="technician", van=van.pk, confirmed="yes")
    made = Technician.objects.get(person__username="sue")
    assert (made.code, made.van) == ("sue", van)


def test_the_last_owner_keeps_the_role_and_the_sign_in() -> None:
    olga = signed_in("olga")
    for path, data in (
        (f"/people/{pk('olga')}/role/", {"role": "accountant"}),
        (f"/people/{pk('olga')}/deactivate/", {}),
    ):
        assert "is the only owner who can sign in" in shown(olga, path, confirmed="yes", **data)
    person = Person.objects.get(username="olga")
    assert (person.role, person.is_active) == (Role.OWNER, True)


def test_an_owner_who_has_not_joined_yet_does_not_count() -> None:
    invited = Person.objects.create(username="new", role=Role.OWNER)
    invited.set_unusable_password()
    invited.save()
    assert "only owner" in shown(signed_in("olga"), f"/people/{pk('olga')}/deactivate/")


def test_one_of_two_owners_may_go() -> None:
    Person.objects.create(username="otto", role=Role.OWNER)
    shown(signed_in("otto"), f"/people/{pk('olga')}/deactivate/")
    assert not Person.objects.get(username="olga").is_active


def test_the_last_owner_stays_in_the_admin_too() -> None:
    page = f"/admin/shop/person/{pk('olga')}/change/"
    said = signed_in("olga").post(page, {"role": "accountant", "is_active": "on"}).content.decode()
    assert "is the only owner who can sign in" in said
    assert Person.objects.get(username="olga").role == Role.OWNER


def test_who_made_the_deployment_is_no_owner_once_made_something_else() -> None:
    Person.objects.create_superuser("root")
    shown(signed_in("olga"), f"/people/{pk('root')}/role/", role="accountant", confirmed="yes")
    assert signed_in("root").get("/people/").status_code == 403


def test_who_leaves_is_signed_out_everywhere_and_can_come_back() -> None:
    sue = signed_in("sue")
    make_token(Person.objects.get(username="sue"), "x", 7)
    olga = signed_in("olga")
    shown(olga, f"/people/{pk('sue')}/deactivate/")
    assert sue.get("/").status_code == 302
    assert not ApiToken.objects.exists()
    shown(olga, f"/people/{pk('sue')}/reactivate/")
    assert signed_in("sue").get("/").status_code == 200
    # The session of before has ended for good.
    assert sue.get("/").status_code == 302


def test_signing_out_everywhere_keeps_this_browser_only() -> None:
    here, there = signed_in("sue"), signed_in("sue")
    assert "everywhere but here" in shown(here, "/people/me/sign-out-everywhere/")
    assert here.get("/").status_code == 200
    assert there.get("/").status_code == 302


def test_a_password_is_changed_with_the_old_one_only() -> None:
    sue = Person.objects.get(username="sue")
    sue.set_password("the old long sentence")
    sue.save()
    here, there = signed_in("sue"), signed_in("sue")
    new = {"new_password1": "a new long sentence", "new_password2": "a new long sentence"}
    assert "incorrectly" in shown(here, "/people/me/password/", **old("wrong"), **new)
    assert "is changed" in shown(here, "/people/me/password/", **old("the old long sentence"), **new)
    assert here.get("/").status_code == 200
    assert there.get("/").status_code == 302


@pytest.mark.parametrize("query", ["", "?q=su", "?role=owner", "?state=active", "?state=invited", "?page=99"])
def test_the_list_of_people_can_be_narrowed(query: str) -> None:
    assert signed_in("olga").get(f"/people/{query}").status_code == 200
