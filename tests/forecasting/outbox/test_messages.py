"""What letters say, and what goes over the wire: sent once, again when the server cannot, never to nobody."""

import csv
import smtplib
from collections.abc import Iterator
from datetime import date, timedelta
from email import message_from_bytes, policy
from io import BytesIO, StringIO
from typing import Any

import pytest
from django.core import mail
from django.core.exceptions import ValidationError
from django.db import connection
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from pypdf import PdfReader

from forecasting.email_addresses import addresses_in
from forecasting.models import Letter, LetterState, Restock, RestockStatus, StockingTerms
from forecasting.outbox.delivery import MOST_ATTEMPTS, letters_wait, send_due_letters
from forecasting.outbox.messages import Composed, attachments_of, content_of, parsed, write_letter
from forecasting.outbox.smtp import MailServer
from forecasting.outbox.weekly_list import compose, key_of, recipients_of
from inventory.models import Consumable, Place, PlaceKind
from shop.models import Person, Role, Shop, Technician
from tests.forecasting.restock_world import (
    NOW,
    book_on_van,
    open_letter_shop,
    receive_lot,
    restock,
)
from tests.servers import Mailbox, free_port, mail_server
from tests.shop.world import COMPOUND, DISC

pytestmark = pytest.mark.django_db

TODAY = date(2026, 11, 23)
ANOTHER = "another worker"
SMTP = "django.core.mail.backends.smtp.EmailBackend"


@pytest.fixture(autouse=True)
def letter_shop() -> None:
    """Open the shop that every test writes letters in."""
    open_letter_shop()


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    """Run a real mail server, and let letters go to it."""
    with mail_server() as box:
        port = int(box.url.rpartition(":")[2])
        with override_settings(EMAIL_BACKEND=SMTP, EMAIL_HOST="127.0.0.1", EMAIL_PORT=port, EMAIL_TIMEOUT=5):
            yield box


def written(about: Restock | None = None, to: list[str] | None = None) -> Letter:
    """Write the letter of a restock."""
    about = about or restock()
    recipients = recipients_of(about.van) if to is None else to
    return write_letter(key_of(about), recipients, compose(about, NOW), restock=about, now=NOW)


def plain(subject: str = "Hello", text: str = "Hi.", **fields: Any) -> Composed:
    return Composed(subject, text, f"<p>{text}</p>", **fields)


def again(letter: Letter) -> Letter:
    letter.refresh_from_db()
    return letter


# What a letter says.


def test_a_letter_lists_amounts_with_their_reasons_and_what_the_depot_lacks() -> None:
    content = compose(restock(), NOW)
    assert content.subject == "VAN-1: 2 things to fetch, week 48 from 23 November"
    for text in (content.text, content.html):
        for said in (
            "VAN-1 gets from DEPOT, 23 November to 29 November 2026",
            "with 6 on board, 12 are missing.",
            "The depot cannot give 250 ml more",
            "nobody has approved it yet" if text is content.text else "Nobody has approved it yet",
            "No lot on the van or in DEPOT is known to expire in the next 28 days.",
            "Nothing is booked yet.",
        ):
            assert said in text
    assert f"12  {DISC.title()} ({DISC})" in content.text
    assert f"250 ml  {COMPOUND.title()} ({COMPOUND})" in content.text


def test_an_approved_list_says_so_with_the_amounts_approved() -> None:
    made = restock(approved=7)
    made.status = RestockStatus.APPROVED
    made.save()
    content = compose(made, NOW)
    assert "Approved: this is what to fetch." in content.text
    assert f"7  {DISC.title()}" in content.text
    assert "cannot give" not in content.text


def test_a_list_of_nothing_is_a_letter_too() -> None:
    content = compose(restock(approved=0), NOW)
    assert content.subject.startswith("VAN-1: nothing to fetch")
    assert "Nothing to fetch: the stock on board is enough." in content.text


