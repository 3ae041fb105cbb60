"""Where a person is signed in: seen by the person, ended by the person or an owner, little of it kept."""

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.sessions.models import Session
from django.core.cache import cache
from django.test import Client
from django.utils import timezone

from shop.models import Device, Job, Person
from shop.people.client_info import device_words, one_client, rough_network
from shop.people.sessions import devices_of
from tests.shop.api.served_shop import open_served_shop, signed_in
from tests.shop.web.test_home_views import book

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]

PHONE = "Mozilla/5.0 (Android 15; Mobile; rv:140.0) Gecko/140.0 Firefox/140.0"
DESK = "Mozilla/5.0 (X11; Linux x86_64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/142.0.0.0 Safari/537.36"
PASSWORD = "a long sentence of ann"  # noqa: S105


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people, of whom ann has a password."""
    open_served_shop()
    ann = Person.objects.get(username="ann")
    ann.set_password(PASSWORD)
    ann.save()


def browser(user_agent: str, address: str = "203.0.113.77") -> Client:
    """Return a browser in which ann has signed in."""
    client = Client(REMOTE_ADDR=address, headers={"User-Agent": user_agent})
    signed = client.post("/sign-in/", {"username": "ann", "password": PASSWORD})
    assert signed.status_code == 302
    return client


def device(words: str) -> Device:
    """Return one of ann's devices."""
    return Device.objects.get(words=words, person__username="ann")


def test_a_person_sees_the_own_devices_and_no_address() -> None:
    phone, _ = browser(PHONE), browser(DESK, "2001:db8:77:1::5")
    shown = phone.get("/people/me/sessions/").content.decode()
    assert "Firefox on Android" in shown
    assert "Chrome on Linux" in shown
    assert "203.0.113.0/24" in shown
    assert "203.0.113.77" not in shown
    assert shown.count("this one") == 1
    assert "on 2 devices" in phone.get("/people/me/").content.decode()
    assert "Firefox" not in signed_in("ben").get("/people/me/sessions/").content.decode()
    key = phone.session.session_key
    assert key
    assert key not in shown


def test_one_device_is_ended_and_the_others_go_on() -> None:
    phone, desk = browser(PHONE), browser(DESK)
    answer = desk.post(f"/people/me/sessions/{device('Firefox on Android').pk}/end/", follow=True)
    assert "Firefox on Android is signed out" in answer.content.decode()
    assert phone.get("/").status_code == 302
    assert desk.get("/").status_code == 200
    assert not Device.objects.filter(words="Firefox on Android").exists()


def test_ending_the_own_device_signs_out() -> None:
    phone = browser(PHONE)
    answer = phone.post(f"/people/me/sessions/{device('Firefox on Android').pk}/end/")
    assert answer.headers["Location"] == "/sign-in/"
    assert phone.get("/").status_code == 302


def test_nobody_ends_the_device_of_another() -> None:
    phone = browser(PHONE)
    page = f"/people/me/sessions/{device('Firefox on Android').pk}/end/"
    for name in ("ben", "olga"):
        assert signed_in(name).post(page).status_code == 404
    assert phone.get(page).status_code == 405
    assert phone.get("/").status_code == 200


def test_an_owner_signs_somebody_out_everywhere() -> None:
    phone, desk, olga = browser(PHONE), browser(DESK), signed_in("olga")
    ann = Person.objects.get(username="ann")
    assert "on 2 devices" in olga.get(f"/people/{ann.pk}/").content.decode()
    assert "must sign in again" in olga.get(f"/people/{ann.pk}/sign-out/").content.decode()
    said = olga.post(f"/people/{ann.pk}/sign-out/", follow=True).content.decode()
    assert "signed out everywhere" in said
    assert (phone.get("/").status_code, desk.get("/").status_code) == (302, 302)
    assert not devices_of(ann)
    assert browser(PHONE).get("/").status_code == 200
    own = Person.objects.get(username="olga").pk
    assert olga.post(f"/people/{own}/sign-out/").headers["Location"] == "/sign-in/"
    assert olga.get("/").status_code == 302


