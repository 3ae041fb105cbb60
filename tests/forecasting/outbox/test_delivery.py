"""How letters are sent: once, again when the server cannot now, never to nobody."""

import smtplib
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail
from django.test import override_settings

from forecasting.models import Letter, LetterState, StockingTerms
from forecasting.outbox.delivery import MOST_ATTEMPTS, letters_wait, send_due_letters
from forecasting.outbox.messages import write_letter
from forecasting.outbox.smtp import MailServer
from shop.models import Technician
from tests.forecasting.outbox.letters import again, plain, written
from tests.forecasting.restock_world import (
    NOW,
)
from tests.servers import Mailbox, free_port

pytestmark = pytest.mark.django_db
ANOTHER = "another worker"
SMTP = "django.core.mail.backends.smtp.EmailBackend"


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
