"""A running shop, a network that can break, and phones with a real Chromium."""

import json
import os
import shutil
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Playwright, sync_playwright

from tests.browser.flaky_proxy import FlakyProxy, flaky_proxy
from tests.browser.phone import ARGUMENTS, HEIGHT, WIDTH, Phone
from tests.browser.serving import serving


class Site:
    """The shop's server, and its back door for tests."""

    def __init__(self, port: int) -> None:
        self.port = port

    def ask(self, path: str, method: str = "GET") -> dict[str, Any]:
        """Ask one of the routes of tests.browser.shop_urls."""
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}/test/{path}", method=method)
        with urllib.request.urlopen(request, timeout=60) as answer:  # noqa: S310
            found: dict[str, Any] = json.load(answer)
        return found

    def technician(self, name: str, jobs: int = 1) -> list[str]:
        """Add a technician with a van of their own, and return the booked jobs."""
        found: list[str] = self.ask(f"technician/{name}/?jobs={jobs}", "POST")["jobs"]
        return found

    def books(self, name: str) -> dict[str, Any]:
        """Return what the books say of a technician's van."""
        return self.ask(f"books/van-{name}/")


@pytest.fixture(scope="package")
def chromium() -> str:
    """Return the path of the machine's Chromium.

    Without it these tests are skipped, except in CI, where that is an error.
    """
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        missing = "no chromium on the PATH; on Debian: apt-get install chromium"
        if os.environ.get("CI"):
            pytest.fail(missing)
        pytest.skip(missing)
    return path


@pytest.fixture(scope="package")
def browsers() -> Iterator[Playwright]:
    """Run Playwright while these tests run, and no longer: its loop would make Django refuse queries."""
    with sync_playwright() as playwright:
        yield playwright


@pytest.fixture(scope="package")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Run the shop's server on a database of its own."""
    with serving("tests.browser.server", tmp_path_factory.mktemp("site")) as port:
        yield Site(int(port))


@pytest.fixture
def network(site: Site) -> Iterator[FlakyProxy]:
    """Stand between the phones of one test and the shop."""
    with flaky_proxy(site.port) as proxy:
        yield proxy


@pytest.fixture(scope="package")
def browser(browsers: Playwright, chromium: str) -> Iterator[Browser]:
    """Run one Chromium for all phones that nobody kills."""
    opened = browsers.chromium.launch(executable_path=chromium, args=list(ARGUMENTS))
    yield opened
    opened.close()


@pytest.fixture
def new_phone(
    browsers: Playwright, browser: Browser, chromium: str, network: FlakyProxy, tmp_path: Path
) -> Iterator[Callable[..., Phone]]:
    """Return a way to get a phone; all are switched off in the end.

    A durable one keeps its profile on disk and runs in processes of its own, so that it can be killed, and
    may be started with more `arguments` of Chromium.
    """
    phones: list[Phone] = []

    def make(*, durable: bool = False, arguments: Sequence[str] = (), **options: Any) -> Phone:
        options = {"viewport": {"width": WIDTH, "height": HEIGHT}, "has_touch": True, **options}
        profile = tmp_path / f"phone-{len(phones)}" if durable else None

        def open_context() -> BrowserContext:
            if profile is None:
                return browser.new_context(**options)
            return browsers.chromium.launch_persistent_context(
                str(profile), executable_path=chromium, args=[*ARGUMENTS, *arguments], **options
            )

        phones.append(Phone(open_context, network.address, profile))
        return phones[-1]

    yield make
    for phone in phones:
        phone.switch_off()


@pytest.fixture
def phone(new_phone: Callable[..., Phone]) -> Phone:
    """Return one phone."""
    return new_phone()


@pytest.fixture
def durable_phone(new_phone: Callable[..., Phone]) -> Phone:
    """Return one phone that can be killed."""
    return new_phone(durable=True)
