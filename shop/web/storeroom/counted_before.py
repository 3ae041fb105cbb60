"""The question whether stock entered late was on the shelf when its place was counted, and the answer."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from django.utils import timezone

from inventory import documents
from inventory.ledger.late_arrivals import Overtaken, Seen, overtaken
from inventory.models import Consumable
from shop.common.text import exact

FIELD = "counted"
NEVER = "never"
BY = "by:"


@dataclass(frozen=True, slots=True)
class CountQuestion:
    """What to ask: the sentence, what would count as lost, and (value, label) of each answer."""

    text: str
    lost: tuple[str, ...]
    answers: tuple[tuple[str, str], ...]

    def answer(self, said: Mapping[str, str]) -> Seen | None:
        """Return the answer that a form holds; None when there is none, or not one of these."""
        value = said.get(FIELD, "")
        if value not in dict(self.answers):
            return None
        return Seen(None if value == NEVER else value.removeprefix(BY))


def count_question(document: documents.Document) -> CountQuestion | None:
    """Return what to ask before a document is posted, or None."""
    found = overtaken(document)
    if found is None:
        return None
    names = {row.code: row for row in Consumable.objects.filter(code__in=found.lost)}
    return CountQuestion(
        text=(
            f"{found.place} was counted on {_when(found, 0)}, after this came, and the count did not find "
            "it. Was it on the shelf then?"
        ),
        lost=tuple(
            f"{names[code].name}: {exact(quantity)} {names[code].stock_unit}"
            for code, quantity in found.lost.items()
        ),
        answers=tuple(_answers(found)),
    )


def _answers(found: Overtaken) -> Iterator[tuple[str, str]]:
    for place, count in enumerate(found.counts):
        label = f"Not yet, but when it was counted on {_when(found, place)}. Earlier counts are corrected."
        if place == 0:
            label = "Yes, it was there and was counted. What the count did not find is lost."
        yield f"{BY}{count.client_id}", label
    which = "the count is" if len(found.counts) == 1 else "all counts since then are"
    yield NEVER, f"No, it was not counted. Post it; {which} corrected, so that the stock has it."


def _when(found: Overtaken, place: int) -> str:
    count = found.counts[place]
    return f"{timezone.localtime(count.occurred_at):%Y-%m-%d %H:%M} ({count.client_id})"
