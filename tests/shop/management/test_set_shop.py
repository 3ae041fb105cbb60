"""set_shop: settings change together or not at all, and values and job costs follow them."""

from datetime import date
from decimal import Decimal
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from inventory.integrity.stock_checks import Disagreement, stock_disagreements
from inventory.items.iso_4217 import ACTIVE, OTHER_DIGITS, currency_problem, minor_unit_digits
from inventory.models import Books, CostPolicy, MovementValue
from shop.integrity import job_cost_checks
from shop.models import JobCost, LabourRate, OverheadRate, Technician, the_shop
from tests.inventory.small_shop import receive
from tests.shop.job_shop import close, open_job_shop
from tests.shop.world import run, used

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _shop() -> None:
    open_job_shop()


def disagreements() -> list[Disagreement]:
    return [*stock_disagreements(), *job_cost_checks.disagreements()]


def materials(job: str) -> Decimal:
    cost: Decimal = JobCost.objects.get(job__reference=job).materials
    return cost


def use_across_a_price_rise() -> None:
    """10 at 1 each, then 10 at 3 each; 5 used while both are there: FIFO 5, average 5 x 2 = 10."""
    receive("R-1", 0, ("disc-p400", "10", "10"))
    receive("R-2", 1, ("disc-p400", "10", "30"))
    close("J-1", 2, used("disc-p400", "5"))


def test_without_options_the_settings_are_shown_and_nothing_changes() -> None:
    assert run("set_shop") == (
        "name           Our shop\n"
        "currency       EUR, kept to 2 decimal places\n"
        "time zone      UTC\n"
        "target margin  30 %\n"
        "length unit    millimetres\n"
        "books          nothing is locked\n"
        "cost method    moving_average\n"
    )
    assert not CostPolicy.objects.exists()


def test_all_settings_are_set_and_shown() -> None:
    printed = run(
        "set_shop",
        *(
            "--name",
            "Clear View",
            "--currency",
            "KWD",
            "--timezone",
            "Europe/Lisbon",
            "--target-margin",
            "32.5",
            "--length-unit",
            "in",
        ),
        *("--cost-method", "fifo", "--labour-rate", "42.50", "--rates-from", "2026-01-01"),
        *("--monthly-overhead", "6000", "--capacity-minutes", "9600", "--vehicle-rate", "0.35"),
    )
    assert printed == (
        "name           Clear View\n"
        "currency       KWD, kept to 3 decimal places\n"
        "time zone      Europe/Lisbon\n"
        "target margin  32.5 %\n"
        "length unit    inches\n"
        "books          nothing is locked\n"
        "cost method    fifo\n"
        "labour rate    42.5 per hour, all others, from 2026-01-01\n"
        "overhead       6000 a month over 9600 minutes, vehicle 0.35 per minute, from 2026-01-01\n"
        "documents whose values changed: 0\n"
    )
    assert Books.objects.get().minor_unit == Decimal("0.001")


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["--currency", "EURO"], "at most 3 characters"),
        (["--currency", "eur"], "three capital letters"),
        (["--timezone", "Mars/Olympus"], "not a time zone of the tz database"),
        (["--name", "=1+1"], "formula"),
        (["--name", ""], "cannot be blank"),
        (["--target-margin", "130"], "less than or equal to 100"),
        (["--currency", "XAU"], "not the code of a currency in use"),
        (["--currency", "BGN"], "not the code of a currency in use"),
        (["--timezone", ""], "time zone: This field cannot be blank"),
        *(
            (["--timezone", zone], "not a time zone of the tz database")
            for zone in ("localtime", "Factory", "posixrules", "posix/Europe/Lisbon", "right/Europe/Lisbon")
        ),
        *(
            (["--labour-rate", text], "is not a plain number")
            for text in ("NaN", "1e3", "1_000", "\u0663", " 30", "+30")
        ),
        (["--capacity-minutes", "9600"], "monthly overhead: give what the shop costs in a month as well"),
        (["--labour-rate", "-1"], "greater than or equal to 0"),
        (["--labour-rate", "1e30"], "is not a plain number"),
        (["--labour-rate", "1.23456"], "no more than 4 decimal places"),
        (["--labour-rate", "30", "--technician", "bob"], "'bob' is not a known technician"),
        (["--technician", "ann"], "goes with a labour rate"),
        (["--rates-from", "2026-01-01"], "goes with a rate"),
        (["--monthly-overhead", "100"], "labour minutes the shop can practically do"),
        (["--monthly-overhead", "100", "--capacity-minutes", "0"], "greater than or equal to 1"),
        (["--cost-method", "lifo"], "invalid choice"),
    ],
)
def test_one_bad_setting_and_none_is_changed(arguments: list[str], complaint: str) -> None:
    with pytest.raises(CommandError, match=complaint):
        run("set_shop", "--name", "Clear View", "--target-margin", "1", "--cost-method", "fifo", *arguments)
    assert (the_shop().name, the_shop().target_margin_percent) == ("Our shop", Decimal(30))
    assert not OverheadRate.objects.exists()
    assert not LabourRate.objects.exists()
    assert not CostPolicy.objects.exists()


