"""The phone for everybody: axe, the keyboard alone, a narrow screen, both themes."""

from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.browser.conftest import Site
from tests.browser.phone import Phone

VIEWS = ("jobs", "sent", "stock", "count")
NARROW = {"width": 360, "height": 740}


def serious(page: Page) -> list[str]:
    """Return what axe finds serious or critical on a page."""
    found: dict[str, Any] = Axe().run(page).response
    return [
        f"{violation['id']}: {node['html'][:200]}"
        for violation in found["violations"]
        if violation["impact"] in ("serious", "critical")
        for node in violation["nodes"]
    ]


def is_wider_than_the_screen(page: Page) -> bool:
    """Return whether a page scrolls sideways."""
    wider: bool = page.evaluate("document.documentElement.scrollWidth > innerWidth")
    return wider


# Fingers in wet gloves need more than the 44 px of WCAG 2.2, 2.5.5. Our choice, no source.
LEAST_TARGET_PX = 48
SMALL_TARGETS = """least => {
  const tapped = "a, button, select, input, textarea, summary, label.choice, label.check";
  const stands = ":not(.skip, .unseen, [type=radio], [type=checkbox])";
  return [...document.querySelectorAll(`:is(${tapped})${stands}`)]
    .filter((element) => element.checkVisibility())
    .map((element) => [element.ariaLabel || element.textContent, element.getBoundingClientRect()])
    .filter(([, { width, height }]) => Math.min(width, height) < least - 0.5)
    .map(([name, { width, height }]) => `${name.trim()}: ${width} x ${height}`);
}"""


def expect_fit_for_everybody(page: Page, where: str) -> None:
    """Check what a page must hold for every person and phone."""
    assert serious(page) == [], where
    assert not is_wider_than_the_screen(page), where
    assert page.evaluate(SMALL_TARGETS, LEAST_TARGET_PX) == [], where


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_serious_and_nothing_is_wider_than_a_narrow_screen(
    site: Site, new_phone: Callable[..., Phone], theme: str
) -> None:
    phone = new_phone(viewport=NARROW, color_scheme=theme)
    name = f"dora-{theme}"
    jobs = site.technician(name, jobs=3)
    phone.sign_in(name)
    phone.open()
    phone.close_job(jobs[0])
    phone.expect_state(jobs[0], "Received")
    phone.lose_signal()
    phone.close_job(jobs[1])
    for view in VIEWS:
        phone.go(view)
        expect(phone.page.get_by_role("heading", level=1, name=view.title())).to_be_visible()
        expect_fit_for_everybody(phone.page, view)
    phone.go("jobs")
    phone.tap("link", f"Close {jobs[2]}", exact=True)
    phone.page.get_by_text("Something was spoilt").tap()
    phone.page.get_by_label("What was spoilt").select_option("D-P400")
    phone.page.get_by_text("Kind of job").tap()
    phone.page.get_by_text("More: damage, price").tap()
    phone.page.get_by_text("In the driver's primary viewing area of a windscreen").tap()
    phone.tap("button", "Time Disc P800, 125 mm")
    phone.tap("button", "Close the job")
    expect(phone.page.get_by_role("alert")).to_be_visible()
    expect_fit_for_everybody(phone.page, "close")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_what_comes_after_a_close_is_fit_for_everybody_too(
    site: Site, new_phone: Callable[..., Phone], theme: str
) -> None:
    phone = new_phone(viewport=NARROW, color_scheme=theme)
    name = f"doro-{theme}"
    (job,) = site.technician(name, jobs=1)
    phone.sign_in(name)
    phone.open()
    phone.tap("link", f"Close {job}", exact=True)
    phone.page.get_by_label("Used Disc P400, 125 mm").fill("0")
    phone.choose("Removed")
    phone.tap("button", "Close the job")
    phone.expect_state(job, "Received")
    expect(phone.page.get_by_role("link", name="1 question")).to_be_visible()
    expect_fit_for_everybody(phone.page, "sent")
    phone.go("jobs")
    phone.page.get_by_text("Closed recently: 1").tap()
    expect_fit_for_everybody(phone.page, "jobs")
    phone.tap("link", "1 question")
    phone.page.get_by_text("No, or add a note").tap()
    phone.tap("button", "Correct the amount")
    expect_fit_for_everybody(phone.page, "questions")
    phone.tap("link", "See the close")
    phone.page.get_by_text("Closed by mistake").tap()
    expect_fit_for_everybody(phone.page, "done")
    phone.tap("button", "Take back: not this job")
    expect_fit_for_everybody(phone.page, "the dialog")
    phone.tap("button", "Keep it")
    phone.tap("link", "Add what was forgotten")
    phone.tap("button", "Scan a label")
    phone.tap("button", "Add to the job")
    expect_fit_for_everybody(phone.page, "more")
    phone.go("give")
    phone.page.get_by_label("Something else").select_option("D-P400")
    phone.tap("button", "Add", exact=True)
    phone.page.get_by_role("textbox", name="Disc P400, 125 mm").fill("99")
    phone.tap("button", "Hand it over")
    expect_fit_for_everybody(phone.page, "give")


def test_the_keyboard_alone_closes_a_job(site: Site, phone: Phone) -> None:
    (job,) = site.technician("emil", jobs=1)
    phone.sign_in("emil")
    phone.open()
    expect(phone.page.get_by_role("link", name=f"Close {job}")).to_be_visible()
    keyboard = phone.page.keyboard

    def reach(name: str, key: str = "Tab") -> None:
        """Press a key until what has the focus has this name."""
        for _ in range(80):
            keyboard.press(key)
            focused = phone.page.evaluate(
                "() => document.activeElement.ariaLabel || document.activeElement.labels?.[0]?.textContent"
                " || document.activeElement.textContent"
            )
            if focused.strip() == name:
                return
        pytest.fail(f"{name} cannot be reached with {key}")

    reach(f"Close {job}")
    keyboard.press("Enter")
    expect(phone.page.get_by_role("heading", name=f"Close {job}")).to_be_focused()
    reach("1 more: Disc P400, 125 mm")
    keyboard.press("Space")
    reach("Removed")
    keyboard.press("Space")
    reach("Close the job")
    keyboard.press("Enter")
    phone.expect_state(job, "Received")
    assert site.books("emil")["stock"]["D-P400"] == 38


def test_a_technician_without_a_van_and_others_are_told_so(site: Site, phone: Phone) -> None:
    phone.page.goto(f"{phone.address}/phone/")
    expect(phone.page.get_by_role("link", name="Sign in", exact=True)).to_be_visible()
    assert serious(phone.page) == []
