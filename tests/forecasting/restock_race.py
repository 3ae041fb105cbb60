"""Eight processes draft, approve, pick, confirm and settle the same restocks; run by test_restock_races."""

import multiprocessing
import os
import random
import sys
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta
from decimal import Decimal

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
django.setup()

from forecasting.models import BurnForecast, ForecastRun, Restock  # noqa: E402 - models need the setup above
from forecasting.replenishment.approval import approve  # noqa: E402
from forecasting.replenishment.discrepancies import Settlement, settle  # noqa: E402
from forecasting.replenishment.drafts import draft_restocks  # noqa: E402
from forecasting.replenishment.pick_ship_receive import confirm, pick  # noqa: E402
from forecasting.workflow import StepConflict  # noqa: E402
from inventory.models import Consumable, Place, Supplier  # noqa: E402
from shop.models import Van  # noqa: E402
from tests.forecasting.restock_shop import DISC, LEVELS, NOW, WEEK  # noqa: E402
from tests.inventory.small_shop import receive  # noqa: E402

PROCESSES = 8
VANS = 4
AT_DEPOT = 40
BURN = (1, 4, 6, 9, 14, 15, 16, 17)


def make_world() -> None:
    """Make a depot with 40 discs, four vans without any, and a forecast."""
    depot = Place.objects.create(code="depot", kind="depot")
    disc = Consumable.objects.create(code=DISC, name="Disc", kind="counted", stock_unit="each", grade="P400")
    Supplier.objects.create(code="maker")
    receive("R-1", 1, (DISC, str(AT_DEPOT), "100"), place=depot.code)
    run = ForecastRun.objects.create(
        known_at=NOW, first_week=NOW.date(), weeks=52, levels=list(LEVELS), made_at=NOW, finished_at=NOW
    )
    for number in range(VANS):
        place = Place.objects.create(code=f"van-{number}", kind="van")
        Van.objects.create(place=place)
        for weeks in (1, 2):
            BurnForecast.objects.create(
                run=run,
                place=place,
                consumable=disc,
                weeks_ahead=weeks,
                mean=Decimal(6 * weeks),
                quantiles=[str(quantile * weeks) for quantile in BURN],
                model="by hand",
                reason="a race",
                demand_class="smooth",
                history=[],
            )


def work(process: int) -> None:
    """Take every step of every restock, wherever the others have brought it."""
    chance = random.Random(process)  # noqa: S311 - examples, not secrets
    by = f"process {process}"
    run = ForecastRun.objects.get()
    restocks = draft_restocks(run, WEEK, by=by, now=NOW)
    steps: tuple[Callable[..., object], ...] = (approve, pick, confirm, _settle)
    for action in steps:
        chance.shuffle(restocks)
        for restock in restocks:
            now = NOW + timedelta(seconds=chance.randint(0, 600))
            with suppress(StepConflict):
                quantities = {DISC: restock.lines.get().suggested - 1} if action is confirm else None
                action(restock.pk, quantities, by=by, now=now)


def _settle(restock_id: int, _: None, *, by: str, now: datetime) -> None:
    """Say that the disc that is missing is lost."""
    settle(restock_id, {DISC: Settlement(Decimal(1), lost=Decimal(1))}, by=by, now=now)


def main() -> int:
    """Make the world, let all processes race, and return how many failed."""
    make_world()
    django.db.connections.close_all()
    racing = [multiprocessing.Process(target=work, args=(process,)) for process in range(PROCESSES)]
    for process in racing:
        process.start()
    for process in racing:
        process.join()
    return sum(process.exitcode != 0 for process in racing) or int(Restock.objects.count() != VANS)


if __name__ == "__main__":
    multiprocessing.set_start_method("fork")
    sys.exit(main())