def test_lots_that_expire_within_four_weeks_are_named_and_expired_ones_are_warned_of() -> None:
    receive_lot("L-GONE", TODAY - timedelta(days=1))
    receive_lot("L-TODAY", TODAY, place="VAN-1")
    receive_lot("L-SOON", TODAY + timedelta(days=28))
    receive_lot("L-LATE", TODAY + timedelta(days=29))
    receive_lot("L-OTHER", TODAY, place="VAN-2")
    text = compose(restock(), NOW).text
    assert "2026-11-22  40 ml Compound, lot L-GONE, at DEPOT: expired, do not use" in text
    assert "2026-11-23  40 ml Compound, lot L-TODAY, at VAN-1\n" in text
    assert "lot L-SOON" in text
    assert "L-LATE" not in text
    assert "L-OTHER" not in text


def test_jobs_of_the_coming_week_are_named_with_the_cautions_of_their_glass() -> None:
    book_on_van("J-TODAY", TODAY, caution="Laminated glass heats slowly; check it by hand.")
    book_on_van(
        "J-SIXTH", TODAY + timedelta(days=6), caution="Laminated glass heats slowly; check it by hand."
    )
    book_on_van(
        "J-SEVENTH", TODAY + timedelta(days=7), caution="Laminated glass heats slowly; check it by hand."
    )
    book_on_van("J-OTHER", TODAY, van="VAN-2", caution="Laminated glass heats slowly; check it by hand.")
    content = compose(restock(), NOW)
    assert "Mon 23 Nov  regrind, laminated (J-TODAY)" in content.text
    assert "J-SIXTH" in content.text
    assert "J-SEVENTH" not in content.text
    assert "J-OTHER" not in content.text
    for text in (content.text, content.html):
        assert text.count("Laminated glass heats slowly") == 1


def test_markup_in_names_is_text() -> None:
    Consumable.objects.filter(code=DISC).update(name='<img src=x onerror="alert(1)"> & co')
    content = compose(restock(), NOW)
    assert "<img" not in content.html
    assert "&lt;img src=x" in content.html
    assert '<img src=x onerror="alert(1)"> & co' in content.text


def test_the_pick_list_comes_as_pdf_and_as_csv() -> None:
    files = {file.media_type: file for file in attachments_of(parsed(written()))}
    assert [file.name for file in files.values()] == [
        "pick-list-VAN-1-2026-W48.pdf",
        "pick-list-VAN-1-2026-W48.csv",
    ]
    pages = "".join(
        page.extract_text() for page in PdfReader(BytesIO(files["application/pdf"].content)).pages
    )
    assert DISC in pages
    rows = list(csv.DictReader(StringIO(files["text/csv"].content.decode(), newline="")))
    assert [(row["consumable"], row["quantity"]) for row in rows] == [(COMPOUND, "250"), (DISC, "12")]


# Who gets it.


def test_the_technicians_of_the_van_and_the_shop_get_the_list() -> None:
    StockingTerms.objects.update(restock_emails="depot@example.org; ANN@example.org,\nowner@example.org")
    assert recipients_of(Place.objects.get(code="VAN-1")) == [
        "ann@example.org",
        "depot@example.org",
        "owner@example.org",
    ]


def test_who_may_not_sign_in_any_more_gets_nothing() -> None:
    Person.objects.filter(username="ann").update(is_active=False)
    assert recipients_of(Place.objects.get(code="VAN-1")) == []


@pytest.mark.parametrize(
    "text",
    [
        "depot",
        "depot@",
        "a b@example.org",
        "depot@example.org\n\nBcc: x",
        "höhle@example.org",
        "a@b@c.org",
        "a@-.org",
    ],
)
def test_what_is_no_address_is_refused_by_name(text: str) -> None:
    with pytest.raises(ValidationError, match="is not an e-mail address such as"):
        addresses_in(text)


def test_a_domain_of_other_letters_is_written_in_ascii() -> None:
    assert addresses_in("depot@bücher.example") == ["depot@xn--bcher-kva.example"]


def test_more_recipients_than_a_mailing_list_is_for_are_refused() -> None:
    with pytest.raises(ValidationError, match="51 addresses are more than 50"):
        addresses_in(",".join(f"a{n}@example.org" for n in range(51)))