@pytest.mark.parametrize("way", ["password", "everywhere", "leaving"])
def test_no_session_stays_in_the_database_that_was_ended(way: str) -> None:
    phone, desk = browser(PHONE), browser(DESK)
    old = {phone.session.session_key, desk.session.session_key}
    if way == "password":
        new = {"new_password1": "another long sentence", "new_password2": "another long sentence"}
        assert phone.post("/people/me/password/", {"old_password": PASSWORD, **new}).status_code == 302
    elif way == "everywhere":
        phone.post("/people/me/sign-out-everywhere/")
    else:
        signed_in("olga").post(f"/people/{Person.objects.get(username='ann').pk}/deactivate/")
    assert not Session.objects.filter(pk__in=old).exists()
    assert desk.get("/").status_code == 302
    assert phone.get("/").status_code == (302 if way == "leaving" else 200)
    assert devices_of(Person.objects.get(username="ann")).count() == (0 if way == "leaving" else 1)


def test_reading_pages_writes_down_once_an_hour_that_a_device_was_seen() -> None:
    phone = browser(PHONE)
    before = timezone.now() - timedelta(days=1)
    Device.objects.update(last_seen_at=before)
    phone.get("/")
    assert device("Firefox on Android").last_seen_at == before
    cache.clear()
    phone.get("/")
    assert device("Firefox on Android").last_seen_at > before


def test_a_device_goes_with_its_session_and_one_that_ended_by_itself_is_not_shown() -> None:
    phone = browser(PHONE)
    ann = Person.objects.get(username="ann")
    Session.objects.update(expire_date=timezone.now() - timedelta(seconds=1))
    assert not devices_of(ann)
    Session.objects.update(expire_date=timezone.now() + timedelta(days=1))
    phone.post("/sign-out/")
    assert not Device.objects.exists()


@pytest.mark.parametrize(
    ("user_agent", "words"),
    [
        (PHONE, "Firefox on Android"),
        (DESK, "Chrome on Linux"),
        (f"{DESK} Edg/142.0.0.0", "Edge on Linux"),
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 18_0 like Mac OS X) AppleWebKit/605.1.15 Safari/604.1",
            "Safari on iPhone",
        ),
        ("", "A browser on an unknown system"),
        ("<script>alert(1)</script>" * 100, "A browser on an unknown system"),
    ],
)
def test_a_browser_is_told_in_words_of_ours_only(user_agent: str, words: str) -> None:
    assert device_words(user_agent) == words


@pytest.mark.parametrize(
    ("address", "network", "client"),
    [
        ("203.0.113.77", "203.0.113.0/24", "203.0.113.77"),
        ("::ffff:198.51.100.9", "198.51.100.0/24", "198.51.100.9"),
        ("192.168.1.20", "a local network", "192.168.1.20"),
        ("fd12:3456::1", "a local network", "fd12:3456::/64"),
        ("2001:db8:1:2:3::4", "2001:db8:1::/48", "2001:db8:1:2::/64"),
        (None, "an unknown address", "unknown"),
    ],
)
def test_a_network_is_told_roughly(address: str | None, network: str, client: str) -> None:
    assert (rough_network(address), one_client(address)) == (network, client)


def chosen(client: Client, unit: str) -> Any:
    """Choose a unit of length, and return the page that follows."""
    return client.post("/people/me/lengths/", {"length_unit": unit}, follow=True).content.decode()


def test_a_person_may_read_lengths_in_another_unit_than_the_shop() -> None:
    ann = signed_in("ann")
    book("TODAY-1", length_mm=Decimal("120.5"))
    assert "120.5 mm" in ann.get("/").content.decode()
    assert "as the shop: millimetres" in ann.get("/people/me/").content.decode()
    assert "Lengths are shown to you in inches" in chosen(ann, "in")
    # 120.5 mm / 25.4 = 4.744 in.
    assert "4.74 in" in ann.get("/").content.decode()
    assert ann.get("/phone/bundle/").json()["length_unit"] == "in"
    assert "120.5 mm" in signed_in("olga").get(f"/owner/jobs/{Job.objects.get().pk}/").content.decode()
    Person.objects.filter(username="olga").update(length_unit="in")
    assert "4.74 in" in signed_in("olga").get(f"/owner/jobs/{Job.objects.get().pk}/").content.decode()
    assert "not a unit of length" in chosen(ann, "ell")
    assert Person.objects.get(username="ann").length_unit == "in"
    assert "Lengths are shown to you in millimetres" in chosen(ann, "")
