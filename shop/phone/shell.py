"""The page of the phone and the files it is made of, and the version that names them all.

The version is a digest of their content: a browser that keeps the page for work without signal fetches
everything anew exactly when something has changed.
"""

import hashlib
from functools import cache
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.template.loader import render_to_string
from django.templatetags.static import static
from django.urls import reverse

FILES = (
    "shop/icon.svg",
    "shop/style.css",
    "shop/phone/phone.css",
    "shop/phone/icon-192.png",
    "shop/phone/app.js",
    "shop/phone/clock.js",
    "shop/phone/count.js",
    "shop/phone/draft.js",
    "shop/phone/elements.js",
    "shop/phone/form.js",
    "shop/phone/jobs.js",
    "shop/phone/lines.js",
    "shop/phone/outbox.js",
    "shop/phone/photos.js",
    "shop/phone/scan.js",
    "shop/phone/sent.js",
    "shop/phone/server.js",
    "shop/phone/stock.js",
    "shop/phone/store.js",
    "shop/phone/timer.js",
)


@cache
def _kept_version() -> str:
    digest = hashlib.sha256()
    parts = ("shop/phone/app.html", "shop/phone/worker.js")
    for text in (render_to_string(name, {"version": ""}) for name in parts):
        digest.update(text.encode())
    for name in FILES:
        path = finders.find(name)
        digest.update(Path(str(path)).read_bytes())
    return digest.hexdigest()[:16]


def version() -> str:
    """Return the digest of the page, its worker and its files; a developer's server looks anew each time."""
    if settings.DEBUG:
        _kept_version.cache_clear()
    return _kept_version()


def kept_addresses() -> list[str]:
    """Return the addresses that a phone keeps: the page itself, its manifest and its files."""
    return [reverse("phone:app"), reverse("phone:manifest"), *(static(name) for name in FILES)]
