"""After a close: questions, what was forgotten, a close by mistake; and stock from hand to hand. All once."""

from collections.abc import Callable

from playwright.sync_api import expect

from tests.browser.conftest import Site
from tests.browser.flaky_proxy import FlakyProxy
from tests.browser.phone import Phone

BEFORE = {"D-P400": 40, "D-P800": 40, "C-FINE": 1000, "S-PAD": 2}
# What the standard takes of each: 1, 2 and 35.
CLOSED = {"D-P400": 39, "D-P800": 38, "C-FINE": 965, "S-PAD": 2}


def close_with(phone: Phone, job: str, label: str, value: str) -> None:
    """Close a job as it is filled in, except for one number."""
    phone.go("jobs")
    phone.tap("link", f"Close {job}", exact=True)
    phone.page.get_by_label(label).fill(value)
    phone.choose("Removed")
    phone.tap("button", "Close the job")
    phone.expect_state(job, "Received")


def expect_all_received(phone: Phone, count: int) -> None:
    """Wait until all that was sent from this phone has been received."""
    phone.go("sent")
    expect(phone.page.locator("li.entry")).to_have_count(count)
    expect(phone.page.locator("li.entry .tag.received")).to_have_count(count)


def test_a_question_is_one_line_and_is_answered_without_signal_once(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    (job,) = site.technician("wilm", jobs=1)
    phone.sign_in("wilm")
    phone.open()
    close_with(phone, job, "Used Disc P400, 125 mm", "0")
    expect(phone.page.get_by_role("link", name="1 question")).to_be_visible()
    phone.go("jobs")
    expect(phone.page.get_by_text("8 minutes are entered but none was used")).to_have_count(0)
    phone.lose_signal()
    phone.taps = 0
    phone.tap("link", "1 question about what you closed")
    expect(phone.page.get_by_text("8 minutes are entered but none was used")).to_be_visible()
    phone.tap("button", "Yes, that is right")
    assert phone.taps == 2
    expect(phone.page.get_by_text("No question is open.")).to_be_visible()
    phone.go("sent")
    phone.expect_state(f"Answer about {job}", "Waiting")
    network.lose_next("PUT", 2)
    phone.find_signal()
    expect_all_received(phone, 2)
    assert len(network.lost) == 2
    assert site.books("wilm")["answers"] == [["That is right.", "wilm"]]
    phone.go("jobs")
    expect(phone.page.get_by_text("question")).to_have_count(0)


def test_more_was_used_than_logged(site: Site, network: FlakyProxy, phone: Phone) -> None:
    (job,) = site.technician("aldo", jobs=1)
    phone.sign_in("aldo")
    phone.open()
    close_with(phone, job, "Used Disc P400, 125 mm", "0")
    phone.tap("link", "1 question")
    phone.lose_signal()
    phone.page.get_by_text("No, or add a note").tap()
    phone.page.get_by_label("Note, if you like").fill("one was under the seat")
    phone.tap("button", "Correct the amount")
    expect(phone.page.get_by_role("alert")).to_contain_text("This is what the shop has.")
    phone.tap("button", "1 more: Disc P400, 125 mm")
    phone.tap("button", "Correct the amount")
    expect(phone.page.get_by_text("No question is open.")).to_be_visible()
    network.lose_next("PUT", 3)
    phone.find_signal()
    expect_all_received(phone, 3)
    books = site.books("aldo")
    assert books["answers"] == [["Corrected: 1 used in all, not 0. one was under the seat", "aldo"]]
    assert books["added"] == {"use": 1}
    assert books["stock"] == CLOSED


def test_less_was_used_than_logged(site: Site, network: FlakyProxy, phone: Phone) -> None:
    (job,) = site.technician("bela", jobs=1)
    phone.sign_in("bela")
    phone.open()
    close_with(phone, job, "Used Finishing compound", "400")
    phone.tap("link", "1 question")
    phone.lose_signal()
    phone.page.get_by_text("No, or add a note").tap()
    phone.page.get_by_label("Used in all Finishing compound").fill("35")
    phone.tap("button", "Correct the amount")
    expect(phone.page.get_by_text("No question is open.")).to_be_visible()
    network.lose_next("PUT", 3)
    phone.find_signal()
    expect_all_received(phone, 3)
    books = site.books("bela")
    assert books["answers"] == [["Corrected: 35 used in all, not 400.", "bela"]]
    assert books["added"] == {"return": 1}
    assert books["stock"] == CLOSED


def test_a_question_that_an_owner_has_answered_meanwhile_keeps_that_answer(site: Site, phone: Phone) -> None:
    (job,) = site.technician("cora", jobs=1)
    phone.sign_in("cora")
    phone.open()
    close_with(phone, job, "Used Disc P400, 125 mm", "0")
    phone.tap("link", "1 question")
    phone.lose_signal()
    phone.tap("button", "Yes, that is right")
    site.ask(f"answer-as-owner/{job}/", "POST")
    phone.find_signal()
    phone.go("sent")
    phone.expect_state(f"Answer about {job}", "Needs attention")
    expect(phone.page.get_by_text("an owner has answered this already: He told me.")).to_be_visible()
    phone.tap("button", "Keep what the shop has")
    phone.expect_state(f"Answer about {job}", "Received")
    assert site.books("cora")["answers"] == [["He told me.", "an owner"]]


def test_what_was_forgotten_waits_for_its_close_and_counts_once(
    site: Site, network: FlakyProxy, durable_phone: Phone
) -> None:
    phone = durable_phone
    (job,) = site.technician("dino", jobs=1)
    phone.sign_in("dino")
    phone.open()
    phone.close_job(job)
    phone.expect_state(job, "Received")
    phone.tap("link", "Forgot something, or a mistake?")
    expect(phone.page.get_by_role("row", name="Disc P800, 125 mm")).to_contain_text("12")
    phone.lose_signal()
    phone.tap("link", "Add what was forgotten")
    phone.tap("button", "Add to the job")
    expect(phone.page.get_by_role("alert")).to_contain_text("Nothing is added yet.")
    phone.page.get_by_label("Something else").select_option("D-P400")
    phone.tap("button", "Add", exact=True)
    phone.tap("button", "1 more: Disc P400, 125 mm")
    phone.wait_for_drafts()
    phone.kill_tab()
    phone.go(f"more/{job}")
    expect(phone.page.get_by_label("Used Disc P400, 125 mm")).to_have_value("1")
    phone.tap("button", "1 more: Disc P400, 125 mm")
    phone.tap("button", "Add to the job")
    expect(phone.page.get_by_role("list", name="Added since")).to_contain_text(
        "Added: 2 Disc P400, 125 mm Waiting"
    )
    network.lose_next("PUT", 2)
    phone.find_signal()
    expect_all_received(phone, 2)
    phone.go(f"done/{job}")
    expect(phone.page.get_by_role("list", name="Added since")).to_contain_text("Received")
    expect(phone.page.get_by_role("row", name="Disc P400, 125 mm")).to_contain_text("3")
    books = site.books("dino")
    assert books["added"] == {"use": 1}
    assert books["stock"] == {**CLOSED, "D-P400": 37}


def test_further_uses_go_out_after_a_close_that_may_have_arrived(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    (job,) = site.technician("edda", jobs=1)
    phone.sign_in("edda")
    phone.open()
    network.lose_next("PUT", 1_000)
    phone.close_job(job)
    expect(phone.page.get_by_text("It may have arrived")).to_be_visible()
    phone.lose_signal()
    phone.tap("link", "Forgot something, or a mistake?")
    phone.tap("link", "Add what was forgotten")
    phone.page.get_by_label("Something else").select_option("S-PAD")
    phone.tap("button", "Add", exact=True)
    phone.tap("button", "1 more: Soft polishing pad")
    phone.tap("button", "Add to the job")
    expect(phone.page.get_by_role("list", name="Added since")).to_contain_text("Waiting")
    phone.go("sent")
    expect(phone.page.get_by_text(f"Goes out after: close of {job}.")).to_be_visible()
    network.lose_next("PUT", 0)
    phone.find_signal()
    expect_all_received(phone, 2)
    assert site.books("edda")["stock"] == {**CLOSED, "S-PAD": 1}


def test_an_own_close_is_taken_back_and_closed_anew_without_signal(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    (job,) = site.technician("fria", jobs=1)
    phone.sign_in("fria")
    phone.open()
    phone.close_job(job)
    phone.expect_state(job, "Received")
    phone.lose_signal()
    phone.tap("link", "Forgot something, or a mistake?")
    phone.page.get_by_text("Closed by mistake, or a wrong minute?").tap()
    phone.tap("button", "Take back and correct it")
    phone.tap("button", "Keep it")
    phone.tap("button", "Take back and correct it")
    phone.tap("button", "Take it back")
    expect(phone.page.get_by_role("heading", name=f"Close {job}")).to_be_visible()
    expect(phone.page.get_by_role("radio", name="Removed")).to_be_checked()
    phone.choose("Reduced")
    phone.tap("button", "Close the job")
    expect(phone.page.get_by_text(f"Goes out after: take-back of {job}.")).to_be_visible()
    network.lose_next("PUT", 3)
    phone.find_signal()
    expect_all_received(phone, 3)
    books = site.books("fria")
    assert books["outcomes"] == {job: "reduced"}
    assert books["added"] == {"correction": 1}
    assert books["closes"] == {job: 2}
    assert books["stock"] == CLOSED


def test_a_wrong_job_is_open_again_after_its_close_was_taken_back(
    site: Site, network: FlakyProxy, phone: Phone
) -> None:
    (job,) = site.technician("gila", jobs=1)
    phone.sign_in("gila")
    phone.open()
    phone.close_job(job)
    phone.expect_state(job, "Received")
    phone.go(f"done/{job}")
    phone.page.get_by_text("Closed by mistake, or a wrong minute?").tap()
    phone.tap("button", "Take back: not this job")
    network.lose_next("PUT", 1)
    phone.tap("button", "Take it back")
    expect_all_received(phone, 2)
    phone.go("jobs")
    expect(phone.page.get_by_role("link", name=f"Close {job}", exact=True)).to_be_visible()
    expect(phone.page.get_by_text("Closed recently")).to_have_count(0)
    books = site.books("gila")
    assert books["statuses"] == {job: "booked"}
    assert books["stock"] == BEFORE


def test_a_close_that_an_owner_entered_is_the_owners_to_change(site: Site, phone: Phone) -> None:
    (job,) = site.technician("hugo", jobs=1)
    site.ask(f"close-as-owner/hugo/{job}/", "POST")
    phone.sign_in("hugo")
    phone.open()
    phone.page.get_by_text("Closed recently: 1").tap()
    phone.tap("link", job)
    phone.page.get_by_text("Closed by mistake, or a wrong minute?").tap()
    expect(phone.page.get_by_text("Tell the owner what is wrong.")).to_be_visible()
    expect(phone.page.get_by_role("button", name="Take back")).to_have_count(0)
    # He may still answer its question.
    phone.go("jobs")
    phone.tap("link", "1 question about what you closed")
    phone.page.get_by_text("No, or add a note").tap()
    phone.tap("button", "Send the note only")
    expect(phone.page.get_by_role("alert")).to_have_text("Write in the note what is right.")
    phone.page.get_by_label("Note, if you like").fill("10 minutes, not 30")
    phone.tap("button", "Send the note only")
    phone.go("sent")
    phone.expect_state(f"Answer about {job}", "Received")
    assert site.books("hugo")["answers"] == [["Not right: 10 minutes, not 30", "hugo"]]


def test_stock_given_to_another_van_without_signal_moves_once_and_the_other_sees_it(
    site: Site, network: FlakyProxy, new_phone: Callable[..., Phone]
) -> None:
    site.technician("inga", jobs=0)
    site.technician("jost", jobs=0)
    phone = new_phone()
    phone.sign_in("inga")
    phone.open()
    phone.lose_signal()
    phone.go("stock")
    phone.tap("link", "Hand stock to a van or the depot")
    phone.tap("button", "Hand it over")
    expect(phone.page.get_by_role("alert")).to_contain_text("Who gets it?")
    phone.page.get_by_label("Who gets it").select_option("van-jost")
    phone.tap("button", "Hand it over")
    expect(phone.page.get_by_role("alert")).to_contain_text("Nothing is handed over yet.")
    phone.page.get_by_label("Something else").select_option("D-P400")
    phone.tap("button", "Add", exact=True)
    phone.page.get_by_role("textbox", name="Disc P400, 125 mm").fill("45")
    expect(phone.page.get_by_text("More than the book has on board.")).to_be_visible()
    phone.page.get_by_role("textbox", name="Disc P400, 125 mm").fill("5")
    expect(phone.page.get_by_text("More than the book has on board.")).to_be_hidden()
    phone.tap("button", "1 more: Disc P400, 125 mm")
    phone.tap("button", "Hand it over")
    phone.expect_state("1 kind to van-jost", "Waiting")
    # Still on the phone, so it can be changed.
    phone.tap("button", "Correct")
    expect(phone.page.get_by_role("textbox", name="Disc P400, 125 mm")).to_have_value("6")
    phone.tap("button", "1 less: Disc P400, 125 mm")
    phone.tap("button", "Hand it over")
    network.lose_next("PUT", 2)
    phone.find_signal()
    expect_all_received(phone, 1)
    books = site.books("inga")
    assert (books["given"], books["stock"]) == (1, {**BEFORE, "D-P400": 35})
    assert site.books("jost")["stock"]["D-P400"] == 45
    other = new_phone()
    other.sign_in("jost")
    other.open()
    other.go("stock")
    expect(other.page.get_by_text("5 Disc P400, 125 mm from van-inga")).to_be_visible()


def test_what_waits_for_something_thrown_away_goes_with_it(site: Site, phone: Phone) -> None:
    (job,) = site.technician("kuno", jobs=1)
    phone.sign_in("kuno")
    phone.open()
    close_with(phone, job, "Used Disc P400, 125 mm", "0")
    phone.tap("link", "1 question")
    phone.lose_signal()
    phone.page.get_by_text("No, or add a note").tap()
    phone.tap("button", "1 more: Disc P400, 125 mm")
    phone.tap("button", "Correct the amount")
    expect(phone.page.get_by_text("No question is open.")).to_be_visible()
    phone.go("sent")
    entry = phone.page.locator("li.entry:has(h2:has-text('More used on'))")
    entry.get_by_role("button", name="Discard").tap()
    expect(phone.page.get_by_text("and 1 more that waits for it")).to_be_visible()
    phone.tap("button", "Delete it")
    expect(phone.page.locator("li.entry")).to_have_count(1)
    # The question is open again.
    phone.go("jobs")
    expect(phone.page.get_by_role("link", name="1 question about what you closed")).to_be_visible()
