"""Sends forms and queries untouched, filled in and oddly, each in a transaction of its own that is undone."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote, urlsplit
from zlib import crc32

from django.test import Client

from inventory.models import Books
from tests.robots.html_forms import Field, PageForms, Sending
from tests.robots.odd_values import ALONE, ODD_TEXTS, Odd, odd
from tests.robots.site_walk import Page, Walk, failure
from tests.robots.stored_rows import Stored, Written, disagreements, is_refusal
from tests.thoroughness import examples

FORM = "application/x-www-form-urlencoded"
# The books are compared with their sources for so many of a form's sendings that changed them.
MOST_CHECKS = 2
# Each field sees some of the odd values, others on another form; with HYPOTHESIS_PROFILE=thorough, all.
ROUNDS = examples(3, len(ODD_TEXTS))
EXHAUSTIVE = len(ODD_TEXTS) == ROUNDS


@dataclass(slots=True)
class Robot:
    """One person's browser, what was sent with it and what was wrong."""

    client: Client
    stored: Stored
    walk: Walk
    wrong: dict[str, str] = field(default_factory=dict)
    sent: int = 0
    checked: dict[str, int] = field(default_factory=dict)

    def send_every_form(self, known: set[tuple[Any, ...]]) -> None:
        """Send each form of the walk, and those that the answers show, in all ways; add them to `known`.

        What is known, as another role has sent it in all ways, is sent untouched and filled in only.
        """
        done: set[tuple[Any, ...]] = set()
        while waiting := [key for key in self.walk.sendings if key not in done]:
            for key in waiting:
                done.add(key)
                route, sending, suggested = self.walk.sendings[key]
                self._send_form(route, sending, suggested, is_known=key in known)
                known.add(key)

    def _send_form(
        self, route: str, sending: Sending, suggested: dict[str, list[str]], *, is_known: bool
    ) -> None:
        label = f"{sending.method} {route} {dict(sending.added) or ''}"
        filled = sending.filled(suggested)
        self._send(label, "untouched", sending, sending.untouched())
        self._send(label, "filled in", sending, filled)
        names = list(sending.form.fields)
        if is_known or not names:
            return
        self._send(label, "nothing at all", sending, {})
        for number in _rounds(label):
            values, zone = mixed(names, number)
            self._send(label, f"all odd, round {number}", sending, {**filled, **values}, zone)
        for each in _of_each_kind(sending.form.fields.values()):
            for value in _alone(each.kind):
                one = {**filled, each.name: value.text}
                self._send(label, f"{each.name} {value.name}", sending, one, value.zone)

    def ask_every_page(self, known: set[tuple[str, str]]) -> None:
        """Ask each page of the walk with all that it reads from its query odd, and each by itself once."""
        for page in self.walk.pages.values():
            names = sorted(name for name in page.names if (page.route, name) not in known)
            start = dict(part.partition("=")[::2] for part in urlsplit(page.path).query.split("&") if part)
            if not names:
                continue
            for number in _rounds(page.route):
                values, zone = mixed(names, number)
                self._ask(page, {**start, **values}, f"all odd, round {number}", zone)
            for name in names:
                known.add((page.route, name))
                for value in _alone("date" if EXHAUSTIVE else "query"):
                    self._ask(page, {**start, name: value.text}, f"{name} {value.name}", value.zone)

    def _ask(self, page: Page, query: dict[str, str], what: str, zone: str | None) -> None:
        path = f"{urlsplit(page.path).path}?{encoded(query)}"
        self._request(f"GET {page.route}", what, "GET", path, None, zone)

    def _send(
        self, label: str, what: str, sending: Sending, values: dict[str, str], zone: str | None = None
    ) -> None:
        if sending.method == "GET":
            path = f"{urlsplit(sending.action).path}?{encoded(values)}"
            self._request(label, what, "GET", path, None, zone)
        else:
            self._request(label, what, "POST", sending.action, encoded(values), zone)

    def _request(  # noqa: PLR0917 - one request and what to call it
        self, label: str, what: str, method: str, path: str, body: str | None, zone: str | None
    ) -> None:
        self.sent += 1
        cookies = self.client.cookies.output()
        with self.stored.undone() as written:
            if zone is not None:
                Books.objects.update(time_zone=zone)
                written.tables.clear()
            answer: Any = self.client.generic(method, path, body or "", FORM)
            self._judge(f"{label}: {what}", label, answer, written)
        for table, after in written.after.items():
            if after != self.stored.before(table):
                self.wrong.setdefault(f"{label}: refused, but {table} changed", f"{label}: {what}")
        if self.client.cookies.output() != cookies:
            self.client.cookies.load(cookies.replace("Set-Cookie: ", ""))

    def _judge(self, name: str, label: str, answer: Any, written: Written) -> None:
        if answer.status_code >= 500:
            if f"{label}: {failure(answer)}" not in self.wrong:
                print("FOUND", f"{label}: {failure(answer)}", name, flush=True)
            self.wrong.setdefault(f"{label}: {failure(answer)}", name)
            return
        is_page = answer.headers.get("Content-Type", "").startswith("text/html") and not answer.streaming
        if is_page and answer.wsgi_request.method == "POST":
            self.walk.note(PageForms(answer.content.decode(), answer.wsgi_request.get_full_path()))
        # A new token is shown once, by the answer that made it.
        if is_refusal(answer) and not (answer.status_code == 200 and "people/me/tokens/" in label):
            written.keep()
        elif written.is_of_books and self.checked.get(label, 0) < MOST_CHECKS:
            self.checked[label] = self.checked.get(label, 0) + 1
            if found := disagreements():
                self.wrong[f"{name}: the books disagree: {found[0]}"] = name


def _of_each_kind(fields: Iterable[Field]) -> list[Field]:
    """Return one of the fields whose names differ by numbers only: the lines of a set are alike."""
    return list({each.pattern: each for each in reversed(list(fields))}.values())


def _alone(kind: str) -> Iterable[Odd]:
    return ODD_TEXTS if EXHAUSTIVE else [odd(name) for name in ALONE.get(kind, ALONE["text"])]


def _rounds(label: str) -> list[int]:
    """Return which rounds of mixed values to send: all when thorough, else some, others for each label."""
    first = crc32(label.encode())
    most = len(ODD_TEXTS)
    return sorted({(first + step * most // ROUNDS) % most for step in range(ROUNDS)})


def mixed(names: list[str], number: int) -> tuple[dict[str, str], str | None]:
    """Return an odd value for each name, another for each: over all rounds each name gets each value.

    With them comes the zone of the first that wants one.
    """
    values = {name: ODD_TEXTS[(number + place) % len(ODD_TEXTS)] for place, name in enumerate(names)}
    zone = next((value.zone for value in values.values() if value.zone is not None), None)
    return {name: value.text for name, value in values.items()}, zone


def encoded(values: dict[str, str]) -> str:
    """Return names and values as a query; half a character goes as the bytes that it would have."""
    return "&".join(f"{_quoted(name)}={_quoted(value)}" for name, value in values.items())


def _quoted(text: str) -> str:
    return quote(text.encode("utf-8", "surrogatepass"), safe="")
