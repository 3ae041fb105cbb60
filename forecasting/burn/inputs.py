"""What a burn forecast is made from, read from the books as they were known at a moment."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

import numpy as np
import numpy.typing as npt

from forecasting.burn.censoring import given_up, observed_weeks
from forecasting.draft_requirements import CannotDraftError, depot_of
from forecasting.models import ForecastRun, SupplierTerms, the_terms
from inventory.reports.iso_weeks import A_WEEK, Weeks, monday_of
from inventory.reports.weekly_consumption import (
    bare_weeks,
    first_use,
    places_with_stock_moved,
    used_consumables,
    weekly_use,
)
from shop.jobs.job_counts import first_job, jobs_booked, jobs_done, van_places
from shop.models import in_shop_zone, the_shop

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

HISTORY_WEEKS_MAX = 156
AHEAD_WEEKS_MAX = 26
DAYS_A_WEEK = 7
# How much longer than they say suppliers may take, for the weeks that are forecast for the depot.
LEAD_MARGIN = 1.4
# What the shop says now was so a little earlier too.
NOW_ENOUGH = timedelta(hours=1)
# So long what an earlier run noted is taken to hold still.
NOTES_LAST = timedelta(days=7)

Noted = dict[str, object]


@dataclass(frozen=True, slots=True)
class BurnPanel:
    """Weekly use of some consumables at some places: a series for each, (series,) or (series, weeks).

    `booked` (series, weeks ahead) are the jobs booked at the place; None when no bookings are known.
    """

    places: IntArray
    consumables: IntArray
    use: FloatArray
    jobs: FloatArray
    observed: BoolArray
    booked: FloatArray | None


def known_weeks(known_at: datetime) -> Weeks:
    """Return the whole weeks, on the shop's clocks, that had ended and had work in them; the latest ones."""
    shop = the_shop()
    end = monday_of(in_shop_zone(known_at, shop).date())
    moments = [moment for moment in (first_job(known_at), first_use(known_at)) if moment is not None]
    if not moments:
        return Weeks(end, 0, shop.zone)
    first = monday_of(in_shop_zone(min(moments), shop).date())
    count = min(max((end - first) // A_WEEK, 0), HISTORY_WEEKS_MAX)
    return Weeks(end - count * A_WEEK, count, shop.zone)


def weeks_of(run: ForecastRun) -> Weeks:
    """Return the weeks of history of a run."""
    return Weeks(run.first_week, run.weeks, the_shop().zone)


def note(known_at: datetime, now: datetime, weeks: int | None) -> Noted:
    """Return what a run of this moment notes: what was so then, but is not written in the books.

    For a moment that has passed that is what a run of then noted; where there was none, vans are those that
    had moved stock or done a job, and bookings are not known.
    """
    terms = the_terms()
    van_weeks = max(math.ceil(terms.interval_days / DAYS_A_WEEK), weeks or 0)
    leads = [SupplierTerms._meta.get_field("lead_days").default]
    leads += SupplierTerms.objects.values_list("lead_days", flat=True)
    depot_weeks = math.ceil((max(leads) * LEAD_MARGIN + terms.review_days) / DAYS_A_WEEK)
    try:
        depot: int | None = depot_of(terms).pk
    except CannotDraftError:
        depot = None
    found: Noted = {
        "van_weeks": min(van_weeks, AHEAD_WEEKS_MAX),
        "depot_weeks": min(max(depot_weeks, van_weeks), AHEAD_WEEKS_MAX),
        "depot": depot,
    }
    earlier = ForecastRun.objects.filter(known_at__range=(known_at - NOTES_LAST, known_at)).first()
    if earlier is not None and earlier.known_at == known_at:
        return {**found, "vans": earlier.noted["vans"], "booked": earlier.noted["booked"]}
    if now - known_at <= NOW_ENOUGH:
        today = in_shop_zone(known_at, the_shop()).date()
        booked = jobs_booked(today, AHEAD_WEEKS_MAX)
        return {**found, "vans": van_places(), "booked": {str(place): jobs for place, jobs in booked.items()}}
    seen = places_with_stock_moved(known_at) | jobs_done(known_weeks(known_at), known_at).keys()
    if earlier is not None:
        seen |= set(earlier.noted["vans"])
    return {**found, "vans": sorted(seen), "booked": None}


def consumables_of(run: ForecastRun) -> list[int]:
    """Return the consumables to forecast, by their ids: those that vans used in the weeks of history."""
    return used_consumables(weeks_of(run), run.known_at)


@dataclass(frozen=True, slots=True)
class WorkingVans:
    """The vans to forecast, by their places (vans,), with jobs done (vans, weeks) and booked."""

    places: IntArray
    jobs: FloatArray
    booked: FloatArray | None


def working_vans(run: ForecastRun) -> WorkingVans:
    """Return all vans that the run noted but those that were given up and have nothing booked."""
    weeks = weeks_of(run)
    done = jobs_done(weeks, run.known_at)
    places = np.array(sorted(run.noted["vans"]), dtype=np.intp)
    jobs = _matrix([done.get(van, {}) for van in places.tolist()], weeks.count)
    booked = _booked(run, places)
    stay = ~given_up(jobs)
    if booked is not None:
        stay |= booked.any(axis=1)
    return WorkingVans(places[stay], jobs[stay], None if booked is None else booked[stay])


def van_panel(run: ForecastRun, consumables: Sequence[int]) -> BurnPanel:
    """Read the panel of these consumables at all working vans, series by consumable."""
    weeks, vans = weeks_of(run), working_vans(run)
    use_of = weekly_use(weeks, run.known_at, consumables)
    bare_of = bare_weeks(weeks, run.known_at, consumables)
    pairs = [(van, consumable) for consumable in consumables for van in vans.places.tolist()]
    use = _matrix([use_of.get(pair, {}) for pair in pairs], weeks.count)
    bare = np.array([bare_of.get(pair, [True] * weeks.count) for pair in pairs]).reshape(use.shape)
    group = np.repeat(np.arange(len(consumables)), len(vans.places))
    jobs = np.tile(vans.jobs, (len(consumables), 1))
    return BurnPanel(
        places=np.tile(vans.places, len(consumables)),
        consumables=np.repeat(np.array(consumables, dtype=np.intp), len(vans.places)),
        use=use,
        jobs=jobs,
        observed=observed_weeks(use, jobs, bare, group),
        booked=None if vans.booked is None else np.tile(vans.booked, (len(consumables), 1)),
    )


def totals(panel: BurnPanel, depot: int) -> BurnPanel:
    """Add the vans' series of each consumable up to what the depot has to give.

    A week counts where it does for any van.
    """
    consumables, group = np.unique(panel.consumables, return_inverse=True)

    def added(rows: FloatArray) -> FloatArray:
        sums = np.zeros((len(consumables), rows.shape[1]))
        np.add.at(sums, group, rows)
        return sums

    return BurnPanel(
        places=np.full(len(consumables), depot),
        consumables=consumables,
        use=added(panel.use),
        jobs=added(panel.jobs),
        observed=added(panel.observed.astype(float)) > 0,
        booked=None if panel.booked is None else added(panel.booked),
    )


def _matrix(rows: Sequence[Mapping[int, Decimal] | Mapping[int, int]], weeks: int) -> FloatArray:
    """Return amounts given by week, (rows, weeks)."""
    found = np.zeros((len(rows), weeks))
    for number, by_week in enumerate(rows):
        for week, amount in by_week.items():
            found[number, week] = float(amount)
    return found


def _booked(run: ForecastRun, vans: IntArray) -> FloatArray | None:
    """Return the jobs booked, (vans, weeks ahead)."""
    booked = run.noted["booked"]
    if booked is None:
        return None
    none = [0] * AHEAD_WEEKS_MAX
    rows = [booked.get(str(van), none) for van in vans.tolist()]
    return np.array(rows, dtype=float).reshape(len(vans), AHEAD_WEEKS_MAX)
