"""The pages of the burn forecast, and the same over HTTP."""

from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from forecasting.models import BurnForecast, ForecastRun
from inventory.models import Consumable
from shop.models import Person, Technician, Van
from tests.forecasting.burn_shop import moment, open_burn_shop, stored_forecast
from tests.shop.job_shop import open_job_shop

pytestmark = pytest.mark.django_db

DISC, COMPOUND = "disc-p400", "compound"
API = "/api/v1/forecasts/"


def signed_in(role: str) -> Client:
    person = Person.objects.get_or_create(username=role, role=role)[0]
    client = Client()
    client.force_login(person)
    return client


def technician(van: str) -> Client:
    client = signed_in("technician")
    Technician.objects.filter(code="ann").update(
        person=Person.objects.get(username="technician"), van=Van.objects.get(place__code=van)
    )
    return client


def page(client: Client, path: str = "/burn/", **asked: str) -> str:
    answer = client.get(path, asked)
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.fixture
def two_vans() -> None:
    open_job_shop()
    run = stored_forecast("van-a", DISC).run
    row = BurnForecast.objects.get()
    for place, consumable in (("van-b", DISC), ("van-a", COMPOUND), ("depot", DISC)):
        row.pk = None
        row.place = type(row.place).objects.get(code=place)
        row.consumable = Consumable.objects.get(code=consumable)
        row.run = run
        row.save(force_insert=True)


@pytest.mark.usefixtures("two_vans")
def test_the_list_shows_the_latest_finished_run_with_how_good_it_was() -> None:
    ForecastRun.objects.create(
        known_at=moment(9), first_week=moment(0), weeks=9, levels=[], made_at=moment(9)
    )
    shown = page(signed_in("owner"))
    assert "The stated 95% held in 3 of 3 weeks." in shown
    assert shown.count("<tr>") == 5
    assert "3 of 3 weeks</td>" in shown


@pytest.mark.usefixtures("two_vans")
def test_the_list_is_narrowed_by_van_consumable_and_demand() -> None:
    client = signed_in("accountant")
    for asked, rows in (
        ({"van": "van-a"}, 2),
        ({"consumable": DISC}, 3),
        ({"van": "van-b", "consumable": COMPOUND}, 0),
        ({"demand": "smooth"}, 4),
        ({"demand": "lumpy"}, 0),
    ):
        shown = page(client, **asked)
        assert shown.count('<td data-label="Where">') == rows
        assert ("No forecast matches" in shown) == (rows == 0)


def test_an_empty_shop_is_told_what_to_do() -> None:
    open_job_shop()
    assert "<strong>Forecast now</strong> makes one" in page(signed_in("storekeeper"))
    shown = page(signed_in("accountant"))
    assert "No forecast has been made yet" in shown
    assert "Forecast now" not in shown


@pytest.mark.usefixtures("two_vans")
def test_a_technician_sees_the_own_van_only() -> None:
    client = technician("van-a")
    shown = page(client)
    assert shown.count('<td data-label="Where">van-a</td>') == shown.count('<td data-label="Where">') == 2
    assert "Forecast now" not in shown
    rows = BurnForecast.objects
    for place in ("van-b", "depot"):
        assert client.get(f"/burn/{place}/{DISC}/").status_code == 404
        assert client.get(f"/burn/chart/{rows.get(place__code=place).pk}/").status_code == 404
    assert {row["place"] for row in client.get(API).json()["results"]} == {"van-a"}
    Technician.objects.update(van=None)
    assert "nothing to forecast here" in page(client)
    assert client.get(API).json()["count"] == 0


@pytest.mark.usefixtures("two_vans")
def test_one_forecast_says_how_why_and_how_well() -> None:
    shown = page(signed_in("storekeeper"), f"/burn/van-a/{DISC}/")
    for said in (
        "The stated 95% held in 3 of 3 weeks.",
        "The stated 80% held in 2 of 3 weeks.",
        "Their mean was 4% too high in sum.",
        "The recent use of this van and of the others",
        "used most weeks, in similar amounts",
        "3 whole weeks, 1 of them left out",
        '<td class="number"><span class="soft">does not count</span></td>',
        '<th scope="row">2024-W01</th><td>2024-01-01</td><td class="number">4</td>',
        "not known",
    ):
        assert said in shown
    assert "what all vans together burn" in page(signed_in("owner"), f"/burn/depot/{DISC}/")
    assert signed_in("owner").get("/burn/van-a/nothing/").status_code == 404
    assert signed_in("owner").get(f"/burn/nowhere/{DISC}/").status_code == 404


@pytest.mark.usefixtures("two_vans")
def test_the_chart_is_drawn_for_both_themes() -> None:
    client = signed_in("owner")
    row = BurnForecast.objects.get(place__code="van-a", consumable__code=DISC)
    light, dark = (client.get(f"/burn/chart/{row.pk}/", {"theme": theme}) for theme in ("light", "dark"))
    assert light["Content-Type"] == dark["Content-Type"] == "image/svg+xml"
    assert light.content != dark.content
    drawn = light.content.decode()
    for said in ("used in the week", "median", "50%", "80%", "95%", "ahead", "each a week"):
        assert said in drawn


