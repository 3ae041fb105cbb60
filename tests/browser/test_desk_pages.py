"""Every page that a role can reach: no serious finding of axe, nothing wider than 360 px, no script error,
and everything that can be used is reached with the Tab key.

The walk starts at each route of the table of tests/shop/api/route_table.py that needs nothing filled in, and
follows the links it finds to one page of every route that does.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import Resolver404, resolve
from playwright.sync_api import Browser, Page

from tests.browser.phone import PATIENCE_MS
from tests.browser.serving import serving
from tests.shop.api.route_table import ROUTES

NARROW, WIDE, HEIGHT = 360, 1280, 800
GRAVE = {"serious", "critical"}
ROLES = ("owner", "accountant", "storekeeper", "technician")
# Not pages, or not ours: Django's own set-up pages, the API, and what ends the session.
# The last answers the phone's script about a job that it names.
ELSEWHERE = ("admin/", "api/", "sign-out/", "phone/standing-close/")
# Pages that show little until they are asked something, with a question.
ASKED = {"jobs/estimate/": "?damage_type=scratch&length=900&depth=yes&in_primary_view=on&price=10"}
# Of what needs something filled in, what a walk must reach; else it would say little.
MUST_REACH = {
    "owner": {
        "owner/jobs/<int:pk>/",
        "jobs/<int:pk>/cancel/",
        "accounts/refused/<int:pk>/",
        "restocks/<int:pk>/",
    },
    "accountant": {"owner/jobs/<int:pk>/", "accounts/refused/<int:pk>/"},
    "storekeeper": {"restocks/<int:pk>/", "store/differences/<int:pk>/"},
    "technician": {"restocks/<int:pk>/"},
}
FEWEST_ROUTES = {"owner": 60, "accountant": 30, "storekeeper": 30, "technician": 15}
# What the Tab key must reach; of radio buttons it reaches one of a group, and arrows the others.
WATCH_FOCUS = """() => {
  window.reached = new Set();
  document.addEventListener("focusin", (event) => window.reached.add(event.target));
  window.wanted = [...document.querySelectorAll("a[href], button, input, select, textarea, summary")].filter(
    (each) => !each.disabled && !["hidden", "radio"].includes(each.type) && each.checkVisibility()
  );
}"""
REACHED = "window.wanted.filter((each) => window.reached.has(each)).length"
UNREACHED = "window.wanted.filter((each) => !window.reached.has(each)).map((each) => each.outerHTML)"
# A field for a date and a time takes the key seven times.
STANDSTILL_PRESSES = 9
# Loaded, too: what printing would still have to fetch is not printed.
CHARTS_SHOWN = """() => [...document.querySelectorAll(".chart img, img.chart")].filter(
  (each) => each.checkVisibility() && each.naturalWidth > 0
).map((each) => each.currentSrc)"""
CONTRAST_ONLY: dict[str, object] = {"runOnly": ["color-contrast"], "resultTypes": ["violations"]}


@dataclass(frozen=True, slots=True)
class DeskSite:
    """The server, and a session for each role."""

    port: int
    sessions: dict[str, str]

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"


@dataclass(slots=True)
class Walk:
    """What a walk has seen: the routes it visited, and what was wrong where."""

    visited: set[str] = field(default_factory=set)
    wrong: list[str] = field(default_factory=list)


@pytest.fixture(scope="module")
def desks(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DeskSite]:
    """Serve a shop with something on every page."""
    with serving("tests.browser.desk_server", tmp_path_factory.mktemp("desks")) as line:
        yield DeskSite(**json.loads(line))


@pytest.mark.parametrize("role", ROLES)
def test_every_page_of_a_role_is_accessible_and_fits_a_phone(
    role: str, desks: DeskSite, browser: Browser
) -> None:
    context = browser.new_context(
        viewport={"width": NARROW, "height": HEIGHT}, color_scheme="light", service_workers="block"
    )
    context.add_cookies([{"name": "sessionid", "value": desks.sessions[role], "url": desks.address}])
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    walk = Walk()
    page.on("pageerror", lambda error: walk.wrong.append(f"{page.url}: {error}"))
    waiting = [
        f"/{route}{ASKED.get(route, '')}"
        for route, methods in ROUTES.items()
        if _is_start(route, methods, role)
    ]
    assert len(waiting) > 3
    while waiting:
        path = waiting.pop(0)
        route = _route_of(path)
        if route is None or route in walk.visited or not _serves(route, role):
            continue
        walk.visited.add(route)
        waiting += _visit(page, desks.address + path, walk, is_axed=_is_axed_as_another(route, role))
    context.close()
    assert walk.wrong == []
    assert walk.visited >= MUST_REACH[role]
    assert len(walk.visited) >= FEWEST_ROUTES[role]
    print(f"{role}: {len(walk.visited)} routes")


def test_a_chart_on_paper_is_light_though_the_screen_is_dark(desks: DeskSite, browser: Browser) -> None:
    context = browser.new_context(color_scheme="dark", service_workers="block")
    context.add_cookies([{"name": "sessionid", "value": desks.sessions["owner"], "url": desks.address}])
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    page.goto(f"{desks.address}/owner/margins/")
    on_screen = page.evaluate(CHARTS_SHOWN)
    page.emulate_media(media="print", color_scheme="dark")
    on_paper = page.evaluate(CHARTS_SHOWN)
    context.close()
    assert len(on_screen) == len(on_paper) == 1
    assert "theme=dark" in on_screen[0]
    assert "theme=dark" not in on_paper[0]


def _is_start(route: str, methods: dict[str, set[str]], role: str) -> bool:
    return "<" not in route and role in methods.get("GET", set()) and not route.startswith(ELSEWHERE)


def _serves(route: str, role: str) -> bool:
    return role in ROUTES.get(route, {}).get("GET", set()) and not route.startswith(ELSEWHERE)


def _is_axed_as_another(route: str, role: str) -> bool:
    """Whether axe is asked about a route in another role's walk, as it looks the same for every role.

    Only of what needs nothing filled in is it sure that the first role that it serves comes there.
    """
    return "<" not in route and role != next(each for each in ROLES if _serves(route, each))


def _route_of(path: str) -> str | None:
    """Return the route that an address belongs to; None when it is not of this site."""
    try:
        return resolve(urlsplit(path).path).route
    except Resolver404:
        return None


def _visit(page: Page, address: str, walk: Walk, *, is_axed: bool) -> list[str]:
    """Look at one page as a phone and, when axe has not yet, with axe; return the addresses it links to."""
    answer = page.request.get(address)
    if answer.status != 200:
        walk.wrong.append(f"{address}: status {answer.status}")
        return []
    if not answer.headers.get("content-type", "").startswith("text/html"):
        return []
    page.goto(address)
    width = page.evaluate("document.documentElement.scrollWidth")
    if width > NARROW:
        walk.wrong.append(f"{address}: {width} px wide at {NARROW}")
    if not is_axed:
        walk.wrong += _unreached(page)
        walk.wrong += _findings(page, "light", None)
        page.set_viewport_size({"width": WIDE, "height": HEIGHT})
        page.emulate_media(color_scheme="dark")
        walk.wrong += _findings(page, "dark", CONTRAST_ONLY)
        page.emulate_media(color_scheme="light")
        page.set_viewport_size({"width": NARROW, "height": HEIGHT})
    links: list[str] = page.eval_on_selector_all("a[href]", "found => found.map(each => each.href)")
    here = urlsplit(address).netloc
    paths = [urlsplit(link) for link in links if urlsplit(link).netloc == here]
    return [f"{link.path}?{link.query}" if link.query else link.path for link in paths]


def _unreached(page: Page) -> list[str]:
    """Return what the Tab key does not reach."""
    page.evaluate(WATCH_FOCUS)
    reached, standstill = 0, 0
    while standstill < STANDSTILL_PRESSES:
        page.keyboard.press("Tab")
        now = page.evaluate(REACHED)
        standstill = 0 if now > reached else standstill + 1
        reached = now
    return [f"{page.url}: the Tab key does not reach {_short(html)}" for html in page.evaluate(UNREACHED)]


def _findings(page: Page, scheme: str, options: dict[str, object] | None) -> list[str]:
    """Return the serious and critical findings of axe, each with the first element it is about."""
    results = Axe().run(page, options=options) if options else Axe().run(page)
    return [
        f"{page.url} ({scheme}): {found['id']}: {_short(found['nodes'][0]['html'])}"
        for found in results.response["violations"]
        if found["impact"] in GRAVE
    ]


def _short(html: str) -> str:
    return " ".join(html.split())[:200]
