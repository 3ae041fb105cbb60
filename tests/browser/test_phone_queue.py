"""The queue never stalls while there is signal, says truly what it waits for, and outlives signing out."""

from collections.abc import Callable
from pathlib import Path

from PIL import Image
from playwright.sync_api import expect

from tests.browser.conftest import Site
from tests.browser.flaky_proxy import FlakyProxy
from tests.browser.phone import Phone
from tests.browser.test_phone_trouble import answer


def test_what_is_closed_while_another_close_goes_out_goes_out_after_it(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    jobs = site.technician("abel", jobs=2)
    phone.sign_in("abel")
    phone.open()
    network.held = "/api/v1/closes/"
    for job in jobs:
        phone.close_job(job)
    entries = phone.page.locator("li.entry")
    expect(entries.nth(1)).to_contain_text("Going out now.")
    expect(entries.nth(0)).to_contain_text("It is sent automatically, after what was closed before it.")
    expect(phone.page.get_by_text("until there is signal")).to_have_count(0)
    network.held = ""
    for job in jobs:
        phone.expect_state(job, "Received")
    phone.lose_signal()
    phone.page.reload()
    phone.go("jobs")
    assert site.books("abel")["closes"] == dict.fromkeys(jobs, 1)


def test_no_close_waits_for_photos(site: Site, network: FlakyProxy, phone: Phone, tmp_path: Path) -> None:
    jobs = site.technician("alma", jobs=2)
    Image.new("RGB", (300, 200), "navy").save(tmp_path / "scratch.jpg")
    given_up: list[str] = []
    phone.page.on("requestfailed", lambda request: given_up.append(request.url))
    phone.sign_in("alma")
    phone.open()
    network.held = "/phone/photos/"
    phone.tap("link", f"Close {jobs[0]}", exact=True)
    phone.page.get_by_role("button", name="Photo before").set_input_files(tmp_path / "scratch.jpg")
    expect(phone.page.get_by_role("img", name="Photo before")).to_be_visible()
    phone.choose("Removed")
    phone.tap("button", "Close the job")
    phone.expect_state(jobs[0], "Received")
    expect(phone.page.get_by_text("Photos that wait to go out: 1. They go after all closes.")).to_be_visible()
    phone.close_job(jobs[1])
    phone.expect_state(jobs[1], "Received")
    # The close has overtaken a photo that is still on its way.
    assert not [url for url in given_up if "/phone/photos/" in url]
    network.held = ""
    expect(phone.page.get_by_text("Photos that wait to go out")).to_have_count(0)
    assert len(site.books("alma")["photos"]) == 1


def test_without_signal_signing_out_is_held_back_and_names_what_waits(site: Site, phone: Phone) -> None:
    (job, other) = site.technician("anno", jobs=2)
    phone.sign_in("anno")
    phone.open()
    expect(phone.page.locator("header").get_by_role("button")).to_have_count(0)
    phone.lose_signal()
    phone.close_job(job)
    phone.tap("link", "This phone")
    phone.tap("button", "Sign out")
    alert = phone.page.get_by_role("alert")
    expect(alert).to_contain_text("Signing out needs signal, so you stay signed in.")
    expect(alert).to_contain_text(f"Not with the shop yet: close of {job}.")
    # Everything is still there, also after a restart.
    phone.go("jobs")
    phone.page.reload()
    expect(phone.page.get_by_role("link", name=f"Close {other}", exact=True)).to_be_visible()
    phone.find_signal()
    phone.go("sent")
    phone.expect_state(job, "Received")


def test_with_queued_work_signing_out_says_what_waits_and_asks(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    (job,) = site.technician("arda", jobs=1)
    phone.sign_in("arda")
    phone.open()
    network.impostors["/api/"] = answer("500 Internal Server Error", '{"detail": "broken"}')
    phone.close_job(job)
    expect(phone.page.get_by_text("The server had a problem (500)")).to_be_visible()
    phone.tap("link", "This phone")
    phone.tap("button", "Sign out")
    dialog = phone.page.get_by_role("dialog")
    expect(dialog).to_contain_text(f"Not with the shop yet: close of {job}.")
    phone.tap("button", "Stay signed in")
    expect(dialog).to_have_count(0)
    # A sign-out that does not reach the shop leaves everything as it is.
    network.impostors["/sign-out/"] = answer("502 Bad Gateway", "<h1>Bad gateway</h1>", "text/html")
    phone.tap("button", "Sign out")
    dialog.get_by_role("button", name="Sign out").tap()
    expect(phone.page.get_by_role("alert")).to_contain_text("you stay signed in here")
    del network.impostors["/sign-out/"]
    # One whose answer is lost has ended the session all the same.
    network.lose_next("POST", 1)
    phone.tap("button", "Sign out")
    dialog.get_by_role("button", name="Sign out").tap()
    phone.page.wait_for_url("**/sign-in/?next=/phone/")
    network.impostors.clear()
    phone.go("jobs")
    expect(phone.page.get_by_role("link", name="Sign in", exact=True)).to_be_visible()
    assert site.books("arda")["closes"] == {}
    phone.sign_in("arda")
    phone.go("sent")
    phone.expect_state(job, "Received")


def two_phones_close(
    site: Site, new_phone: Callable[..., Phone], first_name: str, second_name: str, job: str
) -> Phone:
    """Let two phones close one job without signal, the second with a disc more; return the second."""
    first, second = new_phone(), new_phone()
    for phone, name in ((first, first_name), (second, second_name)):
        phone.sign_in(name)
        phone.open()
        phone.lose_signal()
    first.close_job(job)
    second.tap("link", f"Close {job}", exact=True)
    second.tap("button", "1 more: Disc P400, 125 mm")
    second.choose("Removed")
    second.tap("button", "Close the job")
    first.find_signal()
    first.expect_state(job, "Received")
    second.find_signal()
    second.expect_state(job, "Needs attention")
    return second


def test_who_came_second_reads_who_closed_the_job_and_keeps_the_first(
    site: Site, new_phone: Callable[..., Phone]
) -> None:
    (job,) = site.technician("auro", jobs=1)
    second = two_phones_close(site, new_phone, "auro", "auro", job)
    entry = second.page.locator("li.entry")
    expect(entry).to_contain_text("You closed this job on another phone")
    expect(entry).to_contain_text("That close counts. This one does not; the owner sees both.")
    expect(entry).to_contain_text("1 Disc P400, 125 mm")
    for name in ("Correct", "Discard"):
        expect(entry.get_by_role("button", name=name)).to_have_count(0)
    second.tap("button", "Keep the first")
    second.expect_state(job, "Received")
    expect(entry).to_contain_text("That close counts, not this one.")
    assert site.books("auro")["stock"]["D-P400"] == 39


def test_a_colleague_who_came_second_adds_what_the_first_close_does_not_have(
    site: Site, network: FlakyProxy, new_phone: Callable[..., Phone]
) -> None:
    (job,) = site.technician("axel", jobs=1)
    site.ask("colleague/ayla/axel/", "POST")
    second = two_phones_close(site, new_phone, "axel", "ayla", job)
    expect(second.page.locator("li.entry")).to_contain_text("Axel closed this job")
    second.tap("button", "Add my extra")
    expect(second.page.get_by_label("Used Disc P400, 125 mm")).to_have_value("1")
    network.lose_next("PUT", 1)
    second.tap("button", "Add to the job")
    entries = second.page.locator("li.entry")
    expect(entries).to_have_count(2)
    expect(entries.locator(".tag.received")).to_have_count(2)
    books = site.books("axel")
    assert (books["closes"], books["added"]) == ({job: 1}, {"use": 1})
    assert books["stock"]["D-P400"] == 38
