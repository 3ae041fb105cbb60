"""Codes that files name: known to the database, or to be created by the import."""

from collections.abc import Callable
from decimal import Decimal

from inventory.documents import LONGEST_CODE, name_problem
from inventory.models import OUTSIDE_CODES, Consumable, Place, PlaceKind, Supplier
from shop.imports.csv_reader import Record
from shop.models import DamageType, GlassType, JobType, Outcome, Technician, Van

CREATE = "add it in the admin, or give --create-missing"


def spelled(text: str) -> str:
    """Return a code of words as it is compared: Not_Removable and not-removable are not removable."""
    return text.casefold().replace("_", " ").replace("-", " ")


class Codes:
    """All codes but those of jobs, read once; what is missing is noted, or kept to be created.

    Once `keeps_missing` is False nothing more is kept, as nothing will be created.
    """

    def __init__(self, *, create_missing: bool) -> None:
        self._create_missing = create_missing
        self.keeps_missing = True
        # Each known code maps to itself as one string, so that a million rows share it.
        self._by_code = {row.code: row for row in Consumable.objects.all()}
        self._consumables = {code: code for code in self._by_code}
        self._places = {code: code for code in Place.objects.values_list("code", flat=True)}
        under_way = Place.objects.filter(kind=PlaceKind.TRANSIT)
        self._under_way = set(under_way.values_list("code", flat=True))
        self._vans = {code: code for code in Van.objects.values_list("place__code", flat=True)}
        self._suppliers = {code: code for code in Supplier.objects.values_list("code", flat=True)}
        self._technicians = {code: code for code in Technician.objects.values_list("code", flat=True)}
        self._job_types = {code: code for code in JobType.objects.values_list("code", flat=True)}
        self._damage = {spelled(code): code for code in DamageType.objects.values_list("code", flat=True)}
        self._glass = {spelled(code): code for code in GlassType.objects.values_list("code", flat=True)}
        self._outcomes = {spelled(value): value for value in Outcome.values}
        self._missing: dict[str, list[str]] = {}

    def consumable(self, record: Record) -> str:
        """Return a consumable. An unknown one is never created: its kind and unit cannot be guessed."""
        code = record.text("consumable")
        if code and code not in self._consumables:
            record.fault("consumable", "is not a known consumable; import the consumables first")
        return self._consumables.get(code, code)

    def check_whole(self, record: Record, consumable: str, quantity: Decimal) -> None:
        """Note a part of a unit of something that is used in whole units."""
        known = self._by_code.get(consumable)
        if known and (wrong := known.whole_problem(quantity)):
            record.fault("quantity", wrong)

    def place(self, record: Record, column: str) -> str:
        """Return a depot or van."""
        if record.raw(column) in OUTSIDE_CODES:
            record.fault(column, "is outside the shop; name a depot or van")
            return ""
        return self._known(record, column, "place", self._places)

    def van(self, record: Record) -> str:
        """Return a van."""
        if record.raw("van") in OUTSIDE_CODES:
            record.fault("van", "is a place outside the shop; give the van another code")
            return ""
        if record.raw("van") in self._under_way:
            record.fault("van", "is where stock is that is under way to a van; give the van another code")
            return ""
        return self._known(record, "van", "van", self._vans)

    def supplier(self, record: Record) -> str:
        """Return a supplier."""
        return self._known(record, "supplier", "supplier", self._suppliers)

    def technician(self, record: Record) -> str:
        """Return a technician."""
        return self._known(record, "technician", "technician", self._technicians)

    def job_type(self, record: Record) -> str:
        """Return a job type."""
        return self._known(record, "job_type", "job type", self._job_types)

    def damage_type(self, record: Record) -> str:
        """Return a damage type as the table spells it."""
        return self._known(record, "damage_type", "damage type", self._damage, spelled)

    def glass(self, record: Record) -> str:
        """Return a glass type as the table spells it."""
        return self._known(record, "glass", "glass type", self._glass, spelled)

    def outcome(self, record: Record) -> str:
        """Return an outcome as the table spells it."""
        outcome = self._outcomes.get(spelled(record.raw("outcome")))
        if outcome is None:
            record.fault("outcome", f"is not one of {', '.join(Outcome.values)}")
        return outcome or ""

    def _known(
        self,
        record: Record,
        column: str,
        name: str,
        known: dict[str, str],
        compared: Callable[[str], str] = str,
    ) -> str:
        """Return the code of a cell as it is known; note it, or keep it for `create`, when it is not."""
        given = record.raw(column)
        code = known.get(compared(given))
        if code is not None:
            return code
        code = record.text(column)
        if not code:
            return ""
        if not self._create_missing:
            record.fault(column, f"is not a known {name}; {CREATE}")
            return code
        if found := name_problem(code, LONGEST_CODE):
            record.fault(column, found)
            return ""
        if self.keeps_missing:
            known[compared(code)] = code
            self._missing.setdefault(name, []).append(code)
        return code

    def create(self) -> dict[str, list[str]]:
        """Write the missing codes; return them by what they name, sorted."""
        missing = {name: sorted(codes) for name, codes in sorted(self._missing.items())}
        Supplier.objects.bulk_create(Supplier(code=code) for code in missing.get("supplier", ()))
        Technician.objects.bulk_create(Technician(code=code) for code in missing.get("technician", ()))
        JobType.objects.bulk_create(JobType(code=code) for code in missing.get("job type", ()))
        DamageType.objects.bulk_create(DamageType(code=code) for code in missing.get("damage type", ()))
        GlassType.objects.bulk_create(GlassType(code=code) for code in missing.get("glass type", ()))
        Place.objects.bulk_create(Place(code=code, kind=PlaceKind.DEPOT) for code in missing.get("place", ()))
        _create_vans(missing.get("van", []))
        return missing


def _create_vans(codes: list[str]) -> None:
    """Make vans. A file may have named the van's place before, when nothing said that it was a van."""
    Place.objects.filter(code__in=codes).update(kind=PlaceKind.VAN)
    present = set(Place.objects.filter(code__in=codes).values_list("code", flat=True))
    Place.objects.bulk_create(Place(code=code, kind=PlaceKind.VAN) for code in codes if code not in present)
    Van.objects.bulk_create(Van(place=place) for place in Place.objects.filter(code__in=codes))
