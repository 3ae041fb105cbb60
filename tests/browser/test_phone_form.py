"""The close form in the hand: few taps, no typing, nothing lost, timers, photos, labels, counts."""

import re
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import expect

from tests.browser.conftest import Site
from tests.browser.flaky_proxy import FlakyProxy
from tests.browser.phone import Phone

MOST_TAPS = 12
MOST_BYTES = 60_000


def test_a_typical_job_is_closed_in_twelve_taps_and_no_typing(site: Site, phone: Phone) -> None:
    (job,) = site.technician("sara", jobs=1)
    phone.sign_in("sara")
    phone.page.add_init_script(
        "self.typed = 0; addEventListener('keydown', () => self.typed++, true);"
        "addEventListener('beforeinput', () => self.typed++, true);"
    )
    phone.open()
    phone.taps = 0
    phone.tap("link", f"Close {job}", exact=True)
    phone.tap("button", "1 more: Disc P400, 125 mm")  # two discs of the first grade instead of one
    phone.tap("button", "Time Disc P800, 125 mm")  # times the second grade,
    phone.tap("button", "Time Disc P800, 125 mm")  # and stops
    phone.tap("button", "5 less: Finishing compound")
    phone.choose("Removed")
    phone.tap("button", "5 more: labour minutes")
    phone.tap("button", "Close the job")
    phone.expect_state(job, "Received")
    assert phone.taps <= MOST_TAPS
    assert phone.page.evaluate("self.typed") == 0
    # 40, 40 and 1000 less 2 discs, 2 discs and 35 - 5 ml.
    assert site.books("sara")["stock"] == {"D-P400": 38, "D-P800": 38, "C-FINE": 970, "S-PAD": 2}


def test_the_page_is_usable_after_sixty_kilobytes(site: Site, network: FlakyProxy, phone: Phone) -> None:
    (job,) = site.technician("tove", jobs=1)
    phone.sign_in("tove")
    network.bytes_sent = 0
    phone.page.goto(f"{phone.address}/phone/")
    phone.tap("link", f"Close {job}", exact=True)
    expect(phone.page.get_by_role("button", name="Close the job")).to_be_visible()
    print(f"{network.bytes_sent} bytes")
    assert 0 < network.bytes_sent <= MOST_BYTES


def test_what_was_booked_stays_unless_the_technician_takes_it_out(site: Site, phone: Phone) -> None:
    left, cleared = site.technician("vera", jobs=2)
    for job in (left, cleared):
        site.ask(f"say-much/{job}/", "POST")
    phone.sign_in("vera")
    phone.open()
    phone.close_job(left)
    phone.expect_state(left, "Received")
    phone.go("jobs")
    phone.tap("link", f"Close {cleared}", exact=True)
    take_out(phone)
    phone.choose("Removed")
    phone.tap("button", "Close the job")
    phone.expect_state(cleared, "Received")
    said = site.books("vera")["said"]
    assert said[left] == [True, "chip", "ring first", "3E+2"]
    assert said[cleared] == [False, "", "", None]


def take_out(phone: Phone) -> None:
    """Take out of the form of a close all that was booked and may be cleared."""
    phone.page.get_by_text("More: damage, price").tap()
    phone.page.get_by_role("checkbox", name="In the driver's primary viewing area").uncheck()
    for name in ("Damage that was there before", "Note", "Length of the damage"):
        phone.page.get_by_role("textbox", name=name).fill("")


def test_what_was_entered_survives_a_killed_tab_and_the_timer_goes_on(
    site: Site, durable_phone: Phone
) -> None:
    phone = durable_phone
    (job,) = site.technician("ulla", jobs=1)
    phone.sign_in("ulla")
    phone.open()
    phone.lose_signal()
    phone.tap("link", f"Close {job}", exact=True)
    phone.tap("button", "1 more: Disc P400, 125 mm")
    phone.choose("Reduced")
    phone.page.get_by_role("textbox", name="Note").fill("chip beside it")
    phone.tap("button", "Time Disc P800, 125 mm")
    timer = phone.page.get_by_role("button", name="Time Disc P800, 125 mm")
    expect(timer).not_to_have_text("■ 0:00")
    phone.set_clock_wrong_by(7 / 60)
    phone.kill_tab()
    phone.go("jobs")
    expect(phone.page.get_by_text("Continue the close")).to_be_visible()
    phone.tap("link", f"Continue {job}")
    timer = phone.page.get_by_role("button", name="Time Disc P800, 125 mm")
    # Seven, and what this took on a busy machine.
    expect(timer).to_have_text(re.compile(r"■ ([7-9]|1\d):\d\d"))
    expect(phone.page.get_by_label("Minutes Disc P800, 125 mm")).to_have_value(re.compile(r"^([7-9]|1\d)$"))
    expect(phone.page.get_by_label("Used Disc P400, 125 mm")).to_have_value("2")
    expect(phone.page.get_by_role("radio", name="Reduced")).to_be_checked()
    expect(phone.page.get_by_role("textbox", name="Note")).to_have_value("chip beside it")
    # A clock that is set back takes nothing away.
    phone.set_clock_wrong_by(-48)
    expect(timer).to_have_text(re.compile(r"■ ([7-9]|1\d):\d\d"))
    phone.find_signal()
    phone.tap("button", "Close the job")
    phone.expect_state(job, "Received")


