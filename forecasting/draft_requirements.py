"""What drafts need: a depot that fills the vans, and a finished forecast."""

from forecasting.models import ForecastRun, StockingTerms
from inventory.models import Place, PlaceKind
from shop.models import on_shop_clocks


class CannotDraftError(ValueError):
    """Nothing can be drafted as the shop is set up; says what to do."""


def depot_of(terms: StockingTerms) -> Place:
    """Return the depot that fills the vans. Raises CannotDraftError unless it is clear which one."""
    if terms.restock_from is not None:
        return terms.restock_from
    depots = list(Place.objects.filter(kind=PlaceKind.DEPOT).order_by("code")[:2])
    if not depots:
        raise CannotDraftError(
            "There is no depot to fill vans from; add a place of the kind depot under Set-up."
        )
    if len(depots) > 1:
        names = " and ".join(depot.code for depot in depots)
        raise CannotDraftError(f"{names} could fill the vans; choose one in the restock settings.")
    return depots[0]


def require_finished(run: ForecastRun) -> None:
    """Raise CannotDraftError for a forecast that is still being made."""
    if run.finished_at is None:
        raise CannotDraftError(
            f"The forecast of {on_shop_clocks(run.known_at)} is not finished; wait for it."
        )
