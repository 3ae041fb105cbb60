"""Books, open orders, vans' drafts and suppliers' terms of every consumable, read at once."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal, localcontext
from typing import TypeVar, cast

from django.db.models import F, Model, QuerySet, Sum, Window
from django.db.models.functions import RowNumber

from forecasting.models import (
    BurnForecast,
    DiscountKind,
    ForecastRun,
    PackTerms,
    PurchaseLine,
    PurchaseReceipt,
    PurchaseStatus,
    RestockLine,
    RestockStatus,
    StockingTerms,
    SupplierTerms,
)
from forecasting.purchasing.lead_time_demand import BurnAhead
from forecasting.purchasing.lead_times import LeadTime, learned_lead_time
from forecasting.purchasing.reorder_rules import LeftOut
from forecasting.purchasing.sourcing import Item, Offer, ShopRules, SupplierRules
from forecasting.stock_control.numeric_checks import rounded
from forecasting.stock_control.price_breaks import PriceList
from forecasting.stock_control.spoilage import ExpiringLot
from inventory.decimals import PRECISION, ZERO
from inventory.documents import DocumentKind
from inventory.models import Consumable, Document, Holding, Pack, Place, PlaceKind
from inventory.reports import expiring_stock
from shop.common.text import hundredths_up

# How many of a supplier's latest deliveries say how long it takes, and what it charges for bringing them.
DELIVERIES_OF_LEAD_TIMES = 20
DELIVERIES_OF_CHARGES = 10
Row = TypeVar("Row", bound=Model)
COUNTING_ON = (
    PurchaseStatus.DRAFT,
    PurchaseStatus.APPROVED,
    PurchaseStatus.SENT,
    PurchaseStatus.PARTLY_RECEIVED,
)


@dataclass(frozen=True, slots=True)
class PurchaseInputs:
    """The facts that decide purchases; consumables, packs and suppliers by id and by code.

    `left_out` are consumables that are used and that no supplier sells.
    """

    items: list[Item]
    rules: ShopRules
    suppliers: dict[str, SupplierRules]
    lead_times: dict[str, LeadTime]
    consumables: dict[str, Consumable]
    packs: dict[int, Pack]
    left_out: list[LeftOut] = field(default_factory=list)


def gather(
    run: ForecastRun, depot: Place, terms: StockingTerms, today: date, *, renewed: Collection[int] = ()
) -> PurchaseInputs:
    """Read everything; the number of queries grows only by 50 consumables with lots that expire.

    Orders count as on the way once they are drafted, except those `renewed`, by id, which are decided again.
    """
    consumables = {row.pk: row for row in Consumable.objects.order_by("code")}
    at_depot, on_vans = _stock()
    on_order, owed = _on_order(renewed), _owed()
    burn = _burn(run, depot)
    lots = _expiring_lots(today)
    supplier_terms = {row.supplier.code: row for row in SupplierTerms.objects.select_related("supplier")}
    lead_times = _lead_times(supplier_terms)
    packs = {pack.pk: pack for pack in Pack.objects.select_related("supplier")}
    offers = _offers(packs, lead_times)
    sold: dict[int, list[Pack]] = defaultdict(list)
    for pack in packs.values():
        sold[pack.consumable_id].append(pack)
    items, left_out = [], []
    for pk, row in consumables.items():
        item = Item(
            consumable=row.code,
            unit=row.stock_unit,
            on_hand=at_depot.get(pk, ZERO),
            on_order=on_order.get(pk, ZERO),
            owed=owed.get(pk, ZERO),
            on_vans=on_vans.get(pk, ZERO),
            burn=burn.get(pk, BurnAhead(tuple(float(level) for level in run.levels), {}, {})),
            offers=tuple(offers.get(pk, ())),
            whole=row.comes_whole,
            shelf_life_days=row.shelf_life_days,
            lots=tuple(lots.get(row.code, ())),
        )
        if item.offers:
            items.append(item)
        elif item.burn.per_day > 0 or item.position < 0:
            left_out.append(LeftOut(row.code, "", _why_no_offer(sold[pk], supplier_terms)))
    return PurchaseInputs(
        items=items,
        rules=ShopRules(
            terms.service_depot, terms.review_days, terms.cover_days_after_top_up, terms.holding_rate
        ),
        suppliers={
            code: SupplierRules(row.order_cost, row.least_order_value) for code, row in supplier_terms.items()
        },
        lead_times=lead_times,
        consumables={row.code: row for row in consumables.values()},
        packs=packs,
        left_out=left_out,
    )


def lead_time_of(terms: SupplierTerms) -> LeadTime:
    """Return what one supplier's deliveries taught so far."""
    return _lead_times({terms.supplier.code: terms})[terms.supplier.code]