def test_another_cost_method_values_all_again_and_job_costs_follow() -> None:
    use_across_a_price_rise()
    assert materials("J-1") == 10
    assert run("set_shop", "--cost-method", "fifo").endswith("documents whose values changed: 1\n")
    assert materials("J-1") == 5
    assert disagreements() == []
    assert run("set_shop", "--cost-method", "moving_average").endswith("documents whose values changed: 1\n")
    assert materials("J-1") == 10
    assert CostPolicy.objects.get().effective_from is None


def test_the_cost_method_of_a_locked_period_stays() -> None:
    """After the average's 5 for 10, 15 are left for 30; by FIFO they are one layer of 2 each."""
    use_across_a_price_rise()
    run("lock_period", "--through", "2026-01-20")
    receive("R-3", 30, ("disc-p400", "10", "50"))
    close("J-2", 31, used("disc-p400", "15"))
    assert materials("J-2") == Decimal(48)
    printed = run("set_shop", "--cost-method", "fifo")
    assert "cost method    moving_average\ncost method    fifo, from 2026-01-21T00:00:00+00:00\n" in printed
    assert (materials("J-1"), materials("J-2")) == (Decimal(10), Decimal(30))
    assert disagreements() == []


def test_setting_the_method_in_force_changes_nothing() -> None:
    use_across_a_price_rise()
    before = list(MovementValue.objects.values_list("pk", "value"))
    assert run("set_shop", "--cost-method", "moving_average").endswith("documents whose values changed: 0\n")
    assert list(MovementValue.objects.values_list("pk", "value")) == before
    assert not CostPolicy.objects.exists()


def test_rates_without_a_day_were_always_in_force_while_nothing_is_locked() -> None:
    """60 minutes at 30 an hour; 30 minutes of travel at 30 an hour and 0.5 a minute; 60 x 4800 / 9600."""
    close("J-1", 0)
    run("set_shop", "--labour-rate", "30", "--vehicle-rate", "0.5")
    run("set_shop", "--monthly-overhead", "4800", "--capacity-minutes", "9600")
    cost = JobCost.objects.get()
    assert (cost.labour, cost.travel, cost.overhead) == (Decimal(30), Decimal(30), Decimal(30))
    assert OverheadRate.objects.get().vehicle_per_minute == Decimal("0.5")
    assert disagreements() == []


def test_a_rate_from_a_day_on_leaves_earlier_jobs_as_they_are() -> None:
    run("set_shop", "--labour-rate", "30")
    close("J-1", 0)
    close("J-2", 10)
    run("set_shop", "--labour-rate", "36", "--rates-from", "2026-01-11")
    run("set_shop", "--labour-rate", "48", "--technician", "ann", "--rates-from", "2026-01-12")
    labour = dict(JobCost.objects.values_list("job__reference", "labour"))
    assert labour == {"J-1": Decimal(30), "J-2": Decimal(36)}
    assert disagreements() == []


def test_setting_a_rate_for_the_same_day_again_replaces_it() -> None:
    run("set_shop", "--labour-rate", "30")
    run("set_shop", "--labour-rate", "33")
    assert LabourRate.objects.get().per_hour == 33


def test_what_an_overhead_does_not_name_stays_as_it_was() -> None:
    run("set_shop", "--monthly-overhead", "4800", "--capacity-minutes", "9600", "--vehicle-rate", "0.5")
    run("set_shop", "--monthly-overhead", "5000", "--rates-from", "2026-03-01")
    rates = OverheadRate.objects.order_by("effective_from")
    figures = [(rate.monthly_overhead, rate.capacity_minutes, rate.vehicle_per_minute) for rate in rates]
    assert figures == [
        (Decimal(4800), Decimal(9600), Decimal("0.5")),
        (Decimal(5000), Decimal(9600), Decimal("0.5")),
    ]


