"""What a hand does by mistake in the close form, or not quite right, does no harm and is told where it is."""

from playwright.sync_api import expect

from tests.browser.conftest import Site
from tests.browser.phone import Phone


def test_a_tap_on_a_timer_and_back_leaves_the_minutes_and_a_wrong_number_is_named_and_found(
    site: Site, phone: Phone
) -> None:
    (job,) = site.technician("hela", jobs=1)
    phone.sign_in("hela")
    phone.open()
    phone.tap("link", f"Close {job}", exact=True)
    minutes = phone.page.get_by_label("Minutes Disc P800, 125 mm")
    expect(minutes).to_have_value("12")
    phone.tap("button", "Time Disc P800, 125 mm")
    phone.tap("button", "Time Disc P800, 125 mm")
    expect(minutes).to_have_value("12")
    used = phone.page.get_by_label("Used Disc P400, 125 mm")
    used.fill("1.5")
    phone.choose("Removed")
    phone.tap("button", "Close the job")
    expect(phone.page.get_by_role("alert")).to_contain_text("Disc P400, 125 mm: 1.5 is not whole.")
    expect(used).to_be_focused()


def test_a_job_that_is_not_listed_starts_as_no_kind_of_job_and_every_tap_is_written_at_once(
    site: Site, phone: Phone
) -> None:
    (job,) = site.technician("hilo", jobs=1)
    phone.sign_in("hilo")
    phone.page.add_init_script(
        "self.written = 0; const put = IDBObjectStore.prototype.put;"
        "IDBObjectStore.prototype.put = function (...all) {"
        " if (this.name === 'drafts') self.written++; return put.apply(this, all); };"
    )
    phone.open()
    phone.tap("link", "Close a job that is not listed")
    phone.choose("Removed")
    phone.tap("button", "Close the job")
    expect(phone.page.get_by_role("alert")).to_contain_text("Choose the damage.")
    expect(phone.page.get_by_label("Damage", exact=True)).to_be_focused()
    phone.page.get_by_label("Damage", exact=True).select_option("scratch by hilo")
    phone.page.get_by_label("Glass", exact=True).select_option("laminated")
    expect(phone.page.get_by_text("Short scratch: scratch by hilo on laminated")).to_be_visible()
    phone.go("jobs")
    phone.tap("link", f"Close {job}", exact=True)
    more = phone.page.get_by_role("button", name="1 more: Disc P400, 125 mm")
    phone.wait_for_drafts()
    before = phone.page.evaluate("self.written")
    more.evaluate("found => { for (let n = 0; n < 30; n++) found.click(); }")
    phone.wait_for_drafts()
    # The last of many quick taps does not wait until each before it is on the disk.
    assert phone.page.evaluate("self.written") - before <= 2
    phone.page.reload()
    expect(phone.page.get_by_label("Used Disc P400, 125 mm")).to_have_value("31")
