"""A shop with two suppliers, their terms and a forecast of the depot written by hand, to order for."""

from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal

from forecasting.models import (
    BurnForecast,
    ForecastRun,
    PackTerms,
    PriceBreak,
    Purchase,
    PurchaseLine,
    SupplierTerms,
)
from forecasting.purchasing.drafts import Drafts, draft_purchases
from inventory.models import Consumable, Holding, Pack, Place, Supplier
from tests.inventory.small_shop import receive
from tests.shop.job_shop import open_job_shop

NOW = datetime(2026, 3, 2, 7, tzinfo=UTC)
DAY = date(2026, 3, 2)
LEVELS = (0.1, 0.2, 0.5, 0.95, 0.99)
WEEK = (35, 42, 70, 98, 112)
DISC, COMPOUND, PAD = "disc-p400", "compound", "pad"


def open_purchase_shop() -> None:
    """Make the shop with 150 discs, 2000 ml of compound and 10 pads at the depot.

    The maker sells boxes of 25 discs at 60.00 and bottles of 1000 ml at 30.00, the trader pads at 40.00; both
    say 7 days, and what an order costs is nothing.
    """
    open_job_shop()
    receive("R-1", 1, (DISC, "150", "375"), (COMPOUND, "2000", "60"), (PAD, "10", "400"))
    maker = Supplier.objects.get(code="maker")
    maker.email = "orders@maker.example.org"
    maker.save()
    trader = Supplier.objects.create(code="trader", email="desk@trader.example.org")
    for supplier in (maker, trader):
        SupplierTerms.objects.create(supplier=supplier, lead_days=7)
    sell(maker, DISC, "box", "25", "60")
    sell(maker, COMPOUND, "bottle", "1000", "30")
    sell(trader, PAD, "each", "1", "40")


def sell(
    supplier: Supplier,
    consumable: str,
    name: str,
    units: str,
    price: str,
    *breaks: tuple[int, str],
) -> Pack:
    """Let a supplier sell a pack at a price."""
    pack = Pack.objects.create(
        supplier=supplier,
        consumable=Consumable.objects.get(code=consumable),
        name=name,
        stock_units=Decimal(units),
    )
    terms = PackTerms.objects.create(pack=pack, price=Decimal(price))
    PriceBreak.objects.bulk_create(
        PriceBreak(terms=terms, from_packs=packs, price=Decimal(lower)) for packs, lower in breaks
    )
    return pack


def forecast(
    burn: Mapping[str, tuple[int, ...]], *, weeks: tuple[int, ...] = (1, 2, 3, 4), known_at: datetime = NOW
) -> ForecastRun:
    """Store a finished forecast of the depot: quantiles of a week's burn; n weeks burn n times as much."""
    run = ForecastRun.objects.create(
        known_at=known_at,
        first_week=known_at.date(),
        weeks=52,
        levels=list(LEVELS),
        made_at=known_at,
        finished_at=known_at,
    )
    BurnForecast.objects.bulk_create(
        BurnForecast(
            run=run,
            place=Place.objects.get(kind="depot"),
            consumable=Consumable.objects.get(code=consumable),
            weeks_ahead=ahead,
            mean=Decimal(quantiles[2] * ahead),
            quantiles=[str(quantile * ahead) for quantile in quantiles],
            model="by hand",
            reason="a test",
            demand_class="smooth",
            history=[],
        )
        for consumable, quantiles in burn.items()
        for ahead in weeks
    )
    return run


def draft(run: ForecastRun, day: date = DAY, now: datetime = NOW) -> Drafts:
    """Draft a day."""
    return draft_purchases(run, day, by="clock", now=now)


def a_draft() -> Purchase:
    """Return a draft of 3 boxes of discs to the maker, with the shop around it."""
    open_purchase_shop()
    (purchase,) = draft(forecast({DISC: WEEK}))
    return purchase


def line(purchase: Purchase, consumable: str = DISC) -> PurchaseLine:
    """Return a line of a purchase as it is stored."""
    return PurchaseLine.objects.get(purchase=purchase, consumable__code=consumable)


def packs(purchase: Purchase) -> dict[str, int]:
    """Return the packs in force by consumable."""
    return {row.consumable.code: row.packs for row in purchase.lines.select_related("consumable")}


def events(purchase: Purchase) -> list[str]:
    """Return what happened to a purchase, in order."""
    return list(purchase.events.values_list("what", flat=True))


def depot_stock(consumable: str = DISC) -> Decimal:
    """Return what the depot holds by the book."""
    row = Holding.objects.filter(place__kind="depot", consumable__code=consumable).first()
    return row.quantity if row else Decimal(0)
