"""Every list of the pages and the API with no rows, with one, and with more than a page of them."""

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from html import unescape
from urllib.parse import urlencode

import pytest
from django.db import connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from django.utils.html import strip_tags

from shop.common.pagination import ROWS_PER_PAGE
from shop.models import Person
from tests.benchmarks.lists import LISTS, Look
from tests.benchmarks.wide_books import PEOPLE
from tests.benchmarks.wide_shop import fill
from tests.shop.api.test_access import address

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]

# What a list says of which there is nothing, by its route.
EMPTY = {
    "": "Nothing is held.",
    "people/me/tokens/": "You have no tokens.",
    "store/": "Nothing is held here.",
    "store/differences/": "No count variance waits for an explanation.",
    "store/suppliers/": "No supplier yet. Add a supplier",
    "store/labels/": "No consumable yet",
    "store/documents/": "No document matches.",
    "owner/margins/": "No job posted anything in this period.",
    "owner/changes/": "No job posted anything in either period.",
    "owner/jobs/": "No job with postings matches.",
    "owner/losses/": "reaches the target of 30%, or there was none.",
    "owner/consumption/": "No consumption fits.",
    "owner/missing/": "Nothing was counted in this period.",
    "owner/missing/counts/": "No count matches.",
    "owner/questions/": "No question matches. Questions appear here when a close looks odd.",
    "owner/rates/": "No labour rate is set: time costs nothing yet.",
    "accounts/": "Nothing was ever locked.",
    "accounts/movements/": "No movement of this part posted in all time.",
    "accounts/adjustments/": "Nothing was settled in this period.",
    "accounts/stock/": "There was never any stock.",
    "accounts/provisional/": "No value is provisional.",
    "accounts/late/": "No document came late into this period.",
    "accounts/refused/": "No refused document waits.",
    "jobs/": "No booking matches. Remove a filter, or book a job.",
    "letters/": "No letter was written yet.",
    "letters/settings/": "There is no van yet.",
    "burn/": "No forecast has been made yet. Forecast now makes one",
    "lookback/": "No van has held anything yet",
    "restocks/": "No van has been restocked from here yet.",
    "restocks/settings/": "There is no consumable yet.",
    "purchases/": "Nothing was ordered from here yet.",
    "purchases/terms/": "There is no supplier yet.",
}
# Of these the filled shop has nothing: jobs under the target, uses before their receipt.
UNFILLED = {"owner/losses/", "accounts/provisional/"}
# Of these it has no second page: kinds of things, vans and drivers, what one item did or one run left out.
SHORT = {
    "store/items/<str:place>/<path:consumable>",
    "accounts/provisional/",
    "letters/settings/",
    "purchases/left-out/",
    *(f"api/v1/{kinds}-types/" for kinds in ("damage", "glass", "job")),
    *(f"api/v1/{name}/" for name in ("places", "vans", "technicians", "margins", "variances/labour")),
}
# Those that name something by its number are left out: numbers are the database's.
ASKED = {route: look for route, look in LISTS.items() if "pk" not in dict(look.named)}
# A tenth of all are of some kinds; even of these the smaller shop has more than a page.
SMALLER, LARGER, CONSUMABLES = 11 * ROWS_PER_PAGE, 15 * ROWS_PER_PAGE, 2 * ROWS_PER_PAGE


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of asking for a list: its status, how many queries it took, its text."""

    status: int
    queries: int
    text: str

    @property
    def has_further(self) -> bool:
        """Whether it says that another page follows."""
        return bool(re.search(r"Page 1 of \d|\"next\": ?\"http|\"pages\": ?(?!1\D)\d", self.text))

    def says(self, sentence: str) -> bool:
        """Return whether a sentence stands on the page."""
        return sentence in " ".join(unescape(strip_tags(self.text)).split())

    @property
    def size(self) -> int:
        """Length of the text without the options to choose from, which are not rows."""
        return len(re.sub(r"<option\b[^>]*>(.*?</option>)?", "", self.text, flags=re.DOTALL))


@contextmanager
def browsers(rows: int = 0, consumables: int = CONSUMABLES) -> Iterator[dict[str, Client]]:
    """Fill the shop with so many rows for a while; give everyone a browser that the shop knows already."""
    with transaction.atomic():
        if rows:
            fill(rows, consumables)
        made = {}
        for name, role in PEOPLE.items():
            person = Person.objects.get_or_create(username=name, defaults={"role": role})[0]
            made[name] = Client()
            made[name].force_login(person)
            made[name].get("/")
        yield made
        transaction.set_rollback(True)


def ask(route: str, look: Look, browser: Client, page: int = 1) -> Answer:
    """Ask for a page of a list over all that the filled shop holds."""
    query = {"period": "all time", "by": "customer"}
    if route == "owner/changes/":
        today = timezone.localdate()
        query |= {"start": f"{today - timedelta(days=140)}", "end": f"{today}"}
    elif route.startswith("api/"):
        query = {}
    if page > 1:
        query[look.page] = f"{page}"
    with CaptureQueriesContext(connection) as queries:
        answer = browser.get(f"{address(route, **dict(look.named))}?{urlencode(query)}")
        text = answer.getvalue().decode()
    return Answer(answer.status_code, len(queries), text)


def ask_all(browsers: dict[str, Client]) -> dict[str, Answer]:
    """Ask for the first page of every list."""
    return {route: ask(route, look, browsers[look.who]) for route, look in ASKED.items()}


def test_a_list_of_which_there_is_nothing_says_so() -> None:
    with browsers() as empty:
        for route, sentence in EMPTY.items():
            answer = ask(route, LISTS[route], empty[LISTS[route].who])
            assert answer.status == 200, route
            assert answer.says(sentence), route
        for route, look in ASKED.items():
            if route.startswith("api/"):
                answer = ask(route, look, empty[look.who])
                assert answer.status == 200, route


@pytest.mark.parametrize("rows", [1, 2])
def test_one_or_two_rows_are_a_list_without_further_pages(rows: int) -> None:
    """Of two jobs one is closed, of one it is booked."""
    with browsers(rows, consumables=1) as few:
        found = ask_all(few)
    for route, answer in found.items():
        assert answer.status == 200, route
        assert not answer.has_further, route
    if rows == 2:
        assert {route for route, sentence in EMPTY.items() if found[route].says(sentence)} == UNFILLED


def test_a_list_takes_as_many_queries_and_bytes_however_long_it_is() -> None:
    with browsers(ROWS_PER_PAGE, consumables=ROWS_PER_PAGE) as one_page:
        full = ask_all(one_page)
    with browsers(SMALLER) as several:
        small = ask_all(several)
        turned = [route for route, answer in small.items() if answer.has_further]
        second = {route: ask(route, ASKED[route], several[ASKED[route].who], page=2) for route in turned}
    with browsers(LARGER) as more:
        large = ask_all(more)
    assert {route for route, look in ASKED.items() if look.page} - set(turned) <= SHORT
    for route in ASKED:
        assert (full[route].status, small[route].status, large[route].status) == (200, 200, 200), route
    for route in turned:
        assert full[route].queries == small[route].queries == large[route].queries, route
        assert large[route].size < 1.1 * small[route].size, route
        assert second[route].status == 200, route
        # Fewer where a row has more to read than another: stock that expires, say.
        assert second[route].queries <= small[route].queries, route
        if route.startswith("api/"):
            assert json.loads(second[route].text)["results"] != json.loads(small[route].text)["results"], (
                route
            )
        else:
            assert "Page 2 of" in second[route].text, route
