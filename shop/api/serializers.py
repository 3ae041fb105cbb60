"""The shape of documents in JSON, one serializer per kind.

They only turn a body into the plain values of inventory.documents and shop.jobs.close_data, and name every
field that is missing, misspelt or of the wrong type. The documents, and the functions that post them, check
the values.
"""

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar, cast

from django.utils import timezone
from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from inventory import documents
from inventory.documents import Problem
from inventory.ledger import flags
from shop.api.fields import FlagField, NumberField, TextField, TimestampField
from shop.api.problems import Malformed
from shop.common.job_content import as_sent
from shop.jobs import close_data

WHOLE = "non_field_errors"
LIST_MESSAGES: dict[str, Any] = {
    "not_a_list": "is not a list",
    "required": "is missing; give it",
    "null": "is null",
}


class ShapeSerializer(serializers.Serializer[Any]):
    """Fields in, a plain value of the class `makes` out; unknown fields are refused by name."""

    makes: ClassVar[type[Any]]
    default_error_messages = {"invalid": "is not an object with fields", "null": "is null"}

    def to_internal_value(self, data: Any) -> Any:
        """Return the fields as a dictionary of plain values."""
        errors: dict[str, Any] = {}
        values: dict[str, Any] = {}
        try:
            values = super().to_internal_value(data)
        except ValidationError as error:
            errors = dict(error.detail) if isinstance(error.detail, dict) else {WHOLE: error.detail}
        if isinstance(data, Mapping):
            known = ", ".join(self.fields)
            errors |= {
                name: [f"is not a field here; known are {known}"] for name in data if name not in self.fields
            }
        if errors:
            raise ValidationError(errors)
        return values

    def with_lines(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return values with nested lines turned into what they make."""
        made = dict(values)
        for name, field in self.fields.items():
            if isinstance(field, serializers.ListSerializer) and name in made:
                line_class = cast("ShapeSerializer", field.child).makes
                made[name] = tuple(line_class(**line) for line in made[name])
        return made


class LineSerializer(ShapeSerializer):
    """A quantity of one consumable, in its stock unit."""

    makes: ClassVar[type[Any]] = documents.StockLine
    consumable = TextField()
    quantity = NumberField()


class ReceiptLineSerializer(LineSerializer):
    """A delivered quantity and what the supplier charged for the whole line."""

    makes = documents.ReceiptLine
    cost = NumberField(help_text="of the whole line, net of tax")
    lot = TextField(required=False)
    expires_on = TextField(required=False, help_text="a day such as 2026-12-31")


class CountLineSerializer(LineSerializer):
    """The counted quantity of one consumable at one place."""

    makes = documents.CountedLine
    place = TextField()


class UsedLineSerializer(LineSerializer):
    """What a job took of one consumable, the minutes worked with it, and how many were spoilt."""

    makes = close_data.UsedLine
    minutes = NumberField(required=False)
    spoilt = NumberField(required=False, help_text="the part of the quantity that was spoilt")
    spoilt_reason = TextField(required=False)


class CloseSerializer(ShapeSerializer):
    """How a job ended and what it took.

    A length, callback, primary view, damage or note that is left out stays as it was booked; one that is
    null, false or empty is cleared.
    """

    makes = close_data.JobClose
    job = TextField()
    van = TextField()
    technician = TextField()
    closed_at = TimestampField()
    job_type = TextField()
    damage_type = TextField()
    glass = TextField()
    price = NumberField(help_text="net of tax and discount")
    labour_minutes = NumberField()
    travel_minutes = NumberField()
    outcome = TextField(help_text=", ".join(close_data.OUTCOMES))
    length_mm = NumberField(required=False, allow_null=True)
    callback_of = TextField(required=False, help_text="the job that this one repeats")
    uses = UsedLineSerializer(many=True, required=False, error_messages=LIST_MESSAGES)
    in_primary_view = FlagField(
        required=False,
        help_text="in the driver's primary viewing area, where repair may be forbidden: "
        "defer to local rules and the vehicle maker",
    )
    existing_damage = TextField(required=False)
    note = TextField(required=False)

    def with_lines(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return the close's values, and the facts that it clears; one that is left out is not cleared."""
        cleared = [
            name for name, nothing in close_data.CLEARED.items() if values.get(name, close_data) == nothing
        ]
        return {**super().with_lines(values), "cleared": tuple(cleared)}


class UseSerializer(ShapeSerializer):
    """Further consumables of a job that is closed already."""

    makes = close_data.JobUses
    job = TextField()
    lines = UsedLineSerializer(many=True, error_messages=LIST_MESSAGES)


class ReceiptSerializer(ShapeSerializer):
    """A delivery; freight, duty and discount are shared over its lines."""

    makes = documents.Receipt
    occurred_at = TimestampField()
    supplier = TextField()
    place = TextField()
    lines = ReceiptLineSerializer(many=True, error_messages=LIST_MESSAGES)
    freight = NumberField(required=False)
    duty = NumberField(required=False)
    discount = NumberField(required=False)
    share_by = TextField(required=False, help_text="value or quantity")
    note = TextField(required=False)


class TransferSerializer(ShapeSerializer):
    """Stock carried from one place to another."""

    makes = documents.Transfer
    occurred_at = TimestampField()
    source = TextField()  # type: ignore[assignment] # declared fields are taken off the class
    destination = TextField()
    lines = LineSerializer(many=True, error_messages=LIST_MESSAGES)
    note = TextField(required=False)


class ReturnSerializer(ShapeSerializer):
    """Unused consumables of a close or use coming back into stock."""

    makes = documents.Return
    occurred_at = TimestampField()
    place = TextField()
    returns_kind = TextField(help_text="close or use")
    returns_id = TextField()
    lines = LineSerializer(many=True, error_messages=LIST_MESSAGES)
    note = TextField(required=False)


class CountSerializer(ShapeSerializer):
    """A blind count: what was found, whatever the book says."""

    makes = documents.Count
    occurred_at = TimestampField()
    lines = CountLineSerializer(many=True, error_messages=LIST_MESSAGES)
    note = TextField(required=False)


class ScrapSerializer(ShapeSerializer):
    """Scrapped stock."""

    makes = documents.Scrap
    occurred_at = TimestampField()
    place = TextField()
    reason = TextField()
    lines = LineSerializer(many=True, error_messages=LIST_MESSAGES)


class CorrectionSerializer(ShapeSerializer):
    """Undoes one earlier document as a whole."""

    makes = documents.Correction
    occurred_at = TimestampField()
    corrects_kind = TextField()
    corrects_id = TextField()
    reason = TextField()


class PostedSerializer(serializers.Serializer[Any]):
    """The result of posting a document: when it counts, its flags and its questions."""

    kind = serializers.CharField()
    id = serializers.CharField(
        help_text="of the posted document; another one's when the job was closed before"
    )
    posted_at = serializers.DateTimeField(help_text="later than it happened when that period was locked")
    flags = serializers.ListField(child=serializers.CharField())
    findings = serializers.ListField(
        child=serializers.CharField(), help_text="questions that the close raised"
    )
    created = serializers.BooleanField(help_text="false: it was posted before; this is its first result")


class SentField(serializers.DictField):
    """What was sent; closes and uses keep it beside the lines that they took from stock."""

    def to_representation(self, document: Any) -> dict[str, Any]:
        """Return the fields as they were sent, with all defaults filled in."""
        return as_sent(document.content)


class MessagesField(serializers.ListField):
    """The messages of findings."""

    child = serializers.CharField()

    def to_representation(self, findings: Any) -> list[str]:
        """Return the messages; the findings are read for all documents of a list at once."""
        return [finding.message for finding in findings.all()]


class FlagsField(serializers.ListField):
    """The flags of a document, with the day by the shop's clocks where a flag names another."""

    child = serializers.CharField()

    def to_representation(self, document: Any) -> list[str]:
        """Return the flags; the current zone is the shop's (shop.web.time_zone_middleware)."""
        shown = flags.as_shown(
            document.flags,
            occurred_at=document.occurred_at,
            posted_at=document.posted_at,
            zone=timezone.get_current_timezone(),
        )
        return list(shown)


class RecordedSerializer(serializers.Serializer[Any]):
    """A document as it was recorded."""

    kind = serializers.CharField()
    id = serializers.CharField(source="client_id")
    content = SentField(source="*", help_text="what was sent, with all defaults filled in")
    occurred_at = serializers.DateTimeField()
    posted_at = serializers.DateTimeField()
    recorded_at = serializers.DateTimeField()
    recorded_by = serializers.CharField()
    flags = FlagsField(source="*")
    findings = MessagesField()
    corrected_by = serializers.CharField(
        source="corrected_by.client_id", allow_null=True, help_text="id of the correction that undid it"
    )


def read_document(shape: type[ShapeSerializer], client_id: str, body: Any) -> Any:
    """Return the document that a body describes. Raises Malformed with every invalid field."""
    serializer = shape(data=body)
    if not serializer.is_valid():
        raise Malformed(list(_problems(serializer.errors, body)))
    return shape.makes(id=client_id, **serializer.with_lines(serializer.validated_data))


def read_values(shape: type[ShapeSerializer], body: Any, *, same: Mapping[str, str]) -> dict[str, Any]:
    """Return the values of a body for the record in an address. Raises Malformed with every invalid field.

    The body may repeat what the address says (`same`), but not contradict it.
    """
    serializer = shape(data=body)
    problems = [] if serializer.is_valid() else list(_problems(serializer.errors, body))
    if isinstance(body, Mapping):
        problems += [
            Problem(name, body[name], f"is not {value}, as the address says; leave it out")
            for name, value in same.items()
            if name in body and body[name] != value
        ]
    if problems:
        raise Malformed(problems)
    return dict(serializer.validated_data)


def _problems(errors: Any, body: Any, name: str = "body", line: int | None = None) -> Iterator[Problem]:
    """Yield the errors of the framework as problems with their values.

    `errors` are texts about the value itself, or errors by field, or by index of a list.
    """
    if not isinstance(errors, Mapping):
        yield from (Problem(name, body, str(text), line) for text in errors)
        return
    for key, found in errors.items():
        if key == WHOLE:
            yield from _problems(found, body, name, line)
        elif isinstance(key, int):
            yield from _problems(found, body[key], "line", key + 1)
        else:
            value = body.get(key) if isinstance(body, Mapping) else None
            yield from _problems(found, value, key, line)
