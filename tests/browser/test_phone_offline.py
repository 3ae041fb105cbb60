"""Closing jobs without signal: whatever breaks, each close counts exactly once."""

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import Site
from tests.browser.flaky_proxy import FlakyProxy
from tests.browser.phone import Phone


def test_three_closes_without_signal_survive_a_killed_phone_and_lost_answers(
    site: Site, network: FlakyProxy, durable_phone: Phone
) -> None:
    phone = durable_phone
    jobs = site.technician("ilka", jobs=3)
    phone.sign_in("ilka")
    phone.open()
    phone.lose_signal()
    for job in jobs:
        phone.close_job(job)
        phone.expect_state(job, "Waiting")
    phone.kill_tab()
    phone.go("sent")
    for job in jobs:
        phone.expect_state(job, "Waiting")
    phone.die()
    # The answer to each is lost after the shop has counted it, so each is sent a second time.
    network.lose_next("PUT", 3)
    phone.switch_on()
    phone.sign_in("ilka")
    phone.go("sent")
    for job in jobs:
        phone.expect_state(job, "Received")
    expect(phone.page.get_by_text("It had arrived before and counts once.")).to_have_count(3)
    books = site.books("ilka")
    assert books["closes"] == dict.fromkeys(jobs, 1)
    assert len(network.lost) == 3
    # 40 discs of each grade and 1000 ml, less 3 x the standard of 1, 2 and 35.
    assert books["stock"] == {"D-P400": 37, "D-P800": 34, "C-FINE": 895, "S-PAD": 2}


def test_of_two_phones_with_the_same_job_one_is_told_so_and_the_job_counts_once(
    site: Site, new_phone: Callable[..., Phone]
) -> None:
    (job,) = site.technician("jory", jobs=1)
    first, second = new_phone(), new_phone()
    for phone in (first, second):
        phone.sign_in("jory")
        phone.open()
        phone.lose_signal()
    first.close_job(job)
    second.close_job(job, "Reduced")
    first.find_signal()
    first.expect_state(job, "Received")
    second.find_signal()
    second.expect_state(job, "Needs attention")
    expect(second.page.get_by_text("You said: reduced.")).to_be_visible()
    books = site.books("jory")
    assert books["closes"] == {job: 1}
    assert books["outcomes"] == {job: "removed"}


