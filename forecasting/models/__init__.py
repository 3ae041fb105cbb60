"""Tables of forecasts, of how stock is to be held, of drafts and orders, of periodic work and of mail."""

from forecasting.models.forecasts import BurnForecast, ForecastRun
from forecasting.models.mail import Letter, LetterState
from forecasting.models.purchases import (
    Purchase,
    PurchaseEvent,
    PurchaseLeftOut,
    PurchaseLine,
    PurchaseReceipt,
    PurchaseStatus,
)
from forecasting.models.restocks import Restock, RestockEvent, RestockLine, RestockStatus
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
)
from forecasting.models.work import PeriodWork

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
]
