"""Codes looked up: which place, consumable or supplier a document means."""

from collections.abc import Iterable

from inventory.documents import LONGEST_CODE, Count, Document, Receipt, Transfer, text_problem
from inventory.models import REAL_KINDS, Consumable, Place, PlaceKind, Supplier


class Catalogue:
    """The places, consumables and suppliers that documents name, each read once."""

    def __init__(self) -> None:
        self.places: dict[str, Place] = {}
        self.consumables: dict[str, Consumable] = {}
        self.suppliers: dict[str, Supplier] = {}
        self.outside = {PlaceKind(place.kind): place for place in Place.objects.exclude(kind__in=REAL_KINDS)}
        self._asked: set[tuple[type, str]] = set()

    def read(self, documents: Iterable[Document]) -> None:
        """Look up all codes of `documents` that were not looked up before: at most three queries."""
        places: set[str] = set()
        consumables: set[str] = set()
        suppliers: set[str] = set()
        for document in documents:
            if isinstance(document, Transfer):
                places |= {document.source, document.destination}
            elif isinstance(document, Count):
                places |= {line.place for line in document.lines}
            elif place := getattr(document, "place", None):
                places.add(place)
            if isinstance(document, Receipt):
                suppliers.add(document.supplier)
            consumables |= {line.consumable for line in getattr(document, "lines", ())}
        for place_ in Place.objects.filter(code__in=self._unasked(Place, places)):
            self.places[place_.code] = place_
        for consumable in Consumable.objects.filter(code__in=self._unasked(Consumable, consumables)):
            self.consumables[consumable.code] = consumable
        for supplier in Supplier.objects.filter(code__in=self._unasked(Supplier, suppliers)):
            self.suppliers[supplier.code] = supplier

    def _unasked(self, model: type, codes: set[str]) -> list[str]:
        # A code that no row can have need not be looked up; some databases fail on a control character.
        new = sorted(
            code
            for code in codes
            if (model, code) not in self._asked and not text_problem(code, LONGEST_CODE)
        )
        self._asked |= {(model, code) for code in new}
        return new