def _stock() -> tuple[dict[int, Decimal], dict[int, Decimal]]:
    """Return what depots hold of each consumable, and what vans do or is on its way to them."""
    found: dict[str, dict[int, Decimal]] = defaultdict(lambda: defaultdict(Decimal))
    kinds = (PlaceKind.DEPOT, PlaceKind.VAN, PlaceKind.TRANSIT)
    rows = Holding.objects.filter(place__kind__in=kinds).order_by()
    for kind, consumable, total in rows.values_list("place__kind", "consumable_id").annotate(
        total=Sum("quantity")
    ):
        found["depot" if kind == PlaceKind.DEPOT else "vans"][consumable] += total
    return found["depot"], found["vans"]


def _expiring_lots(today: date) -> dict[str, list[ExpiringLot]]:
    """Return the lots in depots that expire some day, by consumable."""
    depots = set(Place.objects.filter(kind=PlaceKind.DEPOT).values_list("code", flat=True))
    found: dict[str, list[ExpiringLot]] = defaultdict(list)
    for row in expiring_stock.expiring(date.max):
        if row.place in depots:
            found[row.consumable].append(ExpiringLot.on(row.expires_on, today, row.quantity))
    return found


def _on_order(renewed: Collection[int]) -> dict[int, Decimal]:
    found: dict[int, Decimal] = defaultdict(Decimal)
    lines = PurchaseLine.objects.filter(purchase__status__in=COUNTING_ON).exclude(purchase__in=renewed)
    for line in lines.order_by():
        found[line.consumable_id] += line.open_units
    return found


def _owed() -> dict[int, Decimal]:
    """Return what vans are to get and is still in the depot: approved, or wanted by a draft."""
    found: dict[int, Decimal] = defaultdict(Decimal)
    waiting = (RestockStatus.DRAFT, RestockStatus.APPROVED)
    rows = RestockLine.objects.filter(restock__status__in=waiting).order_by()
    for consumable, status, wanted, changed_to, approved in rows.values_list(
        "consumable_id", "restock__status", "wanted", "changed_to", "approved"
    ):
        asked_for = wanted if changed_to is None else changed_to
        found[consumable] += (asked_for if status == RestockStatus.DRAFT else approved) or ZERO
    return found


def _burn(run: ForecastRun, depot: Place) -> dict[int, BurnAhead]:
    means: dict[int, dict[int, Decimal]] = defaultdict(dict)
    quantiles: dict[int, dict[int, tuple[Decimal, ...]]] = defaultdict(dict)
    rows = BurnForecast.objects.filter(run=run, place=depot).order_by()
    for consumable, weeks, mean, stored in rows.values_list(
        "consumable_id", "weeks_ahead", "mean", "quantiles"
    ):
        means[consumable][weeks] = mean
        quantiles[consumable][weeks] = tuple(Decimal(quantile) for quantile in stored)
    levels = tuple(float(level) for level in run.levels)
    return {pk: BurnAhead(levels, means[pk], quantiles[pk]) for pk in means}