# How it is written.


def test_a_letter_is_written_once_and_kept_as_it_is() -> None:
    about = restock()
    first = written(about)
    source, message_id = bytes(first.source), first.message_id
    about.lines.update(suggested=1)
    second = written(about)
    assert second.pk == first.pk
    assert bytes(again(second).source) == source
    assert second.message_id == message_id
    assert f"12  {DISC.title()}" in content_of(second).text


def test_headers_are_as_rfc_5322_and_2047_have_them() -> None:
    Shop.objects.update(name="Vitrerie Élan Ærø 玻璃")
    letter = write_letter("k", ["a@example.org", "b@example.org"], plain("Größe: zwölf — 玻璃 " * 9), now=NOW)
    source = bytes(letter.source)
    assert source.isascii()
    assert all(len(line) <= 998 for line in source.split(b"\r\n"))
    assert b"\n" not in source.replace(b"\r\n", b"")
    message = message_from_bytes(source, policy=policy.default)
    assert str(message["From"]) == "Vitrerie Élan Ærø 玻璃 <slurrybook@localhost>"
    assert str(message["To"]) == "a@example.org, b@example.org"
    assert "zwölf — 玻璃" in str(message["Subject"])
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Date"].datetime == NOW
    assert message["Message-ID"] == letter.message_id
    assert message["Message-ID"].endswith("@localhost>")


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\x0b", "\u2028", "\x00"])
def test_nothing_in_a_name_starts_a_header(end: str) -> None:
    # PostgreSQL keeps no NUL in a name; a subject is made clean before it is kept.
    Shop.objects.update(name=f"Ours{end.replace(chr(0), chr(1))}Bcc: evil@example.org")
    letter = write_letter("k", ["a@example.org"], plain(f"Hello{end}Bcc: evil@example.org"), now=NOW)
    message = parsed(letter)
    assert message["Bcc"] is None
    assert message["Subject"] == "Hello Bcc: evil@example.org"
    assert len(message.keys()) == len(set(message.keys()))


def test_long_lines_and_odd_text_come_through() -> None:
    text = "x" * 5000 + "\n.\nFrom here\n\ttab = 100 % ünïcödé 玻璃 \N{ABACUS}\n"
    letter = write_letter("k", ["a@example.org"], plain(text=text), now=NOW)
    assert content_of(letter).text == text
    assert max(map(len, bytes(letter.source).split(b"\r\n"))) <= 78


def test_a_recipient_that_is_no_address_is_refused() -> None:
    with pytest.raises(ValidationError):
        write_letter("k", ["a@example.org\r\nRCPT TO:<evil@example.org>"], plain(), now=NOW)
    assert Letter.objects.count() == 0


# How it is sent.


def test_a_letter_arrives_as_it_was_written_once(mailbox: Mailbox) -> None:
    StockingTerms.objects.update(restock_emails="depot@example.org")
    letter = written()
    assert letters_wait(NOW)
    (sent,) = send_due_letters(NOW)
    assert (sent.state, sent.sent_at, sent.error, sent.token) == (LetterState.SENT, NOW, "", "")
    assert send_due_letters(NOW + timedelta(days=30)) == []
    assert not letters_wait(NOW + timedelta(days=30))
    ((recipients, content),) = mailbox.taken
    assert recipients == ["ann@example.org", "depot@example.org"]
    assert content.rstrip(b"\r\n") == bytes(letter.source).rstrip(b"\r\n")


def test_several_letters_go_out_in_the_order_in_which_they_were_written(mailbox: Mailbox) -> None:
    for number in range(3):
        write_letter(
            str(number), ["a@example.org"], plain(f"No {number}"), now=NOW + timedelta(seconds=number)
        )
    send_due_letters(NOW)
    assert [message["Subject"] for message in mailbox.messages()] == ["No 0", "No 1", "No 2"]


def test_a_letter_to_nobody_is_kept_and_not_sent(mailbox: Mailbox) -> None:
    Technician.objects.update(person=None)
    letter = written()
    assert letter.state == LetterState.NO_RECIPIENT
    assert send_due_letters(NOW) == []
    assert mailbox.taken == []