def test_an_unfinished_form_says_what_is_missing(site: Site, phone: Phone) -> None:
    (job,) = site.technician("wren", jobs=1)
    phone.sign_in("wren")
    phone.open()
    phone.tap("link", f"Close {job}", exact=True)
    alert = phone.page.get_by_role("alert")
    phone.tap("button", "Close the job")
    expect(alert).to_have_text("How did it end? Choose an outcome.")
    expect(phone.page.get_by_role("radio", name="Removed", exact=True)).to_be_focused()
    phone.choose("Removed")
    phone.page.get_by_label("Used Disc P400, 125 mm").fill("two")
    phone.tap("button", "Close the job")
    expect(alert).to_contain_text("Disc P400, 125 mm: two cannot be read as a number")
    phone.page.get_by_label("Used Disc P400, 125 mm").fill("2")
    phone.page.get_by_text("Something was spoilt").tap()
    phone.page.get_by_label("What was spoilt").select_option("D-P400")
    phone.tap("button", "Close the job")
    expect(alert).to_have_text("Disc P400, 125 mm: say why 1 was spoilt.")
    phone.page.get_by_label("Why").select_option("torn")
    phone.tap("button", "Close the job")
    phone.expect_state(job, "Received")


def test_a_job_that_nobody_booked_can_be_closed(site: Site, phone: Phone) -> None:
    site.technician("xara", jobs=0)
    phone.sign_in("xara")
    phone.open()
    expect(phone.page.get_by_text("No job is booked for today.")).to_be_visible()
    phone.tap("link", "Close a job that is not listed")
    phone.page.get_by_label("Damage", exact=True).select_option("scratch by xara")
    phone.page.get_by_label("Glass", exact=True).select_option("laminated")
    phone.choose("Removed")
    phone.tap("button", "Close the job")
    expect(phone.page.locator("li.entry .tag")).to_have_text("Received")
    (job,) = site.books("xara")["closes"]
    assert job.startswith("van-xara-20")


def test_photos_go_out_with_their_close_small_and_bare(site: Site, phone: Phone, tmp_path: Path) -> None:
    (job,) = site.technician("yuri", jobs=1)
    exif = Image.Exif()
    exif[0x010F] = "A phone of somebody"  # the maker; Exif 2.32 (CIPA DC-008)
    exif.get_ifd(0x8825)[2] = (38.0, 42.0, 0.0)  # the latitude
    Image.new("RGB", (3000, 2000), "navy").save(tmp_path / "scratch.jpg", exif=exif)
    phone.sign_in("yuri")
    phone.open()
    phone.lose_signal()
    phone.tap("link", f"Close {job}", exact=True)
    for moment in ("before", "after"):
        phone.page.get_by_role("button", name=f"Photo {moment}").set_input_files(tmp_path / "scratch.jpg")
        expect(phone.page.get_by_role("img", name=f"Photo {moment}")).to_be_visible()
    phone.page.get_by_role("button", name="Photo before").first.set_input_files(tmp_path / "scratch.jpg")
    expect(phone.page.get_by_role("img", name="Photo before")).to_have_count(2)
    phone.tap("button", "Remove this photo before")
    phone.choose("Removed")
    phone.tap("button", "Close the job")
    expect(phone.page.get_by_text("Photos that wait to go out: 2")).to_be_visible()
    phone.find_signal()
    phone.expect_state(job, "Received")
    expect(phone.page.get_by_text("Photos that wait to go out")).to_have_count(0)
    kept = [Path(path).read_bytes() for path in site.books("yuri")["photos"]]
    assert len(kept) == 2
    for content in kept:
        image = Image.open(BytesIO(content))
        assert max(image.size) == 1600
        assert not dict(image.getexif())


def test_a_blind_count_without_signal_is_counted_once(site: Site, network: FlakyProxy, phone: Phone) -> None:
    site.technician("bodo", jobs=0)
    phone.sign_in("bodo")
    phone.open()
    phone.lose_signal()
    phone.go("count")
    # Blind: what the book says is not shown.
    expect(phone.page.locator(".stepper input").first).to_have_value("")
    phone.tap("button", "Hand in the count")
    expect(phone.page.get_by_role("alert")).to_contain_text("Nothing is counted yet")
    phone.page.locator(".stepper input").first.fill("38")
    phone.page.locator(".stepper input").last.fill("0")
    phone.tap("button", "Hand in the count")
    phone.expect_state("van-bodo, 2 kinds", "Waiting")
    network.lose_next("PUT", 1)
    phone.find_signal()
    phone.expect_state("van-bodo, 2 kinds", "Received")
    books = site.books("bodo")
    assert books["counts"] == 1
    assert books["stock"] == {"D-P400": 38, "D-P800": 40, "C-FINE": 1000, "S-PAD": 0}


@pytest.mark.parametrize("is_number", ["12,5", "12.5"])
def test_a_comma_and_a_point_are_read_alike(site: Site, phone: Phone, is_number: str) -> None:
    name = f"cleo{is_number[2:3].encode().hex()}"
    (job,) = site.technician(name, jobs=1)
    phone.sign_in(name)
    phone.open()
    phone.tap("link", f"Close {job}", exact=True)
    phone.page.get_by_label("Used Finishing compound").fill(is_number)
    phone.choose("Removed")
    phone.tap("button", "Close the job")
    phone.expect_state(job, "Received")
    assert site.books(name)["stock"]["C-FINE"] == 987  # 987.5, shown whole
