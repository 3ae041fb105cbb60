"""Codes looked up: which place, consumable or supplier a document means."""

from collections.abc import Iterable

from inventory.documents import LONGEST_CODE, Document, Receipt, text_problem
from inventory.models import REAL_KINDS, Consumable, Place, PlaceKind, Supplier


class Catalogue:
    """All places, and the consumables and suppliers that documents name, each read once."""

    def __init__(self) -> None:
        self.places = {place.code: place for place in Place.objects.all()}
        self.outside = {
            PlaceKind(place.kind): place for place in self.places.values() if place.kind not in REAL_KINDS
        }
        self.consumables: dict[str, Consumable] = {}
        self.suppliers: dict[str, Supplier] = {}
        self._asked: set[tuple[type, str]] = set()

    def read(self, documents: Iterable[Document]) -> None:
        """Look up all codes of `documents` that were not looked up before: at most two queries."""
        consumables: set[str] = set()
        suppliers: set[str] = set()
        for document in documents:
            if isinstance(document, Receipt):
                suppliers.add(document.supplier)
            consumables |= {line.consumable for line in getattr(document, "lines", ())}
        self.read_consumables(consumables)
        if new := self._unasked(Supplier, suppliers):
            self.suppliers |= Supplier.objects.in_bulk(new, field_name="code")

    def read_consumables(self, codes: Iterable[str]) -> None:
        """Look up the codes of consumables that were not looked up before: at most one query."""
        if new := self._unasked(Consumable, codes):
            self.consumables |= Consumable.objects.in_bulk(new, field_name="code")

    def _unasked(self, model: type, codes: Iterable[str]) -> list[str]:
        # A code that no row can have need not be looked up; some databases fail on a control character.
        new = sorted(
            code
            for code in set(codes)
            if (model, code) not in self._asked and not text_problem(code, LONGEST_CODE)
        )
        self._asked |= {(model, code) for code in new}
        return new
