"""Open shopping data run through the books as jobs, uses and receipts, against a computation in pandas.

The data and its licence: fixtures/open/README.md. A basket is a job, a line is a use, and what a store sold
of a product in a quarter was delivered to it on the quarter's first day at what the lines sum to.
"""

from collections.abc import Iterator
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path

import pandas as pd
import pytest

from inventory.models import CostPolicy, Holding, MovementValue
from inventory.valuation.cost_layers import CostFormula
from shop.models import JobCost, JobUse
from tests.shop.csv_import import Imports

pytestmark = [pytest.mark.django_db, pytest.mark.slow, pytest.mark.same_on_each_database]

EXTRACT = Path(__file__).parents[3] / "fixtures" / "open" / "baskets_extract.csv"
LAST_PLACE = Decimal("0.0001")


@pytest.fixture(scope="module")
def lines() -> pd.DataFrame:
    """Return the lines of the baskets in the order in which stock left: by time, then by basket number."""
    lines = pd.read_csv(EXTRACT, dtype={"store_id": str, "product_id": str, "sales_value": str})
    lines["cost"] = lines["sales_value"].map(Decimal)
    lines["quarter"] = pd.PeriodIndex(pd.to_datetime(lines["at"]), freq="Q").start_time
    return lines.sort_values(["at", "basket_id"], ignore_index=True)


@pytest.fixture(scope="module")
def deliveries(lines: pd.DataFrame) -> pd.DataFrame:
    """Return what each store received of each product in each quarter."""
    keys = ["quarter", "store_id", "product_id"]
    totals = lines.groupby(keys, as_index=False).agg(quantity=("quantity", "sum"), cost=("cost", "sum"))
    # Deliveries of one day are taken in by the number of the store.
    return totals.sort_values(
        ["quarter", "store_id"], key=lambda column: column.astype("int64"), ignore_index=True
    )


def run_through_books(lines: pd.DataFrame, deliveries: pd.DataFrame, imports: Imports) -> pd.Series:
    """Import everything; return the value of each use, by basket and product."""
    imports(
        "consumables", *(f"{code},Product {code},counted,each,,," for code in lines["product_id"].unique())
    )
    imports(
        "receipts",
        *(
            f"{row.store_id}-{row.quarter:%Y%m%d},{row.quarter:%Y-%m-%d},WHOLESALE,{row.store_id},"
            f"{row.product_id},{row.quantity},{row.cost},0"
            for row in deliveries.itertuples()
        ),
    )
    imports(
        "jobs",
        *(
            f"{row.basket_id},{row.store_id},SELLER,{row.at},sale,other,annealed,,10,5,0,removed,"
            for row in lines.drop_duplicates("basket_id").itertuples()
        ),
    )
    imports("uses", *(f"{row.basket_id},{row.product_id},{row.quantity}," for row in lines.itertuples()))
    values = MovementValue.objects.filter(movement__document__kind="use").values_list(
        "movement__document__client_id", "movement__consumable__code", "value", "provisional"
    )
    booked = pd.DataFrame(values, columns=["basket_id", "product_id", "value", "provisional"])
    assert not booked["provisional"].any()
    booked["basket_id"] = booked["basket_id"].astype("int64")
    return booked.set_index(["basket_id", "product_id"])["value"]


def moving_average(lines: pd.DataFrame, deliveries: pd.DataFrame) -> pd.Series:
    """Return what each line cost at the moving average, to 4 places, all stores being one pool."""
    events = pd.concat(
        [
            deliveries.assign(moment=deliveries["quarter"], sign=1, basket_id=0),
            lines.assign(moment=pd.to_datetime(lines["at"]), sign=-1),
        ]
    ).sort_values(["moment", "sign", "basket_id"], ascending=[True, False, True], kind="stable")

    def cost_of_product(product: pd.DataFrame) -> Iterator[Decimal | None]:
        quantity, value = 0, Decimal(0)
        for sign, moved, paid in zip(product["sign"], product["quantity"], product["cost"], strict=True):
            if sign == 1:
                quantity, value = quantity + moved, value + paid
                yield None
            else:
                share = value * int(moved) / quantity
                cost = value if moved == quantity else share.quantize(LAST_PLACE, ROUND_HALF_EVEN)
                quantity, value = quantity - moved, value - cost
                yield cost

    events = events.sort_values("product_id", kind="stable", ignore_index=True)
    costs = [cost for _, product in events.groupby("product_id") for cost in cost_of_product(product)]
    events["value"] = pd.Series(costs, index=events.index, dtype=object)
    return events[events["sign"] == -1].set_index(["basket_id", "product_id"])["value"]


def first_in_first_out(lines: pd.DataFrame, deliveries: pd.DataFrame) -> pd.Series:
    """Return what each line cost first in first out, unrounded: the units of a product are numbered as they
    came and as they went, and a line costs what its numbers cost."""
    came = deliveries.assign(end=deliveries.groupby("product_id")["quantity"].cumsum())
    went = lines.assign(end=lines.groupby("product_id")["quantity"].cumsum())
    pairs = went.merge(came, on="product_id", suffixes=("", "_came"))
    start, start_came = pairs["end"] - pairs["quantity"], pairs["end_came"] - pairs["quantity_came"]
    shared = pairs[["end", "end_came"]].min(axis=1) - pd.concat([start, start_came], axis=1).max(axis=1)
    pairs["value"] = shared.clip(lower=0) * pairs["cost_came"].astype(float) / pairs["quantity_came"]
    return pairs.groupby(["basket_id", "product_id"])["value"].sum()


@pytest.fixture
def imports(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Imports:
    """Return a way to import texts."""
    return Imports(tmp_path, capsys)


def test_quantities_agree(lines: pd.DataFrame, deliveries: pd.DataFrame, imports: Imports) -> None:
    run_through_books(lines, deliveries, imports)
    booked = pd.DataFrame(
        JobUse.objects.values_list("job__van__place__code", "consumable__code", "quantity"),
        columns=["store_id", "product_id", "quantity"],
    )
    keys = ["store_id", "product_id"]
    expected = lines.groupby(keys)["quantity"].sum()
    assert booked.groupby(keys)["quantity"].sum().astype(int).equals(expected)
    assert len(booked) == len(lines) == 985
    assert set(Holding.objects.values_list("quantity", flat=True)) == {Decimal(0)}


def test_moving_average_agrees_to_the_last_digit(
    lines: pd.DataFrame, deliveries: pd.DataFrame, imports: Imports
) -> None:
    booked = run_through_books(lines, deliveries, imports)
    expected = moving_average(lines, deliveries)
    assert booked.sort_index().equals(expected.sort_index())
    by_job = dict(JobCost.objects.filter(document__kind="use").values_list("job__reference", "materials"))
    assert by_job == {str(job): cost for job, cost in expected.groupby("basket_id").sum().items()}


def test_first_in_first_out_agrees(lines: pd.DataFrame, deliveries: pd.DataFrame, imports: Imports) -> None:
    CostPolicy.objects.create(method=CostFormula.FIFO)
    booked = run_through_books(lines, deliveries, imports)
    expected = first_in_first_out(lines, deliveries)
    differences = booked.astype(float).sort_index() - expected.sort_index()
    # The ledger rounds each issue to 4 places and a layer's last issue takes what is left.
    assert differences.abs().max() < 0.0005
    assert not booked.sort_index().equals(moving_average(lines, deliveries).sort_index())
    assert booked.sum() == deliveries["cost"].sum() == lines["cost"].sum()
