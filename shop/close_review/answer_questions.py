"""Answers to the questions that closes raise: the answer, by whom, when."""

from datetime import datetime

from django.db.models import QuerySet

from inventory.documents import free_text_problem
from shop.models import Finding, Person

LONGEST_ANSWER = 300


class AnswerError(ValueError):
    """An answer that cannot be kept, with the reason."""


class AnsweredAlready(AnswerError):
    """An answer to a question that has another one."""


def standing_questions() -> QuerySet[Finding]:
    """Return the questions about valid closes; an undone close needs no answer."""
    return Finding.objects.filter(document__corrected_by__isnull=True)


def answer(finding: Finding, text: str, *, by: Person, now: datetime) -> None:
    """Keep an answer; another one takes its place. Raises AnswerError when it says nothing."""
    text = _sound(text)
    if finding.answered_at is not None and text == finding.answer:
        return
    finding.answer, finding.answered_at, finding.answered_by = text, now, by.get_username()
    finding.save(update_fields=["answer", "answered_at", "answered_by"])


def answer_first(finding: Finding, text: str, *, by: Person, now: datetime) -> None:
    """Keep an answer where there is none; the same again by the same person changes nothing.

    An answer from a phone may come hours late, so it never takes the place of another. Raises AnswerError
    when it says nothing, AnsweredAlready when there is another answer.
    """
    text = _sound(text)
    open_ = Finding.objects.filter(pk=finding.pk, answered_at__isnull=True)
    open_.update(answer=text, answered_at=now, answered_by=by.get_username())
    finding.refresh_from_db(fields=["answer", "answered_at", "answered_by"])
    if (finding.answer, finding.answered_by) != (text, by.get_username()):
        raise AnsweredAlready(
            f"{finding.answered_by} has answered this already: {finding.answer} An owner can change it."
        )


def _sound(text: str) -> str:
    text = text.strip()
    if not text:
        raise AnswerError("Say what was found out, or that it was so.")
    if len(text) > LONGEST_ANSWER:
        raise AnswerError(f"This is {len(text)} characters; at most {LONGEST_ANSWER} are kept.")
    if found := free_text_problem(text):
        raise AnswerError(f"The answer {found}.")
    return text