def _lead_times(terms: dict[str, SupplierTerms]) -> dict[str, LeadTime]:
    observed: dict[str, list[Decimal]] = defaultdict(list)
    seen = PurchaseReceipt.objects.filter(taken_back=False)
    latest = _latest(seen, "purchase__supplier", "-document__occurred_at", DELIVERIES_OF_LEAD_TIMES)
    for code, days in latest.values_list("purchase__supplier__code", "lead_days"):
        observed[code].append(days)
    return {code: learned_lead_time(row.lead_days, observed[code]) for code, row in terms.items()}


def _latest(rows: QuerySet[Row], by: str, order: str, number: int) -> QuerySet[Row]:
    """Return the first `number` rows of each group."""
    rank = Window(RowNumber(), partition_by=F(by), order_by=[order, "-pk"])
    return cast("QuerySet[Row]", rows.alias(rank=rank).filter(rank__lte=number).order_by())


def _offers(packs: dict[int, Pack], lead_times: dict[str, LeadTime]) -> dict[int, list[Offer]]:
    """Return what can be bought of each consumable: packs with a price, of suppliers with terms."""
    charges = _charges()
    offers: dict[int, list[Offer]] = defaultdict(list)
    for terms in PackTerms.objects.prefetch_related("breaks"):
        pack = packs[terms.pk]
        if pack.supplier.code in lead_times:
            offers[pack.consumable_id].append(
                Offer(
                    key=pack.pk,
                    supplier=pack.supplier.code,
                    pack=pack.name,
                    units=pack.stock_units,
                    prices=price_list_of(terms),
                    lead_time=lead_times[pack.supplier.code],
                    least_packs=terms.least_packs,
                    charges=charges.get(pack.supplier_id, ZERO),
                )
            )
    return offers


def price_list_of(terms: PackTerms) -> PriceList:
    """Return the price list of a pack. Breaks that do not lower the price are none."""
    breaks: list[tuple[int, Decimal]] = []
    price = terms.price
    for row in sorted(terms.breaks.all(), key=lambda found: found.from_packs):
        if row.price < price:
            breaks.append((row.from_packs, row.price))
            price = row.price
    return PriceList(terms.price, terms.discount == DiscountKind.ALL_UNITS, tuple(breaks))


def _charges() -> dict[int, Decimal]:
    """Return freight and duty less discount of each supplier's latest deliveries, as a share of price."""
    receipts = Document.objects.filter(
        kind=DocumentKind.RECEIPT, corrected_by__isnull=True, supplier__isnull=False
    )
    latest = _latest(receipts, "supplier", "-posted_at", DELIVERIES_OF_CHARGES)
    price: dict[int, Decimal] = defaultdict(Decimal)
    extra: dict[int, Decimal] = defaultdict(Decimal)
    for supplier, content in latest.values_list("supplier_id", "content"):
        price[supplier] += sum((Decimal(line["cost"]) for line in content["lines"]), ZERO)
        extra[supplier] += (
            Decimal(content["freight"]) + Decimal(content["duty"]) - Decimal(content["discount"])
        )
    with localcontext(prec=PRECISION):
        return {pk: rounded(extra[pk] / total) for pk, total in price.items() if total > 0}


def _why_no_offer(sold: list[Pack], terms: dict[str, SupplierTerms]) -> str:
    """Say what is missing to order a consumable, of which all packs are given, and where to give it."""
    if not sold:
        return "no supplier sells it; add a pack to the supplier's terms"
    without = sorted({pack.supplier.code for pack in sold if pack.supplier.code not in terms})
    if len(without) == len({pack.supplier.code for pack in sold}):
        return f"it is not known how long {' and '.join(without)} takes; give the supplier's terms"
    names = sorted(f"{pack.name} of {hundredths_up(pack.stock_units)} of {pack.supplier}" for pack in sold)
    return f"{' and '.join(names)} has no price; give it in the supplier's terms"
