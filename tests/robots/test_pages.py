"""Every form and every query of every page, for each role: never a failure of the server, nothing half done.

HYPOTHESIS_PROFILE=thorough sends each field each odd value; by default each sees a share of them.
"""

from typing import Any

import pytest
from django.test import Client

from shop.models import Person
from tests.robots.form_robot import Robot
from tests.robots.site_walk import Walk, walk_from
from tests.robots.stored_rows import Stored
from tests.shop.api.route_table import ROUTES
from tests.shop.api.served_shop import PERSON_OF_ROLE

# Tests of each page ask its queries on PostgreSQL; odd input is refused before any query, or in the API too.
pytestmark = [
    pytest.mark.django_db,
    pytest.mark.usefixtures("filled_shop"),
    pytest.mark.same_on_each_database,
]

# What no link leads to, with the reason.
UNREACHABLE = {
    "people/join/<uidb64>/<token>/": "by a letter; tests/shop/people/test_onboarding_views.py",
    "people/reset/<uidb64>/<token>/": "by a letter; tests/shop/people/test_onboarding_views.py",
    "people/forgotten/sent/": "after a form for people who have not signed in",
    "phone/": "an app of its own, linked for technicians only; tests/browser",
    "phone/bundle/": "asked by the phone's script",
    "phone/files/<str:version>/<str:name>": "asked by the phone's page",
    "phone/manifest.webmanifest": "asked by the phone's page",
    "phone/photos/<str:photo_id>/": "shown once there are photos; tests/shop/phone/test_photo_views.py",
    "phone/session/": "asked by the phone's script",
    "phone/standing-close/": "asked by the phone's script",
    "phone/worker.js": "asked by the phone's page",
    "purchases/<int:pk>/receipts/": "shown once a receipt is linked",
    "restocks/<int:pk>/undo-changes/": "shown once a draft was changed",
    "sign-in/": "asked below, by nobody",
    "people/forgotten/": "asked below, by nobody",
}
# What a walk must find at least: routes, forms, fields of forms, names that pages read from their query.
LEAST = {
    "technician": (20, 12, 25, 15),
    "storekeeper": (66, 60, 223, 50),
    "owner": (100, 100, 350, 80),
    "accountant": (38, 30, 90, 50),
    "nobody": (2, 2, 3, 1),
}


def browser_of(role: str) -> Client:
    """Return the browser of a role's person; nobody's has not signed in."""
    client = Client(raise_request_exception=False)
    if role in PERSON_OF_ROLE:
        client.force_login(Person.objects.get(username=PERSON_OF_ROLE[role]))
    return client


def size(walk: Walk) -> tuple[int, int, int, int]:
    """Return how many routes, forms, fields and names of queries a walk found."""
    sendings = [sending for _, sending, _ in walk.sendings.values()]
    fields = sum(len({field.pattern for field in sending.form.fields.values()}) for sending in sendings)
    return len(walk.routes), len(sendings), fields, sum(len(page.names) for page in walk.pages.values())


def test_no_page_fails_whatever_it_is_sent() -> None:
    known_forms: set[tuple[Any, ...]] = set()
    known_names: set[tuple[str, str]] = set()
    wrong: dict[str, str] = {}
    stored = Stored()
    for role, least in LEAST.items():
        client = browser_of(role)
        starts = ["/"] if role != "nobody" else ["/sign-in/", "/people/forgotten/"]
        walk = walk_from(client, *starts, without="admin/")
        found = size(walk)
        assert walk.wrong == []
        assert all(count >= few for count, few in zip(found, least, strict=True)), (role, found)
        assert role == "nobody" or pages_of(role) - walk.routes <= set(UNREACHABLE)
        robot = Robot(client, stored, walk)
        robot.send_every_form(known_forms)
        robot.ask_every_page(known_names)
        print(f"{role}: routes, forms, fields, names {found}; {robot.sent} requests")
        assert robot.sent > found[1]
        wrong |= {f"{role}: {what}": how for what, how in robot.wrong.items()}
        for what, how in robot.wrong.items():
            print(f"{what}\n    by {how}")
    assert not wrong


def pages_of(role: str) -> set[str]:
    """Return the routes of the pages that serve a role by the table of roles."""
    served = {route for route, table in ROUTES.items() if any(role in roles for roles in table.values())}
    return {route for route in served if not route.startswith(("api/", "admin/"))}
