"""A walk over every page that a role reaches from its first one, and what there is to send there."""

import traceback
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.core.handlers import wsgi
from django.http import QueryDict
from django.test import Client
from django.urls import Resolver404, resolve

from tests.robots.html_forms import PageForms, Sending, parameters

# The API has a robot of its own.
ELSEWHERE = ("api/",)
# Pages of one route are visited until so many in a row show no form that none before had; those of one thing,
# such as a purchase, more, as what can be done there depends on how far it is.
MOST_WITHOUT_NEWS, MOST_OF_THINGS_WITHOUT_NEWS = 2, 5


@dataclass(slots=True)
class Page:
    """A page as it was met: its address, and the names that it reads from a query."""

    route: str
    path: str
    names: set[str] = field(default_factory=set)


@dataclass(slots=True)
class Walk:
    """What a walk met: a page of each route, each form once with the route it goes to, and what was wrong."""

    pages: dict[str, Page] = field(default_factory=dict)
    sendings: dict[tuple[Any, ...], tuple[str, Sending, dict[str, list[str]]]] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    def note(self, page: PageForms) -> bool:
        """Keep the forms of a page that were not met before; return whether there was one."""
        before = len(self.sendings)
        for form in page.forms:
            for sending in form.sends():
                if (route := route_of(sending.action)) is not None:
                    self.sendings.setdefault((route, *sending.key), (route, sending, page.lists))
        return len(self.sendings) > before

    @property
    def routes(self) -> set[str]:
        """The routes of pages that were seen, and of those that forms go to."""
        return {*self.pages, *(route for route, _, _ in self.sendings.values())}


def route_of(path: str) -> str | None:
    """Return the route of an address; None when it is not a page of this site."""
    try:
        found: str = resolve(urlsplit(path).path).route
    except Resolver404:
        return None
    return None if found.startswith(ELSEWHERE) else found


@contextmanager
def names_read() -> Iterator[set[str]]:
    """Note which names of a query the code asks for while the block runs."""
    noted: set[str] = set()

    class NotedQuery(QueryDict):
        def __getitem__(self, name: Any) -> Any:
            noted.add(name)
            return super().__getitem__(name)

        def getlist(self, key: Any, default: Any = None) -> Any:
            noted.add(key)
            return super().getlist(key, default)

        def __contains__(self, name: object) -> bool:
            noted.add(str(name))
            return super().__contains__(name)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(wsgi, "QueryDict", NotedQuery)
        yield noted


def walk_from(  # noqa: C901 - one loop
    client: Client, *starts: str, within: str = "", without: str = "nothing"
) -> Walk:
    """Visit some pages of each route that links lead to from the starts, and note their forms."""
    walk = Walk()
    waiting, known, dull = deque(starts), set(starts), dict[str, int]()
    while waiting:
        path = waiting.popleft()
        route = route_of(path)
        if route is None or not route.startswith(within) or route.startswith(without):
            continue
        is_thing = route.endswith("<int:pk>/")
        if dull.get(route, 0) >= (MOST_OF_THINGS_WITHOUT_NEWS if is_thing else MOST_WITHOUT_NEWS):
            continue
        dull[route] = dull.get(route, 0) + 1
        with names_read() as noted:
            answer = client.get(path)
        if answer.status_code >= 500:
            walk.wrong.append(f"GET {path}: {answer.status_code} {failure(answer)}")
        if answer.status_code in (301, 302):
            waiting.append(answer["Location"])
        if answer.status_code >= 300:
            continue
        met = walk.pages.setdefault(route, Page(route, path))
        met.names |= {name for name in noted if isinstance(name, str)} | parameters(path)
        if not answer.headers.get("Content-Type", "").startswith("text/html") or answer.streaming:
            continue
        page = PageForms(answer.content.decode(), path)
        if walk.note(page):
            dull[route] = 0
        for link in page.links:
            key = _key(link, known)
            if key not in known:
                known.add(key)
                waiting.append(link)
    return walk


def _key(link: str, known: set[str]) -> str:
    """Return what makes two links lead to the same: the same page asked the same names is asked once."""
    path, has_query, _ = link.partition("?")
    return f"{route_of(link)}?{sorted(parameters(link))}" if has_query and path in known else link


def failure(answer: Any) -> str:
    """Return what was raised, and the last place of ours that it came through."""
    info = getattr(answer, "exc_info", None)
    if not info:
        return ""
    ours = [f for f in traceback.extract_tb(info[2]) if "site-packages" not in f.filename]
    last = ours[-1] if ours else traceback.extract_tb(info[2])[-1]
    return f"{info[0].__name__}: {str(info[1])[:200]} at {last.filename.rpartition('/')[2]}:{last.lineno}"