def test_a_server_that_cannot_now_is_asked_again_after_pauses_that_double(mailbox: Mailbox) -> None:
    mailbox.data_replies = ["451 try later"] * 3
    letter = written()
    moment, pauses = NOW, []
    for _ in range(3):
        (tried,) = send_due_letters(moment)
        assert tried.state == LetterState.WAITING
        assert tried.error == "ann@example.org: 451 try later"
        assert tried.not_before is not None
        pauses.append((tried.not_before - moment) / timedelta(minutes=1))
        assert send_due_letters(tried.not_before - timedelta(seconds=1)) == []
        moment = tried.not_before
    assert pauses == [1, 2, 4]
    (sent,) = send_due_letters(moment)
    assert sent.state == LetterState.SENT
    assert again(letter).error == ""
    assert list(mailbox.copies().values()) == [1]


def test_no_server_at_all_is_a_matter_of_time_until_it_is_given_up() -> None:
    letter = written()
    moment, tried = NOW, 0
    with override_settings(
        EMAIL_BACKEND=SMTP, EMAIL_HOST="127.0.0.1", EMAIL_PORT=free_port(), EMAIL_TIMEOUT=5
    ):
        while send_due_letters(moment):
            tried += 1
            moment = again(letter).not_before or moment
    assert tried == MOST_ATTEMPTS
    assert letter.state == LetterState.FAILED
    assert "the mail server could not be used" in letter.error
    assert timedelta(hours=12) < moment - NOW < timedelta(hours=24)


def test_a_refusal_for_good_is_not_tried_again_and_keeps_the_server_s_words(mailbox: Mailbox) -> None:
    mailbox.data_replies = ["554 5.7.1 looks like spam"]
    written()
    (tried,) = send_due_letters(NOW)
    assert tried.state == LetterState.FAILED
    assert tried.error == "ann@example.org: 554 5.7.1 looks like spam"
    assert tried.sent_at is None
    assert send_due_letters(NOW + timedelta(days=1)) == []


def test_all_recipients_refused_for_good(mailbox: Mailbox) -> None:
    mailbox.refusals["ann@example.org"] = ["550 5.1.1 no such person"]
    written()
    (tried,) = send_due_letters(NOW)
    assert (tried.state, tried.error) == (LetterState.FAILED, "ann@example.org: 550 5.1.1 no such person")
    assert mailbox.taken == []


def test_a_recipient_refused_for_good_is_named_and_the_others_get_it_once(mailbox: Mailbox) -> None:
    mailbox.refusals["gone@example.org"] = ["550 no such person"]
    written(to=["ann@example.org", "gone@example.org"])
    (tried,) = send_due_letters(NOW)
    assert tried.state == LetterState.FAILED
    assert tried.error == "gone@example.org: 550 no such person"
    assert tried.accepted == ["ann@example.org"]
    assert tried.sent_at == NOW
    assert send_due_letters(NOW + timedelta(days=1)) == []
    assert [recipients for recipients, _ in mailbox.taken] == [["ann@example.org"]]


def test_a_recipient_refused_for_now_is_asked_again_and_the_others_are_left_alone(mailbox: Mailbox) -> None:
    mailbox.refusals["slow@example.org"] = ["450 greylisted"]
    written(to=["ann@example.org", "slow@example.org"])
    (first,) = send_due_letters(NOW)
    assert (first.state, first.error) == (LetterState.WAITING, "slow@example.org: 450 greylisted")
    (second,) = send_due_letters(NOW + timedelta(minutes=1))
    assert (second.state, second.error) == (LetterState.SENT, "")
    assert second.accepted == ["ann@example.org", "slow@example.org"]
    assert [recipients for recipients, _ in mailbox.taken] == [["ann@example.org"], ["slow@example.org"]]