def test_a_vehicle_rate_alone_stands_without_overhead_and_gives_it_no_capacity() -> None:
    printed = run("set_shop", "--vehicle-rate", "0.5")
    assert "overhead       0 a month, vehicle 0.5 per minute\n" in printed
    with pytest.raises(CommandError, match="capacity minutes: give the labour minutes"):
        run("set_shop", "--monthly-overhead", "4800")
    with pytest.raises(CommandError, match="monthly overhead: give what the shop costs"):
        run("set_shop", "--capacity-minutes", "9600")
    run("set_shop", "--monthly-overhead", "4800", "--capacity-minutes", "9600")
    assert "4800 a month over 8000 minutes, vehicle 0.5" in run("set_shop", "--capacity-minutes", "8000")


def test_a_rate_that_a_later_one_ends_is_warned_of() -> None:
    run("set_shop", "--labour-rate", "40", "--rates-from", "2026-03-01")
    run("set_shop", "--monthly-overhead", "4800", "--capacity-minutes", "9600", "--rates-from", "2026-04-01")
    errors = StringIO()
    rates = ("--labour-rate", "30", "--monthly-overhead", "4000", "--capacity-minutes", "9600")
    call_command("set_shop", *rates, stdout=StringIO(), stderr=errors)
    assert errors.getvalue().splitlines() == [
        "warning: from 2026-03-01 on another labour rate of 40 is in force",
        "warning: from 2026-04-01 on another monthly overhead of 4800 is in force",
    ]
    errors = StringIO()
    call_command("set_shop", "--labour-rate", "50", "--rates-from", "2026-05-01", stderr=errors)
    assert errors.getvalue() == ""


def test_rates_in_a_locked_period_are_fixed() -> None:
    run("lock_period", "--through", "2026-01-31")
    with pytest.raises(CommandError, match="2026-01-31 is locked; the first open day is 2026-02-01"):
        run("set_shop", "--labour-rate", "30", "--rates-from", "2026-01-31")
    run("set_shop", "--labour-rate", "30")
    assert LabourRate.objects.get().effective_from == date(2026, 2, 1)


def test_currency_stays_once_documents_are_posted() -> None:
    run("set_shop", "--currency", "JPY")
    receive("R-1", 0, ("disc-p400", "1", "1"))
    with pytest.raises(CommandError, match="stays JPY once documents are posted"):
        run("set_shop", "--currency", "EUR")
    run("set_shop", "--currency", "JPY", "--name", "Same currency")
    assert Books.objects.get().minor_unit_digits == 0


def test_a_new_time_zone_moves_jobs_to_their_day_there_and_warns_about_files() -> None:
    """J-1 closed at 08:00 UTC on the 1st: that is still 31 December in Honolulu, ten hours behind."""
    run("set_shop", "--labour-rate", "30", "--rates-from", "2025-12-01")
    run("set_shop", "--labour-rate", "36", "--rates-from", "2026-01-01")
    close("J-1", 0)
    assert JobCost.objects.get().labour == 36
    errors = StringIO()
    call_command("set_shop", "--timezone", "Pacific/Honolulu", stdout=StringIO(), stderr=errors)
    assert "importing them again will be refused" in errors.getvalue()
    assert JobCost.objects.get().labour == 30
    assert disagreements() == []


def test_the_time_zone_stays_while_a_period_is_locked() -> None:
    run("lock_period", "--through", "2026-01-31")
    with pytest.raises(CommandError, match="time zone: stays UTC while a period is locked"):
        run("set_shop", "--timezone", "Europe/Lisbon")


def test_technicians_whose_time_costs_nothing_are_named() -> None:
    Technician.objects.create(code="bob")
    errors = StringIO()
    call_command("set_shop", "--labour-rate", "30", "--technician", "bob", stdout=StringIO(), stderr=errors)
    assert "warning: 1 without a labour rate, so their time costs nothing: ann" in errors.getvalue()
    errors = StringIO()
    call_command("set_shop", "--labour-rate", "30", stdout=StringIO(), stderr=errors)
    assert errors.getvalue() == ""


def test_books_are_kept_in_currencies_of_iso_4217_in_use() -> None:
    """ISO 4217 list one of 2026-01-01; kuna, lev and Antillean guilder are withdrawn."""
    assert all(currency_problem(code) is None for code in ("EUR", "JPY", "KWD", "XOF", "XCG", "ZWG"))
    refused = ("XXX", "XTS", "XAU", "XAG", "XDR", "XBA", "HRK", "BGN", "ANG", "eur", "EUX", "")
    assert all(currency_problem(code) for code in refused)
    assert {code for codes in OTHER_DIGITS.values() for code in codes.split()} <= ACTIVE


def test_currencies_have_the_decimal_places_of_iso_4217() -> None:
    """ISO 4217 list one: yen 0, euro 2, Kuwaiti dinar 3, Unidad de Fomento 4."""
    assert [minor_unit_digits(code) for code in ("JPY", "EUR", "KWD", "CLF")] == [0, 2, 3, 4]
