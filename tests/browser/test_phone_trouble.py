"""Strangers that answer in the place of the shop, a phone in use meanwhile, two taps, two tabs: all once."""

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import Site
from tests.browser.flaky_proxy import FlakyProxy
from tests.browser.phone import Phone
from tests.browser.test_phone_offline import FILL_UP


def answer(status: str, body: str, kind: str = "application/json", more: str = "") -> bytes:
    """Return a whole answer as it goes over the wire."""
    head = f"HTTP/1.1 {status}\r\nContent-Type: {kind}\r\n{more}Content-Length: {len(body)}\r\n"
    return f"{head}Connection: close\r\n\r\n{body}".encode()


ANSWERS = {
    "an error of the server": answer("500 Internal Server Error", '{"detail": "broken"}'),
    "an error of a proxy": answer("502 Bad Gateway", "<h1>Bad gateway</h1>", "text/html"),
    "a page of the network's own": answer("200 OK", "<h1>Welcome to our network</h1>", "text/html"),
    "nothing in JSON": answer("200 OK", "null"),
    "a list in JSON": answer("200 OK", "[]"),
    "somebody, but no time": answer("200 OK", '{"person": "somebody", "is_technician": true}'),
    "a way to another page": answer("302 Found", "", "text/html", "Location: /sign-in/\r\n"),
    "too many requests": answer("429 Too Many Requests", '{"detail": "later"}', more="Retry-After: 1\r\n"),
}


@pytest.mark.parametrize("place", ["/phone/session/", "/api/"])
@pytest.mark.parametrize("said", ANSWERS)
def test_whatever_answers_in_the_shops_place_the_close_waits_and_counts_once(
    site: Site, network: FlakyProxy, phone: Phone, said: str, place: str
) -> None:
    name = f"t{list(ANSWERS).index(said)}{place[1]}"
    (job,) = site.technician(name, jobs=1)
    phone.sign_in(name)
    phone.open()
    network.impostors[place] = ANSWERS[said]
    network.requests.clear()
    phone.close_job(job)
    phone.expect_state(job, "Waiting")
    tried = "PUT /api/" if place == "/api/" else "GET /phone/session/"
    for _ in range(2):
        network.requests.clear()
        phone.tap("button", "Send now")
        phone.wait_until(lambda: any(request.startswith(tried) for request in network.requests))
    phone.expect_state(job, "Waiting")
    assert site.books(name)["closes"] == {}
    network.impostors.clear()
    phone.page.reload()
    phone.expect_state(job, "Received")
    books = site.books(name)
    assert books["closes"] == {job: 1}
    assert books["hours_ago"][job] == pytest.approx(0, abs=0.1)
    assert books["recorded_by"] == {job: name}


def test_whoever_has_gone_on_is_not_fetched_back(site: Site, network: FlakyProxy, phone: Phone) -> None:
    jobs = site.technician("tara", jobs=2)
    phone.sign_in("tara")
    phone.open()
    phone.lose_signal()
    phone.tap("link", f"Close {jobs[0]}", exact=True)
    phone.choose("Removed")
    # Both at once: before what was tapped has been written.
    phone.page.evaluate(
        "job => { document.querySelector('form.close button:not([type])').click();"
        " location.hash = `#close/${job}`; }",
        jobs[1],
    )
    expect(phone.page.locator("#waiting")).to_have_text("1")
    expect(phone.page.get_by_role("heading", name=f"Close {jobs[1]}")).to_be_visible()
    phone.find_signal()
    phone.go("sent")
    phone.expect_state(jobs[0], "Received")
    assert site.books("tara")["closes"] == {jobs[0]: 1}