def test_what_another_is_sending_is_left_to_it_until_it_is_silent(mailbox: Mailbox) -> None:
    letter = written()
    Letter.objects.update(state=LetterState.SENDING, token=ANOTHER, alive_at=NOW)
    assert send_due_letters(NOW + timedelta(seconds=80)) == []
    (sent,) = send_due_letters(NOW + timedelta(seconds=91))
    assert sent.state == LetterState.SENT
    assert mailbox.copies() == {letter.message_id: 1}


def test_who_lost_a_letter_to_another_writes_nothing(
    mailbox: Mailbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    letter = written()
    hand_over = MailServer.hand_over

    def taken_over(server: Any, source: bytes, to: Any) -> Any:
        Letter.objects.update(token=ANOTHER)
        return hand_over(server, source, to)

    monkeypatch.setattr(MailServer, "hand_over", taken_over)
    assert send_due_letters(NOW) == []
    assert again(letter).state == LetterState.SENDING
    assert letter.token == ANOTHER


def test_without_a_mail_server_letters_go_to_what_stands_in_for_one() -> None:
    letter = written()
    (sent,) = send_due_letters(NOW)
    assert sent.state == LetterState.SENT
    (message,) = mail.outbox
    assert message.to == ["ann@example.org"]
    assert message.message()["Message-ID"] == letter.message_id


def test_a_wrong_password_of_the_mail_account_is_no_fault_of_the_letter(
    mailbox: Mailbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: Any) -> None:
        raise smtplib.SMTPAuthenticationError(535, b"wrong password")

    monkeypatch.setattr("django.core.mail.backends.smtp.EmailBackend.open", refused)
    written()
    (tried,) = send_due_letters(NOW)
    assert tried.state == LetterState.WAITING
    assert "535 wrong password" in tried.error


# The pages.


@pytest.fixture
def sue(client: Client) -> Client:
    """Sign the storekeeper in."""
    client.force_login(Person.objects.create(username="sue", role=Role.STOREKEEPER))
    return client


def test_the_list_of_no_letters_says_when_one_comes(sue: Client) -> None:
    assert "No letter was written yet" in sue.get("/letters/").content.decode()


def test_the_list_shows_where_letters_stand_and_how_many_need_a_hand(sue: Client) -> None:
    written(to=[])
    write_letter("other", ["a@example.org"], plain("Another"), now=NOW)
    page = sue.get("/letters/").content.decode()
    assert "1 letter could not be delivered to everyone" in page
    assert "no recipient" in page
    only = sue.get("/letters/?state=waiting").content.decode()
    assert "Another" in only
    assert "VAN-1" not in only
    assert "No letter matches" in sue.get("/letters/?state=sent").content.decode()
    assert sue.get("/letters/?state=nonsense&page=99").status_code == 200


def test_a_letter_is_shown_with_the_server_s_words_and_its_files(sue: Client) -> None:
    letter = written()
    Letter.objects.update(state=LetterState.FAILED, error="ann@example.org: 550 <b>no</b>")
    page = sue.get(f"/letters/{letter.pk}/").content.decode()
    assert "550 &lt;b&gt;no&lt;/b&gt;" in page
    assert "with 6 on board, 12 are missing." in page
    pdf = sue.get(f"/letters/{letter.pk}/attachments/1/")
    assert pdf["Content-Type"] == "application/pdf"
    assert pdf["Content-Disposition"] == 'attachment; filename="pick-list-VAN-1-2026-W48.pdf"'
    assert pdf.content.startswith(b"%PDF")
    assert sue.get(f"/letters/{letter.pk}/attachments/3/").status_code == 404
    assert sue.get(f"/letters/{letter.pk}/attachments/0/").status_code == 404
    assert sue.get(f"/letters/{letter.pk}/source/").content == bytes(letter.source)
    assert sue.get("/letters/999/").status_code == 404


def test_a_letter_is_sent_once_more_to_whom_it_is_asked_for(sue: Client, mailbox: Mailbox) -> None:
    letter = written(to=[])
    form = sue.get(f"/letters/{letter.pk}/again/")
    assert "ann@example.org" in form.content.decode()
    answer = sue.post(f"/letters/{letter.pk}/again/", {"to": "bo@example.org\nann@example.org", "number": 1})
    made = Letter.objects.get(resends=letter)
    assert answer["Location"] == f"/letters/{made.pk}/"
    # A second click on the same form.
    sue.post(f"/letters/{letter.pk}/again/", {"to": "bo@example.org\nann@example.org", "number": 1})
    send_due_letters(NOW + timedelta(days=365 * 10))
    assert len(mailbox.taken) == 1
    (message,) = mailbox.messages()
    assert message["Message-ID"] == made.message_id != letter.message_id
    assert message["Subject"] == letter.subject
    assert [file.name for file in attachments_of(message)] == [
        "pick-list-VAN-1-2026-W48.pdf",
        "pick-list-VAN-1-2026-W48.csv",
    ]
    assert made.asked_by == "sue"
    page = sue.get("/letters/").content.decode()
    assert "could not be delivered" not in page


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"to": "", "number": 1}, "Give at least one address."),
        ({"to": " , ", "number": 1}, "Give at least one address."),
        ({"to": "nobody", "number": 1}, "is not an e-mail address"),
    ],
)
def test_a_bad_address_to_send_to_is_explained(sue: Client, form: dict[str, Any], said: str) -> None:
    letter = written(to=[])
    answer = sue.post(f"/letters/{letter.pk}/again/", form)
    assert answer.status_code == 400
    assert said in answer.content.decode()
    assert Letter.objects.count() == 1


