"""What a burn forecast is made from, read from the books as they were known at a moment."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import pandas as pd

from forecasting.burn.censoring import bare_weeks, given_up, observed_weeks
from forecasting.demand.frames import CONSUMABLE, PLACE, SERIES, frame, iso_weeks, of_each
from forecasting.draft_requirements import CannotDraftError, depot_of
from forecasting.models import ForecastRun, SupplierTerms, the_terms
from inventory.db.fixed_point import SCALE
from inventory.reports.iso_weeks import BEFORE, Weeks
from inventory.reports.weekly_consumption import (
    WeekRow,
    places_with_stock_moved,
    used_consumables,
    weekly_flows,
    weekly_use,
)
from inventory.weeks import A_WEEK, DAYS_A_WEEK, monday_of
from shop.models import in_shop_zone, the_shop
from shop.workload.job_counts import jobs_booked, jobs_done, regular_work_from, van_places

HISTORY_WEEKS_MAX = 156
AHEAD_WEEKS_MAX = 26
# How much longer than they say suppliers may take, for the weeks that are forecast for the depot.
LEAD_MARGIN = 1.4
# Current settings also held a little earlier.
NOW_ENOUGH = timedelta(hours=1)
# How long the notes of an earlier run stay valid.
NOTES_LAST = timedelta(days=7)

Noted = dict[str, object]


@dataclass(frozen=True, slots=True)
class BurnPanel:
    """Weekly use of some consumables at some places: frames of weeks down and (place, consumable) across.

    `use` is in whole ten-thousandths of the stock unit. `booked`, with weeks ahead down, are the jobs booked
    at the place; None when no bookings are known.
    """

    use: pd.DataFrame
    jobs: pd.DataFrame
    observed: pd.DataFrame
    booked: pd.DataFrame | None

    @property
    def demand(self) -> pd.DataFrame:
        """Use in stock units; NaN in weeks that do not count."""
        units: pd.DataFrame = self.use / SCALE
        return units.where(self.observed)


def known_weeks(known_at: datetime) -> Weeks:
    """Return the whole weeks, on the shop's clocks, that had ended since regular work began: the latest."""
    shop = the_shop()
    end = monday_of(in_shop_zone(known_at, shop).date())
    first = regular_work_from(known_at)
    if first is None:
        return Weeks(end, 0, shop.zone)
    count = min(max((end - first) // A_WEEK, 0), HISTORY_WEEKS_MAX)
    return Weeks(end - count * A_WEEK, count, shop.zone)


def weeks_of(run: ForecastRun) -> Weeks:
    """Return the weeks of history of a run."""
    return Weeks(run.first_week, run.weeks, the_shop().zone)


def note(known_at: datetime, now: datetime, weeks: int | None) -> Noted:
    """Return the notes of a run of this moment: facts of that time that the books do not record.

    For a past moment these are the notes of a run of that time; where there was none, vans are those that
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
    seen = places_with_stock_moved(known_at)
    seen |= {van for van, _, _ in jobs_done(known_weeks(known_at), known_at)}
    if earlier is not None:
        seen |= set(earlier.noted["vans"])
    return {**found, "vans": sorted(seen), "booked": None}


def consumables_of(run: ForecastRun) -> list[int]:
    """Return the consumables to forecast, by their ids: those that vans used in the weeks of history."""
    return used_consumables(weeks_of(run), run.known_at)


@dataclass(frozen=True, slots=True)
class WorkingVans:
    """The vans to forecast: frames of weeks down and vans across, jobs done, and booked in weeks ahead."""

    jobs: pd.DataFrame
    booked: pd.DataFrame | None

    @property
    def places(self) -> list[int]:
        """The vans' places, in the order of their ids."""
        return [int(place) for place in self.jobs.columns]


def working_vans(run: ForecastRun) -> WorkingVans:
    """Return all vans that the run noted but those that were given up and have nothing booked."""
    weeks = weeks_of(run)
    vans = pd.Index(sorted(run.noted["vans"]), name=PLACE, dtype="int64")
    jobs = frame(jobs_done(weeks, run.known_at), iso_weeks(weeks.first, weeks.count), vans)
    booked = _booked(run, vans)
    stay = ~given_up(jobs)
    if booked is not None:
        stay |= booked.any()
    return WorkingVans(jobs.loc[:, stay], None if booked is None else booked.loc[:, stay])


def van_panel(run: ForecastRun, consumables: Sequence[int]) -> BurnPanel:
    """Read the panel of these consumables at all working vans, series by consumable."""
    weeks = weeks_of(run)
    came, went = weekly_flows(weeks, run.known_at, consumables)
    used = weekly_use(weeks, run.known_at, consumables)
    return panel_of(weeks, working_vans(run), consumables, used=used, came=came, went=went)


def panel_of(
    weeks: Weeks,
    vans: WorkingVans,
    consumables: Sequence[int],
    *,
    used: Sequence[WeekRow],
    came: Sequence[WeekRow],
    went: Sequence[WeekRow],
) -> BurnPanel:
    """Lay the rows that the books gave of some weeks out as a panel of all these vans and consumables."""
    with_before = iso_weeks(weeks.first - A_WEEK, weeks.count + 1)
    by_consumable = pd.MultiIndex.from_product([consumables, vans.places], names=[CONSUMABLE, PLACE])
    series = by_consumable.reorder_levels(SERIES)
    use = frame(used, with_before[1:], series)
    bare = bare_weeks(*(frame(flow, with_before, series, first_number=BEFORE) for flow in (came, went)))
    return BurnPanel(
        use=use,
        jobs=of_each("jobs", vans.jobs, series),
        observed=observed_weeks(use, vans.jobs, bare),
        booked=None if vans.booked is None else of_each("booked", vans.booked, series),
    )


def totals(panel: BurnPanel, depot: int) -> BurnPanel:
    """Add the vans' series of each consumable up to what the depot has to give.

    A week counts where it does for any van.
    """

    def added(table: pd.DataFrame) -> pd.DataFrame:
        sums = table.T.groupby(level=CONSUMABLE).sum().T
        return sums.set_axis(pd.MultiIndex.from_product([[depot], sums.columns], names=SERIES), axis=1)

    return BurnPanel(
        use=added(panel.use),
        jobs=added(panel.jobs),
        observed=added(panel.observed) > 0,
        booked=None if panel.booked is None else added(panel.booked),
    )


def _booked(run: ForecastRun, vans: pd.Index) -> pd.DataFrame | None:
    """Return the jobs booked: weeks ahead down, vans across."""
    booked = run.noted["booked"]
    if booked is None:
        return None
    by_van = pd.DataFrame({int(van): jobs for van, jobs in booked.items()}, dtype="int64")
    return by_van.reindex(index=range(AHEAD_WEEKS_MAX), columns=vans, fill_value=0)
