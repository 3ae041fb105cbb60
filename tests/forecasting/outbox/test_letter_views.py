"""The pages of letters: the list, one letter, sending it once more, and when letters go out."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from forecasting.models import Letter, LetterState, StockingTerms
from forecasting.outbox.delivery import send_due_letters
from forecasting.outbox.messages import attachments_of, write_letter
from forecasting.outbox.weekly_list import recipients_of
from inventory.models import Place, PlaceKind
from shop.models import Person, Role
from tests.forecasting.outbox.letters import plain, written
from tests.forecasting.restock_world import (
    NOW,
)
from tests.servers import Mailbox

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 23)


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
