"""A shop with two vans that worked for some weeks, to forecast the burn of."""

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal

import numpy as np

from forecasting.burn.runs import LEVELS
from forecasting.models import BurnForecast, ForecastRun
from inventory import ledger
from inventory.documents import Receipt, ReceiptLine, StockLine, Transfer
from inventory.models import Consumable, Place
from shop.jobs.close_data import JobClose, UsedLine
from shop.jobs.close_job import close_many
from tests.shop.job_shop import open_job_shop

MONDAY = date(2024, 1, 1)
DISC, COMPOUND, PAD = "disc-p400", "compound", "pad"
VANS = ("van-a", "van-b")
WEEKS = 20
JOBS_A_WEEK = 6


def moment(week: int, weekday: int = 0, hour: int = 9) -> datetime:
    """Return a moment of a week, counted from the first; weekday 0 is Monday."""
    return datetime.combine(MONDAY, time(hour), UTC) + timedelta(weeks=week, days=weekday)


def open_burn_shop(weeks: int = WEEKS, vans: Iterable[str] = VANS) -> None:
    """Open the shop of `tests.shop.job_shop`, fill the vans and let them work so many weeks."""
    open_job_shop()
    lines = tuple(ReceiptLine(code, Decimal(100_000), Decimal(1000)) for code in (DISC, COMPOUND, PAD))
    ledger.post(Receipt("R-1", moment(-1), "maker", "depot", lines), now=moment(0))
    for van in VANS:
        bring(f"T-{van}", van, moment(-1), (DISC, 9000), (COMPOUND, 9000), (PAD, 100))
    for van in vans:
        work(van, range(weeks))


def bring(id_: str, van: str, when: datetime, *lines: tuple[str, int]) -> None:
    """Carry (consumable, quantity) lines from the depot to a van."""
    made = tuple(StockLine(consumable, Decimal(quantity)) for consumable, quantity in lines)
    ledger.post(Transfer(id_, when, "depot", van, made), now=when)


def work(
    van: str,
    weeks: Iterable[int],
    *,
    jobs: int = JOBS_A_WEEK,
    recorded: datetime | None = None,
    seed: int = 0,
) -> None:
    """Do jobs in each of the weeks; each takes 0 to 3 discs and some compound. Recorded when done."""
    chance = np.random.default_rng([seed, VANS.index(van)])
    for week in weeks:
        closes = []
        for number in range(jobs):
            reference = f"{van}-{week}-{number}-{seed}"
            uses = (
                UsedLine(DISC, Decimal(int(chance.integers(0, 4))), Decimal(5)),
                UsedLine(COMPOUND, Decimal(int(chance.integers(1, 5)) * 10)),
            )
            closes.append(closing(reference, van, moment(week, number % 5), uses))
        close_many(closes, now=recorded or moment(week, 5))


def closing(job: str, van: str, when: datetime, uses: tuple[UsedLine, ...] = ()) -> JobClose:
    """Return a close of one hour's labour."""
    return JobClose(
        id=job,
        job=job,
        van=van,
        technician="ann",
        closed_at=when,
        job_type="scratch-small",
        damage_type="scratch",
        glass="tempered",
        price=Decimal(100),
        labour_minutes=Decimal(60),
        travel_minutes=Decimal(30),
        outcome="removed",
        uses=tuple(use for use in uses if use.quantity or use.minutes),
    )


def stored_forecast(
    place: str, consumable: str, *, known_at: datetime | None = None, levels: Sequence[float] = LEVELS
) -> BurnForecast:
    """Store a finished run with the forecast of a week, by hand: the median is 5, the 0.95 quantile 9."""
    known_at = known_at or moment(3)
    run = ForecastRun.objects.create(
        known_at=known_at,
        first_week=MONDAY,
        weeks=3,
        levels=list(levels),
        summary={"in_words": "The stated 95% held in 3 of 3 weeks."},
        made_at=known_at,
        finished_at=known_at,
    )
    return BurnForecast.objects.create(
        run=run,
        place=Place.objects.get(code=place),
        consumable=Consumable.objects.get(code=consumable),
        weeks_ahead=1,
        mean=Decimal(5),
        quantiles=[str(round(10 * level)) for level in levels],
        model="panel levels",
        reason="a test",
        demand_class="smooth",
        history=["4", None, "6"],
        tested=3,
        held=[3 if level >= 0.95 else 2 for level in levels],
        accuracy={"pinball": 0.5, "rmsse": 0.8, "bias": 0.04},
    )
