"""Closing jobs without signal: whatever breaks, each close counts exactly once."""

from playwright.sync_api import expect

from tests.browser.conftest import Site
from tests.browser.flaky_proxy import FlakyProxy
from tests.browser.phone import Phone


def test_three_closes_without_signal_survive_a_killed_phone_and_lost_answers(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    jobs = site.technician("ilka", jobs=3)
    phone.sign_in("ilka")
    phone.open()
    expect(phone.page.get_by_role("link", name=f"Close {jobs[0]}")).to_be_visible()
    phone.lose_signal()
    for job in jobs:
        phone.close_job(job)
        phone.expect_state(job, "Waiting")
    phone.kill_tab()
    phone.go("sent")
    for job in jobs:
        phone.expect_state(job, "Waiting")
    phone.die()
    # Five answers are lost after the shop has counted the close: each close is sent again at least once.
    network.lose_next("PUT", 5)
    phone.switch_on()
    phone.sign_in("ilka")
    phone.go("sent")
    for job in jobs:
        phone.expect_state(job, "Received")
    books = site.books("ilka")
    assert books["closes"] == dict.fromkeys(jobs, 1)
    assert len(network.lost) == 5
    # 40 discs of each grade and 1000 ml, less 3 x the standard of 1, 2 and 35.
    assert books["stock"] == {"D-P400": 37, "D-P800": 34, "C-FINE": 895, "S-PAD": 2}
