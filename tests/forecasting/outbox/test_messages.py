"""What letters say, who gets them, and how they are written."""

import csv
from datetime import date, timedelta
from email import message_from_bytes, policy
from io import BytesIO, StringIO

import pytest
from django.core.exceptions import ValidationError
from pypdf import PdfReader

from forecasting.email_addresses import addresses_in
from forecasting.models import Letter, RestockStatus, StockingTerms
from forecasting.outbox.messages import attachments_of, content_of, parsed, write_letter
from forecasting.outbox.weekly_list import compose, recipients_of
from inventory.models import Consumable, Place
from shop.models import Person, Shop
from tests.forecasting.outbox.letters import again, plain, written
from tests.forecasting.restock_world import (
    NOW,
    book_on_van,
    receive_lot,
    restock,
)
from tests.shop.world import COMPOUND, DISC

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 23)
ANOTHER = "another worker"
SMTP = "django.core.mail.backends.smtp.EmailBackend"


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
