"""Consumables: master data, added but never changed by a file."""

from decimal import Decimal
from typing import NamedTuple

from inventory.documents import name_problem, quantity_problem
from inventory.items.grit_grades import P_GRADES
from inventory.models import LONGEST_SHELF_LIFE_DAYS, Consumable, ConsumableKind
from shop.close_review.rules import DISC_LIFE_MINUTES
from shop.common.text import exact, shortened
from shop.imports.context import Context, ImportSummary
from shop.imports.csv_reader import Fault, Record

# Common practice, no source: a disc lasts at most about ten minutes.
LONGEST_LIFE_MINUTES = Decimal(1_000_000)
LONGEST_NAME = 200
LONGEST_UNIT = 16


class ConsumableFacts(NamedTuple):
    """What a row says of a consumable, column by column."""

    name: str
    kind: str
    stock_unit: str
    grade: str
    life_minutes: Decimal | None
    shelf_life_days: int | None


def life_problem(minutes: Decimal) -> str | None:
    """Return what is wrong with a working life, or None."""
    if 0 <= minutes < 1:
        return "is too short; a working life must be at least 1 minute"
    return quantity_problem(minutes, LONGEST_LIFE_MINUTES)


def shelf_life_problem(days: Decimal) -> str | None:
    """Return what is wrong with a shelf life, or None."""
    if days % 1:
        return "is not a whole number of days"
    return quantity_problem(days, Decimal(LONGEST_SHELF_LIFE_DAYS))


class ConsumableImporter:
    """One row for each consumable."""

    columns = ("code", *ConsumableFacts._fields)

    def __init__(self, context: Context) -> None:
        self.context = context
        self.rows: dict[str, tuple[int, ConsumableFacts]] = {}

    def read(self, record: Record) -> None:
        """Take in one consumable."""
        code = record.text("code")
        kind = record.choice("kind", ConsumableKind.values)
        grade = record.choice("grade", ("", *P_GRADES))
        life_minutes = record.optional_number("life_minutes", life_problem)
        if life_minutes is None and kind == ConsumableKind.WORN:
            record.fault("life_minutes", "is empty; a worn consumable needs its working life in minutes")
        if life_minutes is None and kind == ConsumableKind.COUNTED and grade:
            life_minutes = DISC_LIFE_MINUTES
        shelf_life = record.optional_number("shelf_life_days", shelf_life_problem)
        facts = ConsumableFacts(
            record.text("name", LONGEST_NAME),
            kind,
            record.text("stock_unit", LONGEST_UNIT),
            grade,
            life_minutes,
            None if shelf_life is None else int(shelf_life),
        )
        if code in self.rows:
            record.fault("code", f"is in line {self.rows[code][0]} already")
        elif record.valid:
            self.rows[code] = (record.line, facts)

    def check(self) -> None:
        """Note rows that contradict what is known of their consumable, and invalid new names."""
        known_ones = Consumable.objects.all()
        self._check_new({consumable.code for consumable in known_ones})
        for consumable in known_ones:
            if consumable.code not in self.rows:
                continue
            line, facts = self.rows[consumable.code]
            for column, value in facts._asdict().items():
                known = getattr(consumable, column)
                if known != value:
                    message = (
                        f"differs from what is known of {consumable}, "
                        f"{shortened(_shown(known))}; change it in the admin"
                    )
                    self.context.faults.add(Fault(line, column, _shown(value), message))

    def _check_new(self, known: set[str]) -> None:
        for code, (line, facts) in self.rows.items():
            if code in known:
                continue
            named = {"code": code, "name": facts.name, "stock_unit": facts.stock_unit}
            for column, value in named.items():
                if found := name_problem(value, LONGEST_NAME):
                    self.context.faults.add(Fault(line, column, value, found))

    def write(self) -> ImportSummary:
        """Add the consumables that are new."""
        known = set(Consumable.objects.values_list("code", flat=True))
        new = [
            Consumable(code=code, **facts._asdict())
            for code, (_, facts) in self.rows.items()
            if code not in known
        ]
        Consumable.objects.bulk_create(new, batch_size=1000)
        return ImportSummary("consumables", new=len(new), already=len(self.rows) - len(new))


def _shown(value: object) -> str:
    if value is None or value == "":
        return "(empty)"
    return exact(value) if isinstance(value, Decimal) else str(value)