def test_the_button_forecasts_now_and_not_while_that_is_being_done(monkeypatch: pytest.MonkeyPatch) -> None:
    open_burn_shop(2)
    monkeypatch.setattr(timezone, "now", lambda: moment(2))
    client = signed_in("owner")
    assert client.post("/burn/forecast/").headers["Location"] == "/burn/"
    run = ForecastRun.objects.get()
    assert (run.made_by, run.finished_at is not None) == ("owner", True)
    assert "Forecast made." in page(client)
    ForecastRun.objects.create(
        known_at=run.known_at, first_week=run.first_week, weeks=1, levels=[], made_at=run.made_at
    )
    client.post("/burn/forecast/")
    assert ForecastRun.objects.count() == 2
    assert "being made at this moment" in page(client)
    for role in ("accountant", "technician"):
        assert signed_in(role).post("/burn/forecast/").status_code == 403
    assert client.get("/burn/forecast/").status_code == 405


def results(client: Client, **asked: Any) -> list[dict[str, Any]]:
    answer = client.get(API, asked)
    assert answer.status_code == 200, answer.content
    return list(answer.json()["results"])


@pytest.mark.usefixtures("two_vans")
def test_the_api_lists_the_latest_run_or_one_that_is_named() -> None:
    client = signed_in("accountant")
    first = ForecastRun.objects.get()
    later = stored_forecast("van-b", COMPOUND, known_at=moment(5)).run
    assert [(row["run"], row["place"], row["consumable"]) for row in results(client)] == [
        (later.pk, "van-b", COMPOUND)
    ]
    assert len(results(client, run=first.pk)) == 4
    assert [row["place"] for row in results(client, run=first.pk, consumable=DISC, place="van-b")] == [
        "van-b"
    ]
    assert results(client, run=first.pk, weeks_ahead=2) == []
    row = results(client, run=first.pk, sort="-place")[0]
    assert row["quantiles"]["0.95"] == str(round(9.5))
    assert row["held"]["0.5"] == 2
    assert (row["mean"], row["unit"], row["jobs_booked"], row["tested"]) == ("5.0000", "each", None, 3)
    unfinished = ForecastRun.objects.create(
        known_at=moment(9), first_week=first.first_week, weeks=9, levels=[], made_at=moment(9)
    )
    assert results(client, run=unfinished.pk) == []


@pytest.mark.usefixtures("two_vans")
@pytest.mark.parametrize(
    "asked", [{"run": "0"}, {"run": "one"}, {"weeks_ahead": "-1"}, {"run": "9" * 30}, {"van": "van-a"}]
)
def test_the_api_refuses_what_it_does_not_understand(asked: dict[str, str]) -> None:
    assert signed_in("owner").get(API, asked).status_code == 400


@pytest.mark.usefixtures("two_vans")
def test_the_number_of_queries_does_not_grow_with_the_forecasts() -> None:
    client = signed_in("owner")

    def queries() -> list[int]:
        found = []
        for path in ("/burn/", API, f"/burn/van-a/{DISC}/"):
            with CaptureQueriesContext(connection) as captured:
                assert client.get(path).status_code == 200
            found.append(len(captured))
        return found

    queries()  # the session is written once
    few = queries()
    row = BurnForecast.objects.get(place__code="van-a", consumable__code=DISC)
    for number in range(30):
        row.pk = None
        row.consumable = Consumable.objects.create(
            code=f"X-{number}", name="Cloth", kind="counted", stock_unit="each"
        )
        row.save(force_insert=True)
    assert queries() == few


def test_what_the_page_says_is_what_the_run_says(monkeypatch: pytest.MonkeyPatch) -> None:
    open_burn_shop(8)
    monkeypatch.setattr(timezone, "now", lambda: moment(8))
    client = signed_in("owner")
    client.post("/burn/forecast/")
    row = BurnForecast.objects.get(place__code="van-a", consumable__code=DISC, weeks_ahead=1)
    median = Decimal(row.quantiles[row.run.levels.index(0.5)])
    shown = page(client, van="van-a", consumable=DISC)
    assert f'class="number">{median.normalize():f} each</td>' in shown


# A run of another version may have stored other levels than the pages show, even none.
OTHER_LEVELS = [[0.1, 0.5, 0.9], [0.25, 0.75, 0.95], [0.33], []]


@pytest.mark.parametrize("levels", OTHER_LEVELS)
def test_a_forecast_with_other_levels_is_shown_with_those_it_has(levels: list[float]) -> None:
    open_job_shop()
    row = stored_forecast("van-a", DISC, levels=levels)
    owner = signed_in("owner")
    listed, shown = page(owner), page(owner, f"/burn/van-a/{DISC}/")
    for text in (listed, shown):
        assert "Not all levels of this page are stored" in text
        for level in levels:
            assert f"{100 * level:g}%" in text
    assert listed.count("not stored") >= 1
    assert owner.get(f"/burn/chart/{row.pk}/").status_code == 200
    assert owner.get(API, {"place": "van-a"}).status_code == 200
