"""Reading the pages of the desks as a person of some role: their text and their tables."""

import re
from html.parser import HTMLParser
from typing import Any

from django.test import Client

from shop.models import Person, Role


class Desk(HTMLParser):
    """A page's text, and its tables as rows by column label, the caption beside them."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.captions: list[str] = []
        self.tables: list[list[dict[str, str]]] = []
        self.hrefs: list[str] = []
        self._labels: list[str] = []
        self._row: list[str] = []
        self._parts: list[str] | None = None
        self._all: list[str] = []
        self.feed(html)
        self.text = " ".join("".join(self._all).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "a":
            self.hrefs.append(given.get("href") or "")
        if tag == "table":
            self.tables.append([])
            self._labels = []
        if tag == "tr":
            self._row = []
        if tag in ("th", "td", "caption"):
            self._parts = []
        if tag == "th" and given.get("scope") == "col":
            self._labels.append("")

    def handle_endtag(self, tag: str) -> None:
        if tag not in ("th", "td", "caption") or self._parts is None:
            if tag == "tr" and self._row and self._labels and "" not in self._labels:
                self.tables[-1].append(dict(zip(self._labels, self._row, strict=True)))
            return
        text, self._parts = " ".join("".join(self._parts).split()), None
        if tag == "caption":
            self.captions.append(text)
        elif "" in self._labels:
            self._labels[self._labels.index("")] = text
        else:
            self._row.append(text)

    def handle_data(self, data: str) -> None:
        self._all.append(data + " ")
        if self._parts is not None:
            self._parts.append(data)

    def row(self, start: str, table: int = 0) -> dict[str, str]:
        """Return the row whose name starts with a text."""
        found = [row for row in self.tables[table] if next(iter(row.values())).startswith(start)]
        assert len(found) == 1, (start, self.tables[table])
        return found[0]

    def href(self, part: str) -> str:
        """Return the one address on the page with a part in it."""
        found = {href for href in self.hrefs if re.search(part, href)}
        assert len(found) == 1, (part, self.hrefs)
        return found.pop()


def person(role: Role) -> Person:
    """Return the person of a role, made when there is none."""
    return Person.objects.get_or_create(username=f"the-{role}", defaults={"role": role})[0]


def client(role: Role = Role.OWNER) -> Client:
    """Return a browser in which the person of a role has signed in."""
    browser = Client()
    browser.force_login(person(role))
    return browser


def desk(path: str, role: Role = Role.OWNER) -> Desk:
    """Return a page that answers well."""
    answer = client(role).get(path)
    assert answer.status_code == 200, answer.content[:500]
    return Desk(answer.content.decode())


def send(path: str, role: Role = Role.OWNER, /, **fields: Any) -> Any:
    """Send a form and follow where it leads."""
    return client(role).post(path, fields, follow=True)


def said(answer: Any) -> str:
    """Return the text of an answer."""
    return Desk(answer.content.decode()).text
