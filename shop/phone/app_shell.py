"""The page of the phone and the files it is made of, and the version that names them all.

The version is a digest of their content and part of their addresses: a browser may keep a file for good,
page and files never come from two versions, and a phone fetches everything again exactly when something has
changed.
"""

import gzip
import hashlib
import mimetypes
import re
from functools import cache
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.template.loader import render_to_string
from django.urls import reverse

from shop.phone.script_bundle import joined

MODULES = (
    "app",
    "clock",
    "closed",
    "count",
    "done",
    "draft",
    "elements",
    "form",
    "give",
    "jobs",
    "lines",
    "more",
    "outbox",
    "photos",
    "questions",
    "scan",
    "sent",
    "server",
    "settings",
    "stock",
    "store",
    "timer",
)
SCRIPT = "app.js"
# By their names in the addresses. What no file is named for is the script, joined from the modules.
FILES = {
    "icon.svg": "shop/icon.svg",
    "icon-192.png": "shop/phone/icon-192.png",
    "icon-512.png": "shop/phone/icon-512.png",
    "style.css": "shop/style.css",
    "phone.css": "shop/phone/phone.css",
    SCRIPT: "",
}
# Only a home screen asks for them.
NOT_KEPT = ("icon-192.png", "icon-512.png")
# What a file has for its readers only: comments, and indentation. No text of ours spans lines.
FOR_READERS = {
    ".js": re.compile(rb"^ *//.*\n|^ +", re.MULTILINE),
    ".css": re.compile(rb"/\*[^*]*\*/\n?|^ +", re.MULTILINE),
}
TEMPLATES = ("shop/phone/app.html", "shop/phone/manifest.json", "shop/phone/worker.js")


@cache
def _read() -> tuple[str, dict[str, bytes]]:
    contents = {name: _sent(path) if path else _script() for name, path in FILES.items()}
    digest = hashlib.sha256()
    for template in TEMPLATES:
        digest.update(render_to_string(template, {"version": "none"}).encode())
    for content in contents.values():
        digest.update(content)
    return digest.hexdigest()[:16], contents


def _script() -> bytes:
    modules = {module: _sent(f"shop/phone/{module}.js").decode() for module in MODULES}
    return joined(modules).encode()


def _sent(name: str) -> bytes:
    path = Path(str(finders.find(name)))
    content = path.read_bytes()
    unsent = FOR_READERS.get(path.suffix)
    return unsent.sub(b"", content) if unsent else content


def version() -> str:
    """Return the digest of the page, its worker and its files; a developer's server reads them again."""
    if settings.DEBUG:
        _read.cache_clear()
    return _read()[0]


def file_of(asked_version: str, name: str) -> tuple[bytes, str] | None:
    """Return a file of this version and its media type; None for any other."""
    current, contents = _read()
    if asked_version != current or name not in contents:
        return None
    return contents[name], mimetypes.guess_type(name)[0] or "application/octet-stream"


@cache
def packed(content: bytes) -> bytes:
    """Return a file's content as gzip (RFC 1952), as small as it gets: packed once, sent often."""
    return gzip.compress(content, 9, mtime=0)


def kept_addresses() -> list[str]:
    """Return the addresses that a phone keeps: the page itself, its manifest and its files."""
    names = [name for name in FILES if name not in NOT_KEPT]
    files = [reverse("phone:file", args=(version(), name)) for name in names]
    return [reverse("phone:app"), reverse("phone:manifest"), *files]
