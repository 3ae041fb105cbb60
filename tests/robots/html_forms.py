"""The forms of a page as a browser sees them: where they go, fields with their values, and buttons."""

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import urljoin, urlsplit

CHOSEN = {"checkbox", "radio"}
Pairs = list[tuple[str, str]]


@dataclass(slots=True)
class Field:
    """A field with what a browser sends for it untouched; options are those of a list or radio group."""

    name: str
    kind: str
    value: str | None
    options: list[str] = field(default_factory=list)
    is_required: bool = False
    suggestions: str = ""

    @property
    def pattern(self) -> str:
        """The name with its numbers left out: the fields of all lines of a set are of one kind."""
        return re.sub(r"\d+", "N", self.name)


@dataclass(slots=True)
class Button:
    """A button that sends, with what it adds and where it sends instead."""

    name: str
    value: str
    action: str | None
    method: str | None


@dataclass(slots=True)
class Form:
    """A form: its method in capitals, the address it sends to, its fields by name, its buttons."""

    method: str
    action: str
    fields: dict[str, Field] = field(default_factory=dict)
    buttons: list[Button] = field(default_factory=list)

    def sends(self) -> list["Sending"]:
        """Return the ways to send it: by each of its buttons that differ, or by none."""
        found = {
            (button.name, button.value, button.action or self.action, button.method or self.method): None
            for button in self.buttons
        } or {("", "", self.action, self.method): None}
        return [
            Sending(self, method, action, [(name, value)] if name else [])
            for name, value, action, method in found
        ]


@dataclass(slots=True)
class Sending:
    """One way to send a form."""

    form: Form
    method: str
    action: str
    added: Pairs

    @property
    def key(self) -> tuple[Any, ...]:
        """What makes two sendings the same for a robot, except for their route."""
        names = tuple(sorted({(each.pattern, each.kind) for each in self.form.fields.values()}))
        return (self.method, names, tuple(self.added), tuple(sorted(parameters(self.action))))

    def untouched(self) -> dict[str, str]:
        """Return what a browser sends when nobody touched the form."""
        found = {each.name: each.value for each in self.form.fields.values() if each.value is not None}
        return {**found, **dict(self.added)}

    def filled(self, suggested: dict[str, list[str]]) -> dict[str, str]:
        """Return the form with something sensible in each field that stands empty."""
        sent = self.untouched()
        for each in self.form.fields.values():
            if not sent.get(each.name) and (value := _sensible(each, suggested)):
                sent[each.name] = value
        return sent


def _sensible(each: Field, suggested: dict[str, list[str]]) -> str:
    if each.kind in CHOSEN or each.options:
        return next((option for option in each.options if option), "")
    if found := suggested.get(each.suggestions):
        return found[0]
    return {
        "number": "1",
        "date": "2026-11-02",
        "datetime-local": "2026-11-02T09:00",
        "email": "someone@example.org",
        "password": "a-Long-enough-1-to-keep",
        "hidden": "",
    }.get(each.kind, "2")


class PageForms(HTMLParser):
    """Reads a page: `forms`, `links` within the site, and the values of each datalist."""

    def __init__(self, html: str, address: str) -> None:
        super().__init__(convert_charrefs=True)
        self.forms: list[Form] = []
        self.links: list[str] = []
        self.lists: dict[str, list[str]] = {}
        self._address = address
        self._ids: dict[str, Form] = {}
        self._form: Form | None = None
        self._select: tuple[Form, Field] | None = None
        self._text: tuple[Form, Field] | None = None
        self._list: list[str] | None = None
        self._later: list[tuple[str, dict[str, str]]] = []
        self.feed(html)
        for of, given in self._later:
            if of in self._ids:
                self._field(self._ids[of], given)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            action = self._absolute(given.get("action") or self._address)
            self._form = Form(given.get("method", "get").upper(), action)
            self.forms.append(self._form)
            if "id" in given:
                self._ids[given["id"]] = self._form
        elif tag in ("input", "button", "select", "textarea"):
            self._control(tag, given)
        elif tag == "option":
            self._option(given)
        elif tag == "datalist":
            self._list = self.lists.setdefault(given.get("id", ""), [])
        elif tag in ("a", "img", "source"):
            to = given.get("href") or given.get("src") or ""
            if to and not urlsplit(to).netloc and not urlsplit(to).scheme:
                self.links.append(self._absolute(to))

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        elif tag == "select":
            self._select = None
        elif tag == "textarea":
            self._text = None
        elif tag == "datalist":
            self._list = None

    def handle_data(self, data: str) -> None:
        if self._text is not None:
            self._text[1].value = (self._text[1].value or "") + data

    def _absolute(self, address: str) -> str:
        found = urlsplit(urljoin(self._address, address))
        return f"{found.path}?{found.query}" if found.query else found.path

    def _control(self, tag: str, given: dict[str, str]) -> None:
        given = {**given, "tag": tag}
        of = given.get("form")
        if of and of not in self._ids:
            self._later.append((of, given))
            return
        form = self._ids[of] if of else self._form
        if form is not None and "disabled" not in given:
            self._field(form, given)

    def _field(self, form: Form, given: dict[str, str]) -> None:
        tag, name = given["tag"], given.get("name", "")
        kind = given.get("type", "submit" if tag == "button" else "text") if tag != "select" else "select"
        if tag == "button" or kind in ("submit", "image"):
            if kind not in {"button", "reset"}:
                action = given.get("formaction")
                form.buttons.append(
                    Button(
                        name,
                        given.get("value", ""),
                        self._absolute(action) if action else None,
                        given["formmethod"].upper() if given.get("formmethod") else None,
                    )
                )
            return
        if not name or name == "csrfmiddlewaretoken" or kind in ("button", "reset"):
            return
        found = form.fields.get(name)
        if kind in CHOSEN:
            value = given.get("value", "on")
            if found is None:
                found = form.fields[name] = Field(name, kind, None)
            found.options.append(value)
            if "checked" in given:
                found.value = value
            return
        made = Field(name, kind, given.get("value", ""), is_required="required" in given)
        made.suggestions = given.get("list", "")
        form.fields[name] = made
        if tag == "select":
            made.value = None
            self._select = (form, made)
        if tag == "textarea":
            made.kind, made.value = "textarea", ""
            self._text = (form, made)

    def _option(self, given: dict[str, str]) -> None:
        value = given.get("value", "")
        if self._select is not None:
            chosen = self._select[1]
            chosen.options.append(value)
            if chosen.value is None or "selected" in given:
                chosen.value = value
        elif self._list is not None:
            self._list.append(value)


def parameters(address: str) -> set[str]:
    """Return the names in an address's query."""
    return {part.partition("=")[0] for part in urlsplit(address).query.split("&") if part}
