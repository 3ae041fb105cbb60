"""A technician's phone: Chromium with a profile on disk that outlives its process."""

import contextlib
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil
from playwright.sync_api import BrowserContext, ConsoleMessage, Error, Page, expect

ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
)
WIDTH, HEIGHT = 390, 844
# How long anything may take before it counts as never: far beyond what a busy machine needs, and more than
# the phone's own pauses between four tries in a row.
PATIENCE_MS = 90_000
expect.set_options(timeout=PATIENCE_MS)
# Lets a test set the phone's clock wrong by so many milliseconds, from the next page on and at once.
SHIFTED_CLOCK = """
const right = Date.now.bind(Date);
Date.now = () => right() + Number(localStorage.getItem("test clock") ?? 0);
"""


# Whether the shop's facts for a person are kept on the phone.
HAS_NEWS = """person => new Promise((resolve) => {
  const request = indexedDB.open("slurrybook-phone");
  request.onsuccess = () => {
    const asked = request.result.transaction("facts").objectStore("facts").getKey(`bundle ${person}`);
    asked.onsuccess = () => (request.result.close(), resolve(asked.result !== undefined));
  };
})"""

# Resolves once all that was being written to the drafts is: transactions on one store follow one another.
DRAFTS_WRITTEN = """() => new Promise((resolve, reject) => {
  const request = indexedDB.open("slurrybook-phone");
  request.onsuccess = () => {
    const next = request.result.transaction("drafts", "readwrite", { durability: "strict" });
    next.oncomplete = () => (request.result.close(), resolve(true));
    next.onabort = () => reject(next.error);
  };
})"""


class Phone:
    """One phone and the person that holds it. Every tap goes through `tap`, which counts it."""

    def __init__(
        self, open_context: Callable[[], BrowserContext], address: str, profile: Path | None
    ) -> None:
        self.open_context = open_context
        self.address = address
        self.profile = profile
        self.taps = 0
        self.person = ""
        self.errors: list[str] = []
        self.context: BrowserContext
        self.page: Page
        self.switch_on()

    def switch_on(self) -> None:
        """Start the browser with what its profile holds."""
        self.context = self.open_context()
        self.context.add_init_script(SHIFTED_CLOCK)
        self._watch(self.context.pages[0] if self.context.pages else self.context.new_page())

    def _watch(self, page: Page) -> None:
        self.page = page
        page.set_default_timeout(PATIENCE_MS)
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("console", self._hear)

    def _hear(self, message: ConsoleMessage) -> None:
        if "Content Security Policy" in message.text:
            self.errors.append(message.text)

    def switch_off(self) -> None:
        """Close the browser, and fail when a script of ours failed in it."""
        with contextlib.suppress(Error):
            self.context.close()
        assert not self.errors, self.errors

    def wait_for_drafts(self) -> None:
        """Wait for the moment that the phone takes to write what was just entered."""
        self.page.evaluate(DRAFTS_WRITTEN)

    def kill_tab(self) -> None:
        """Kill the processes of all tabs, and open another tab."""
        killed = self.page
        self._kill("--type=renderer")
        self._watch(self.context.new_page())
        with contextlib.suppress(Error):
            killed.close()

    def die(self) -> None:
        """Kill the whole browser at once, as a flat battery would.

        What it had not written yet is gone: usually the newest cookies too, so nobody is signed in.
        """
        self._kill("")
        with contextlib.suppress(Error):
            self.context.close()

    def _kill(self, kind: str) -> None:
        """Kill the processes of this phone's profile that are of a kind; without one the browser itself."""
        assert self.profile is not None, "only a durable phone can be killed"
        for process in psutil.Process().children(recursive=True):
            with contextlib.suppress(psutil.Error):
                words = process.cmdline()
                types = [word for word in words if word.startswith("--type=")] or [""]
                if kind in types and any(str(self.profile) in word for word in words):
                    process.send_signal(signal.SIGKILL)
                    process.wait(60)

    def sign_in(self, name: str) -> None:
        """Sign a person in, without the password."""
        self.person = name
        self.page.goto(f"{self.address}/test/sign-in/{name}/")

    def open(self) -> None:
        """Open the technician's page and wait until it can do without signal."""
        self.page.goto(f"{self.address}/phone/")
        self.page.evaluate("() => navigator.serviceWorker.ready.then(() => true)")
        self.page.wait_for_function("() => navigator.serviceWorker.controller !== null")
        self.page.wait_for_function(HAS_NEWS, arg=self.person)

    def lose_signal(self) -> None:
        """Go where there is no signal."""
        self.context.set_offline(True)

    def find_signal(self) -> None:
        """Come back to where there is."""
        self.context.set_offline(False)

    def tap(self, role: Any, name: str, **more: Any) -> None:
        """Tap what has this role and name."""
        self.taps += 1
        self.page.get_by_role(role, name=name, **more).first.tap()

    def choose(self, outcome: str) -> None:
        """Tap an outcome."""
        self.taps += 1
        self.page.locator(".choice", has_text=outcome).first.tap()

    def close_job(self, job: str, outcome: str = "Removed") -> None:
        """Close a booked job as it is filled in."""
        self.go("jobs")
        self.tap("link", f"Close {job}", exact=True)
        self.choose(outcome)
        self.tap("button", "Close the job")
        expect(self.page.get_by_role("heading", name="Sent", level=1)).to_be_visible()

    def wait_until(self, holds: Callable[[], bool]) -> None:
        """Wait until something holds outside of the page."""
        for _ in range(PATIENCE_MS // 50):
            if holds():
                return
            self.page.wait_for_timeout(50)
        raise AssertionError(f"never held in {PATIENCE_MS} ms")

    def expect_state(self, job: str, state: str) -> None:
        """Wait until an entry of the queue says so."""
        entry = self.page.locator("li.entry", has_text=job)
        expect(entry.locator(".tag")).to_have_text(state)

    def set_clock_wrong_by(self, hours: float) -> None:
        """Put the phone's clock ahead of the shop's, or behind it with a negative number."""
        self.page.evaluate("ms => localStorage.setItem('test clock', ms)", hours * 3_600_000)

    def go(self, view: str) -> None:
        """Go to a view by its address."""
        self.page.goto(f"{self.address}/phone/#{view}")