def test_whoever_opens_a_form_before_the_news_have_come_gets_it_then(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    site.technician("tess", jobs=0)
    phone.sign_in("tess")
    network.held = "/phone/bundle/"
    phone.page.goto(f"{phone.address}/phone/#count")
    expect(phone.page.get_by_text("Getting your jobs")).to_be_visible()
    # The first answer comes from somebody else.
    network.impostors["/phone/bundle/"] = ANSWERS["an error of a proxy"]
    network.held = ""
    phone.page.wait_for_function(
        "() => performance.getEntriesByName(location.origin + '/phone/bundle/').length"
    )
    network.impostors.clear()
    expect(phone.page.get_by_role("button", name="Hand in the count")).to_be_visible()


def test_two_taps_at_once_are_one_close_one_count_and_one_gift(site: Site, phone: Phone) -> None:
    (job,) = site.technician("tilo", jobs=1)
    site.technician("tove-2", jobs=0)
    phone.sign_in("tilo")
    phone.open()
    twice = "found => { found.click(); found.click(); }"
    phone.tap("link", f"Close {job}", exact=True)
    phone.choose("Removed")
    phone.page.get_by_role("button", name="Close the job").evaluate(twice)
    phone.expect_state(job, "Received")
    phone.go("count")
    phone.page.locator(".stepper input").first.fill("38")
    phone.page.get_by_role("button", name="Hand in the count").evaluate(twice)
    phone.expect_state("Count of van-tilo", "Received")
    phone.go("give")
    phone.page.get_by_label("Who gets it").select_option("van-tove-2")
    phone.page.get_by_label("Something else").select_option("D-P800")
    phone.tap("button", "Add", exact=True)
    phone.page.get_by_role("button", name="Hand it over").evaluate(twice)
    phone.expect_state("Handed over", "Received")
    expect(phone.page.locator("li.entry")).to_have_count(3)
    books = site.books("tilo")
    assert (books["closes"], books["counts"], books["given"]) == ({job: 1}, 1, 1)


def test_what_is_thrown_away_while_the_shop_is_being_asked_is_not_sent(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    (job,) = site.technician("teja", jobs=1)
    phone.sign_in("teja")
    phone.open()
    phone.lose_signal()
    phone.close_job(job)
    phone.expect_state(job, "Waiting")
    network.held = "/"
    phone.find_signal()
    phone.tap("button", "Discard")
    phone.tap("button", "Delete it")
    expect(phone.page.get_by_text("Nothing was closed or counted on this phone yet.")).to_be_visible()
    network.requests.clear()
    network.held = ""
    # The bundle is asked for after all that waited has been sent.
    phone.tap("link", "Jobs")
    expect(phone.page.get_by_role("link", name=f"Close {job}", exact=True)).to_be_visible()
    phone.page.reload()
    expect(phone.page.get_by_role("link", name=f"Close {job}", exact=True)).to_be_visible()
    assert not [request for request in network.requests if request.startswith("PUT")]
    assert site.books("teja")["closes"] == {}


def test_a_phone_that_has_filled_up_still_sends_what_waits(site: Site, phone: Phone) -> None:
    (job,) = site.technician("thea", jobs=1)
    phone.sign_in("thea")
    storage = phone.context.new_cdp_session(phone.page)
    storage.send("Storage.overrideQuotaForOrigin", {"origin": phone.address, "quotaSize": 400_000})
    phone.open()
    phone.lose_signal()
    phone.close_job(job)
    phone.expect_state(job, "Waiting")
    phone.page.evaluate(FILL_UP)
    phone.find_signal()
    # Received, or gone for lack of space to keep even that.
    expect(phone.page.locator("li.entry .tag.waiting")).to_have_count(0)
    assert site.books("thea")["closes"] == {job: 1}
    phone.page.reload()
    expect(phone.page.get_by_role("heading", name="Sent")).to_be_visible()
    expect(phone.page.locator("li.entry .tag:not(.received)")).to_have_count(0)
    assert site.books("thea")["closes"] == {job: 1}


def test_two_tabs_send_each_close_once(site: Site, network: FlakyProxy, phone: Phone) -> None:
    jobs = site.technician("till", jobs=3)
    phone.sign_in("till")
    phone.open()
    phone.lose_signal()
    for job in jobs[:2]:
        phone.close_job(job)
    first, second = phone.page, phone.context.new_page()
    second.goto(f"{phone.address}/phone/#sent")
    expect(second.locator("li.entry")).to_have_count(2)
    network.lose_next("PUT", 1)
    phone.find_signal()
    for page in (first, second):
        expect(page.locator("li.entry .tag.received")).to_have_count(2)
    books = site.books("till")
    assert books["closes"] == dict.fromkeys(jobs[:2], 1)
