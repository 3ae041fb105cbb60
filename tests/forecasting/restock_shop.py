"""A shop with two vans and a forecast written by hand, to draft restocks for."""

from collections.abc import Mapping
from datetime import UTC, datetime
from decimal import Decimal

from forecasting.models import BurnForecast, ForecastRun, Restock, RestockLine, RestockStatus
from forecasting.replenishment.drafts import draft_restocks
from inventory.models import Consumable, Holding, Place
from tests.inventory.small_shop import receive
from tests.shop.job_shop import open_job_shop

NOW = datetime(2026, 3, 2, 6, tzinfo=UTC)  # a Monday
WEEK, NEXT_WEEK = "2026-W10", "2026-W11"
LEVELS = (0.05, 0.25, 0.5, 0.75, 0.9, 0.95, 0.98, 0.99)
DISC, COMPOUND, PAD = "disc-p400", "compound", "pad"
VANS = ("van-a", "van-b")


def open_restock_shop() -> None:
    """Make the shop with 100 discs, 2000 ml of compound and 10 pads at the depot, and 5 discs on van-a.

    A disc costs 2.50, a litre of compound 30, a pad 40.
    """
    open_job_shop()
    receive("R-1", 1, (DISC, "100", "250"), (COMPOUND, "2000", "60"), (PAD, "10", "400"))
    receive("R-2", 2, (DISC, "5", "12.50"), place="van-a")


def forecast(
    burn: Mapping[tuple[str, str], tuple[int, ...]], *, weeks: tuple[int, ...] = (1, 2)
) -> ForecastRun:
    """Store a finished forecast: quantiles at LEVELS of each van's burn in a week; n weeks burn n times."""
    run = ForecastRun.objects.create(
        known_at=NOW,
        first_week=NOW.date(),
        weeks=52,
        levels=list(LEVELS),
        made_at=NOW,
        finished_at=NOW,
    )
    BurnForecast.objects.bulk_create(
        BurnForecast(
            run=run,
            place=Place.objects.get(code=van),
            consumable=Consumable.objects.get(code=consumable),
            weeks_ahead=ahead,
            mean=Decimal(quantiles[2] * ahead),
            quantiles=[str(quantile * ahead) for quantile in quantiles],
            model="by hand",
            reason="a test",
            demand_class="smooth",
            history=[],
            held=[0] * len(LEVELS),
        )
        for (van, consumable), quantiles in burn.items()
        for ahead in weeks
    )
    return run


def restock_of(van: str) -> Restock:
    """Return a restock of a van that is under way with nothing on it; made when it is first asked for."""
    place = Place.objects.get(code=van)
    restock, _ = Restock.objects.get_or_create(
        van=place,
        period=WEEK,
        defaults={
            "depot": Place.objects.get(code="depot"),
            "run": forecast({}),
            "status": RestockStatus.UNDER_WAY,
            "inputs": {},
            "made_at": NOW,
        },
    )
    return restock


def draft(run: ForecastRun, period: str = WEEK, now: datetime = NOW) -> dict[str, Restock]:
    """Draft the week, and return the restocks by van."""
    return {restock.van.code: restock for restock in draft_restocks(run, period, by="clock", now=now)}


def line(restock: Restock, consumable: str = DISC) -> RestockLine:
    """Return a line of a restock as it is stored."""
    return RestockLine.objects.get(restock=restock, consumable__code=consumable)


def stock() -> dict[tuple[str, str], Decimal]:
    """Return what each place holds by the book, nothing left out but zeros."""
    rows = Holding.objects.exclude(quantity=0).values_list("place__code", "consumable__code", "quantity")
    return {(place, consumable): quantity for place, consumable, quantity in rows}
