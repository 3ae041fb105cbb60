"""Tables of the stock ledger. Movements, documents and counts are append-only (inventory.db.append_only)."""

from inventory.models.documents import CountLine, Document, Lot, RefusedDocument
from inventory.models.items import (
    LONGEST_SHELF_LIFE_DAYS,
    Consumable,
    ConsumableKind,
    LowLevel,
    Pack,
    Supplier,
)
from inventory.models.movements import Holding, Movement, PlaceConsumable
from inventory.models.periods import Books, CostPolicy, PeriodChange
from inventory.models.places import OUTSIDE_CODES, REAL_KINDS, Place, PlaceKind
from inventory.models.validators import validate_code, validate_grade, validate_name, validate_time_zone
from inventory.models.valuation import CostAdjustment, CostCheckpoint, CostPool, LotCheckpoint, MovementValue

__all__ = [
    "LONGEST_SHELF_LIFE_DAYS",
    "OUTSIDE_CODES",
    "REAL_KINDS",
    "Books",
    "Consumable",
    "ConsumableKind",
    "CostAdjustment",
    "CostCheckpoint",
    "CostPolicy",
    "CostPool",
    "CountLine",
    "Document",
    "Holding",
    "Lot",
    "LotCheckpoint",
    "LowLevel",
    "Movement",
    "MovementValue",
    "Pack",
    "PeriodChange",
    "Place",
    "PlaceConsumable",
    "PlaceKind",
    "RefusedDocument",
    "Supplier",
    "validate_code",
    "validate_grade",
    "validate_name",
    "validate_time_zone",
]