def test_a_number_that_no_form_gave_is_refused(sue: Client) -> None:
    letter = written(to=[])
    assert sue.post(f"/letters/{letter.pk}/again/", {"to": "a@example.org", "number": 7}).status_code == 404
    assert sue.post(f"/letters/{letter.pk}/again/", {"to": "a@example.org", "number": 0}).status_code == 400
    assert Letter.objects.count() == 1


def test_a_letter_on_its_way_is_not_sent_once_more(sue: Client) -> None:
    letter = written()
    answer = sue.post(f"/letters/{letter.pk}/again/", {"to": "a@example.org", "number": 1})
    assert answer["Location"] == f"/letters/{letter.pk}/"
    assert Letter.objects.count() == 1


def test_when_letters_go_out_and_to_whom_is_set_on_a_page(sue: Client) -> None:
    page = sue.get("/letters/settings/").content.decode()
    assert "ann@example.org" in page
    assert "nobody" in page
    answer = sue.post(
        "/letters/settings/",
        {"letter_weekday": 3, "letter_time": "05:30", "restock_emails": "depot@example.org, bo@example.org"},
    )
    assert answer["Location"] == "/letters/settings/"
    terms = StockingTerms.objects.get()
    assert (terms.letter_weekday, f"{terms.letter_time:%H:%M}") == (3, "05:30")
    assert recipients_of(Place.objects.get(code="VAN-2")) == ["depot@example.org", "bo@example.org"]


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("letter_weekday", "8", "less than or equal to 7"),
        ("letter_time", "25:00", "valid time"),
        ("letter_time", "", "required"),
        ("restock_emails", "depot@example.org, nowhere", "&#x27;nowhere&#x27; is not an e-mail address"),
    ],
)
def test_bad_letter_settings_are_refused_with_the_reason(
    sue: Client, field: str, value: str, said: str
) -> None:
    good = {"letter_weekday": 3, "letter_time": "05:30", "restock_emails": ""}
    answer = sue.post("/letters/settings/", {**good, field: value})
    assert answer.status_code == 400
    assert said in answer.content.decode()
    assert StockingTerms.objects.get().letter_weekday == 1


def test_pages_take_as_many_queries_for_much_as_for_little(sue: Client) -> None:
    def queries() -> list[int]:
        counts = []
        for path in ("/letters/", "/letters/settings/"):
            with CaptureQueriesContext(connection) as captured:
                assert sue.get(path).status_code == 200
            counts.append(len(captured))
        return counts

    written()
    few = queries()
    for number in range(20):
        write_letter(str(number), ["a@example.org"], plain(), now=NOW)
        Place.objects.create(code=f"VAN-{number + 3}", kind=PlaceKind.VAN)
    assert queries() == few
