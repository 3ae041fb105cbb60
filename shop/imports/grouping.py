"""Rows gathered into documents by their reference, and posted; the rows need not stand together."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Generic, TypeVar

from inventory import documents, ledger
from inventory.ledger import Conflict, Refused
from inventory.models import Document
from shop.common.chunks import chunks
from shop.common.text import counted, shortened
from shop.imports.context import Context, ImportSummary
from shop.imports.csv_reader import Fault, Record
from shop.imports.differences import differences, in_posted_order

LineT = TypeVar("LineT")
DocumentT = TypeVar("DocumentT", documents.Receipt, documents.Transfer, documents.Count)


@dataclass(slots=True)
class Group(Generic[LineT]):
    """The rows of one reference: the cells they must agree on, and each row's file line with what it adds."""

    header: dict[str, Any]
    rows: list[tuple[int, LineT]]


class Groups(Generic[LineT]):
    """The documents of a file, by reference."""

    def __init__(self, reference_column: str) -> None:
        self.reference_column = reference_column
        self.groups: dict[str, Group[LineT]] = {}

    def add(self, record: Record, reference: str, header: dict[str, Any], line: LineT) -> None:
        """Take in a valid record; note where it contradicts the first row of its reference."""
        group = self.groups.get(reference)
        if group is None:
            self.groups[reference] = Group(header, [(record.line, line)])
            return
        for column, value in header.items():
            if value != group.header[column]:
                record.fault(
                    column,
                    f"differs from line {group.rows[0][0]}, which has the same {self.reference_column}; "
                    "all its rows must agree",
                )
        group.rows.append((record.line, line))


def post(
    batch: Iterable[DocumentT], groups: Groups[Any], columns: Mapping[str, str], context: Context, what: str
) -> ImportSummary:
    """Post the documents of a file. `columns` gives the file's column of each field named otherwise."""
    batch = _as_posted(sorted(batch, key=lambda document: document.occurred_at), groups)
    summary = ImportSummary(what)
    try:
        with context.bar(f"posting {what}", len(batch)) as progress:
            postings = ledger.post_many(batch, by=context.by, now=context.now, progress=progress)
    except Refused as refused:
        context.faults.extend(_faults(refused, batch, groups, columns))
        return summary
    summary.new = sum(posting.created for posting in postings)
    summary.already = len(postings) - summary.new
    for document, posting in zip(batch, postings, strict=True):
        if posting.created:
            summary.flagged.add(document.id, posting.flags)
    return summary


def _as_posted(batch: Sequence[DocumentT], groups: Groups[Any]) -> list[DocumentT]:
    """Return the documents, those posted earlier with their rows in the order posted.

    The order of a file does not matter; only a new document takes its order from it.
    """
    documents_ = []
    for part in chunks(batch):
        ids = [document.id for document in part]
        rows = Document.objects.filter(kind=part[0].kind, client_id__in=ids)
        posted = dict(rows.values_list("client_id", "content"))
        for document in part:
            if document.id in posted:
                given = documents.content(document)["lines"]
                order = in_posted_order(given, posted[document.id]["lines"])
                group = groups.groups[document.id]
                group.rows = [group.rows[position] for position in order]
                lines = tuple(line for _, line in group.rows)
                documents_.append(replace(document, lines=lines))
            else:
                documents_.append(document)
    return documents_


def _faults(
    refused: Refused, batch: list[DocumentT], groups: Groups[Any], columns: Mapping[str, str]
) -> list[Fault]:
    """Return what the ledger refused by the lines of the file."""
    faults = []
    sent = {document.id: document for document in batch}
    for document, problem in refused.problems:
        lines = [line for line, _ in groups.groups[document.id].rows]
        if isinstance(refused, Conflict):
            faults += _conflict_faults(sent[document.id], lines, groups.reference_column, columns)
            continue
        line = lines[problem.line - 1] if problem.line else lines[0]
        column = (
            groups.reference_column if problem.field == "id" else columns.get(problem.field, problem.field)
        )
        faults.append(Fault(line, column, str(problem.value), problem.expected))
    return faults


def _conflict_faults(
    document: documents.Document, lines: list[int], reference_column: str, columns: Mapping[str, str]
) -> list[Fault]:
    """Return the cells in which a document differs from the one posted under its reference."""
    posted = Document.objects.get(kind=document.kind, client_id=document.id).content
    name = f"{reference_column} {document.id}"
    faults = []
    for difference in differences(documents.content(document), posted):
        if difference.field == "lines":
            rows = counted(int(difference.given), "row")
            message = f"has {rows} here, but was posted with {difference.posted}; {_REMEDY}"
            faults.append(Fault(lines[0], reference_column, document.id, message))
        else:
            line = lines[0] if difference.line is None else lines[difference.line]
            column = columns.get(difference.field, difference.field)
            message = f"was posted as {shortened(difference.posted)} with {name}; {_REMEDY}"
            faults.append(Fault(line, column, difference.given, message))
    return faults


_REMEDY = "undo the posted one with a correction and give this one a reference of its own"
