"""Tables of forecasts, of how stock is to be held, of drafts and orders, of periodic work and of mail."""

from forecasting.models.forecasts import BurnForecast, ForecastRun
from forecasting.models.outbox import Letter, LetterState
from forecasting.models.purchasing import (
    Purchase,
    PurchaseEvent,
    PurchaseLeftOut,
    PurchaseLine,
    PurchaseReceipt,
    PurchaseStatus,
)
from forecasting.models.replenishment import Restock, RestockEvent, RestockLine, RestockStatus
from forecasting.models.scheduler import PeriodWork
from forecasting.models.terms import (
    ConsumableTerms,
    DiscountKind,
    PackTerms,
    PriceBreak,
    ServiceClass,
    StockingTerms,
    SupplierTerms,
    VanSpace,
    the_terms,
    timetable,
)

__all__ = [
    "BurnForecast",
    "ConsumableTerms",
    "DiscountKind",
    "ForecastRun",
    "Letter",
    "LetterState",
    "PackTerms",
    "PeriodWork",
    "PriceBreak",
    "Purchase",
    "PurchaseEvent",
    "PurchaseLeftOut",
    "PurchaseLine",
    "PurchaseReceipt",
    "PurchaseStatus",
    "Restock",
    "RestockEvent",
    "RestockLine",
    "RestockStatus",
    "ServiceClass",
    "StockingTerms",
    "SupplierTerms",
    "VanSpace",
    "the_terms",
    "timetable",
]