def test_a_close_changed_after_it_had_arrived_is_not_counted_twice(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    (job,) = site.technician("kaja", jobs=1)
    phone.sign_in("kaja")
    phone.open()
    network.lose_next("PUT", 1_000)
    phone.close_job(job)
    expect(phone.page.get_by_text("It may have arrived")).to_be_visible()
    # What may have arrived cannot be changed or dropped.
    expect(phone.page.get_by_role("button", name="Correct")).to_have_count(0)
    expect(phone.page.get_by_role("button", name="Discard")).to_have_count(0)
    network.lose_next("PUT", 0)
    phone.tap("button", "Send now")
    phone.expect_state(job, "Received")
    assert site.books("kaja")["closes"] == {job: 1}


def test_signed_out_without_signal_a_close_waits_for_the_next_sign_in(site: Site, phone: Phone) -> None:
    (job,) = site.technician("lene", jobs=1)
    phone.sign_in("lene")
    phone.open()
    phone.lose_signal()
    site.ask("end-sessions/", "POST")
    phone.close_job(job)
    phone.find_signal()
    expect(phone.page.get_by_text("Your sign-in has ended. Nothing is lost")).to_be_visible()
    phone.expect_state(job, "Waiting")
    assert site.books("lene")["closes"] == {}
    phone.sign_in("lene")
    phone.go("sent")
    phone.expect_state(job, "Received")
    assert site.books("lene")["closes"] == {job: 1}


def test_nobody_sends_anothers_closes_under_the_own_name(site: Site, phone: Phone) -> None:
    (job,) = site.technician("maro", jobs=1)
    site.ask("colleague/nils/maro/", "POST")
    phone.sign_in("maro")
    phone.open()
    phone.lose_signal()
    phone.close_job(job)
    site.ask("end-sessions/", "POST")
    phone.find_signal()
    phone.sign_in("nils")
    phone.open()
    expect(phone.page.get_by_text("1 of maro wait on this phone")).to_be_visible()
    phone.go("sent")
    expect(phone.page.get_by_text("Nothing was closed or counted on this phone yet.")).to_be_visible()
    assert site.books("maro")["closes"] == {}
    phone.sign_in("maro")
    phone.go("sent")
    phone.expect_state(job, "Received")
    assert site.books("maro")["recorded_by"] == {job: "maro"}


def test_signing_out_leaves_nothing_to_see_and_the_queue_whole(site: Site, phone: Phone) -> None:
    jobs = site.technician("nele", jobs=2)
    phone.sign_in("nele")
    phone.open()
    phone.lose_signal()
    phone.close_job(jobs[0])
    phone.go("jobs")
    phone.find_signal()
    phone.lose_signal()
    phone.page.goto(f"{phone.address}/phone/#jobs")
    expect(phone.page.get_by_role("link", name=f"Close {jobs[1]}")).to_be_visible()
    phone.find_signal()
    phone.go("sent")
    phone.expect_state(jobs[0], "Received")
    phone.tap("link", "This phone")
    phone.tap("button", "Sign out")
    phone.page.wait_for_url("**/sign-in/**")
    phone.go("jobs")
    expect(phone.page.get_by_role("link", name="Sign in", exact=True)).to_be_visible()
    expect(phone.page.get_by_text(jobs[1])).to_have_count(0)


FILL_UP = """async () => {
  const database = await new Promise((resolve) => {
    const request = indexedDB.open("photos of somebody", 1);
    request.onupgradeneeded = () => request.result.createObjectStore("all");
    request.onsuccess = () => resolve(request.result);
  });
  const put = (size) => new Promise((resolve) => {
    const transaction = database.transaction("all", "readwrite");
    transaction.objectStore("all").put("x".repeat(size), Math.random());
    transaction.oncomplete = () => resolve(true);
    transaction.onabort = () => resolve(false);
  });
  for (const size of [50_000, 5_000, 1_000]) while (await put(size));
}"""


def test_a_full_phone_says_so_and_hands_the_close_to_the_shop_when_told(site: Site, phone: Phone) -> None:
    jobs = site.technician("odda", jobs=2)
    phone.sign_in("odda")
    # The browser asks for the limit before the first use only, so it is set before the page is opened.
    storage = phone.context.new_cdp_session(phone.page)
    storage.send("Storage.overrideQuotaForOrigin", {"origin": phone.address, "quotaSize": 400_000})
    phone.open()
    phone.tap("link", f"Close {jobs[0]}", exact=True)
    phone.choose("Removed")
    phone.page.evaluate(FILL_UP)
    phone.tap("button", "Close the job")
    alert = phone.page.get_by_role("alert")
    expect(alert.get_by_text("storage is full")).to_be_visible()
    phone.lose_signal()
    phone.tap("button", "Send now")
    expect(alert.get_by_text("The shop could not be reached")).to_be_visible()
    assert site.books("odda")["closes"] == {}
    phone.find_signal()
    phone.tap("button", "Close the job")
    phone.tap("button", "Send now")
    expect(phone.page.get_by_text("The shop has received it.")).to_be_visible()
    assert site.books("odda")["closes"] == {jobs[0]: 1}
    # With space again the next close is kept as ever.
    storage.send("Storage.overrideQuotaForOrigin", {"origin": phone.address})
    phone.close_job(jobs[1])
    phone.expect_state(jobs[1], "Received")
    assert site.books("odda")["closes"] == dict.fromkeys(jobs, 1)


CLOCKS = {
    "ahead all day": (24.0, None, None),
    "behind all day": (-24.0, None, None),
    "ahead since the signal was lost": (0.0, 24.0, None),
    "behind since the signal was lost": (0.0, -24.0, None),
    "ahead without signal, and put right before it came back": (0.0, 24.0, 0.0),
    "behind without signal, and put right before it came back": (0.0, -24.0, 0.0),
}


@pytest.mark.parametrize("case", CLOCKS)
def test_a_clock_that_is_wrong_by_a_day_moves_no_close_to_another_day(
    site: Site, phone: Phone, case: str
) -> None:
    before, without_signal, afterwards = CLOCKS[case]
    name = f"p{list(CLOCKS).index(case)}"
    (job,) = site.technician(name, jobs=1)
    phone.sign_in(name)
    phone.set_clock_wrong_by(before)
    phone.open()
    if before:
        word = "ahead" if before > 0 else "behind"
        expect(phone.page.get_by_text(f"This phone's clock is 1440 minutes {word}")).to_be_visible()
    phone.lose_signal()
    if without_signal is not None:
        phone.set_clock_wrong_by(without_signal)
    phone.close_job(job)
    if afterwards is not None:
        phone.set_clock_wrong_by(afterwards)
    phone.find_signal()
    phone.expect_state(job, "Received")
    assert site.books(name)["hours_ago"][job] == pytest.approx(0, abs=0.1)
    doubted = phone.page.get_by_text("this phone's own was wrong")
    expect(doubted).to_have_count(0 if afterwards is None else 1)


def test_a_new_version_of_the_page_loses_neither_queue_nor_draft(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    jobs = site.technician("quin", jobs=2)
    phone.sign_in("quin")
    phone.open()
    phone.lose_signal()
    phone.close_job(jobs[0])
    phone.go("jobs")
    phone.tap("link", f"Close {jobs[1]}", exact=True)
    phone.choose("Reduced")
    site.ask("end-sessions/", "POST")
    network.updates["/phone/worker.js"] = (b"`phone-", b"`phone-next-")
    phone.find_signal()
    phone.page.reload()
    phone.tap("button", "Use it")
    phone.page.wait_for_function("async () => (await caches.keys()).every((name) => name.includes('next'))")
    expect(phone.page.get_by_role("radio", name="Reduced")).to_be_checked()
    phone.go("sent")
    phone.expect_state(jobs[0], "Waiting")
    phone.lose_signal()
    phone.page.reload()
    phone.expect_state(jobs[0], "Waiting")


def test_what_the_shop_refuses_says_why_and_can_be_corrected(site: Site, phone: Phone) -> None:
    (job,) = site.technician("rune", jobs=1)
    phone.sign_in("rune")
    phone.open()
    phone.tap("link", f"Close {job}", exact=True)
    phone.choose("Removed")
    phone.page.get_by_role("textbox", name="Labour minutes").fill("20000")
    phone.tap("button", "Close the job")
    phone.expect_state(job, "Needs attention")
    expect(phone.page.get_by_text("labour_minutes 20000")).to_be_visible()
    phone.tap("button", "Correct")
    phone.page.get_by_role("textbox", name="Labour minutes").fill("50")
    phone.tap("button", "Close the job")
    phone.expect_state(job, "Received")
    assert site.books("rune")["closes"] == {job: 1}
