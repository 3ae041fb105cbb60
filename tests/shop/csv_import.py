"""Files written and imported as a person would, and what the books say afterwards."""

from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from inventory.models import Holding, Movement, MovementValue

HEADERS = {
    "consumables": "code,name,kind,stock_unit,grade,life_minutes,shelf_life_days",
    "receipts": "receipt,received_at,supplier,place,consumable,quantity,line_cost,freight",
    "transfers": "transfer,moved_at,source,destination,consumable,quantity",
    "jobs": "job,van,technician,closed_at,job_type,damage_type,glass,length_mm,price,labour_minutes,"
    "travel_minutes,outcome,callback_of",
    "uses": "job,consumable,quantity,minutes",
    "counts": "count,counted_at,place,consumable,quantity",
}
CONSUMABLES = (
    "D-P240,Disc,counted,each,P240,,",
    "COMPOUND,Polishing compound,measured,ml,,,365",
    "PAD,Soft pad,worn,each,,600,",
)
JOB = "J1,VAN-1,ANA,2026-03-02T10:00:00,windscreen,scratch,laminated,120,250.00,90,20,removed,"
RECEIPT = "R1,2026-03-01,ACME,VAN-1,D-P240,100,50.00,5.00"


class Imports:
    """Imports texts through the command; `out` and `err` hold what the last one printed."""

    def __init__(self, folder: Path, capsys: Any) -> None:
        self.path = folder / "file.csv"
        self.capsys = capsys
        self.out = self.err = ""

    def __call__(self, kind: str, *rows: str, flags: tuple[str, ...] = ("--create-missing",)) -> str:
        """Import rows under the header of their kind; return what was printed. Raises CommandError."""
        text = "".join(f"{line}\n" for line in (HEADERS[kind], *rows))
        return self.content(kind, text.encode(), flags=flags)

    def content(self, kind: str, content: bytes, *, flags: tuple[str, ...] = ("--create-missing",)) -> str:
        """Import the bytes of a whole file."""
        self.path.write_bytes(content)
        self.capsys.readouterr()
        try:
            call_command("import_csv", kind, str(self.path), *flags)
        finally:
            self.out, self.err = self.capsys.readouterr()
        return self.out

    def faults(self, kind: str, *rows: str, flags: tuple[str, ...] = ("--create-missing",)) -> list[str]:
        """Return what a refused import printed, a line for each fault, without the file's name."""
        text = "".join(f"{line}\n" for line in (HEADERS[kind], *rows))
        return self.content_faults(kind, text.encode(), flags=flags)

    def content_faults(
        self, kind: str, content: bytes, *, flags: tuple[str, ...] = ("--create-missing",)
    ) -> list[str]:
        """Return what refusing the bytes of a whole file printed."""
        before = books()
        with pytest.raises(CommandError, match="nothing was written"):
            self.content(kind, content, flags=flags)
        assert books() == before
        return [line.removeprefix(f"{self.path}: ") for line in self.err.splitlines()]


def books() -> dict[str, object]:
    """Return every value and holding by codes: equal books give equal answers whatever their row ids."""
    values: dict[tuple[str, ...], list[Any]] = {}
    rows = MovementValue.objects.values_list(
        "movement__document__kind",
        "movement__document__client_id",
        "movement__line",
        "movement__consumable__code",
        "movement__source__code",
        "movement__destination__code",
        "movement__posted_at",
        "movement__quantity",
        "value",
    )
    # A count that was corrected by late documents has several movements each way; what they net to counts.
    for *document, line, consumable, source, destination, posted_at, quantity, value in rows:
        backwards = destination == "lost"
        places = (destination, source) if backwards else (source, destination)
        key = (*document, str(line), consumable, *places, posted_at.isoformat())
        signed = (-quantity, -value) if backwards else (quantity, value)
        net = values.setdefault(key, [0, 0])
        net[0] += signed[0]
        net[1] += signed[1]
    return {
        "values": {key: tuple(net) for key, net in values.items() if net != [0, 0]},
        "holdings": {
            (place, consumable): quantity
            for place, consumable, quantity in Holding.objects.values_list(
                "place__code", "consumable__code", "quantity"
            )
            if quantity
        },
        "movements": Movement.objects.exclude(document__kind="count").count(),
    }
