"""Restocks as people see and take them: the list, a draft, picking, confirming, and differences."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from forecasting.models import Restock, StockingTerms
from forecasting.replenishment.approval import approve
from forecasting.replenishment.pick_ship_receive import confirm, pick
from inventory.models import Consumable, Lot, Place, PlaceKind
from tests.forecasting.restock_shop import COMPOUND, DISC, NOW, PAD, WEEK, draft, forecast, line, stock
from tests.inventory.small_shop import receive
from tests.shop.api.served_shop import open_served_shop, signed_in
from tests.shop.web.test_home_views import Page

pytestmark = pytest.mark.django_db
BURN = (10, 40, 50, 60, 70, 80, 90, 99)
Step = Callable[..., Any]


@pytest.fixture
def restock() -> Restock:
    """Draft van-a's restock in a shop of five people: 70 discs less 50 on board, and 70 ml of compound."""
    open_served_shop()
    # The site asks the clock, by which this compound expired long ago.
    Lot.objects.update(expires_on=None)
    StockingTerms.objects.update(van_lead_days=0)
    burn = {(van, consumable): BURN for van in ("van-a", "van-b") for consumable in (DISC, COMPOUND)}
    return draft(forecast(burn))["van-a"]


def see(name: str, path: str, status: int = 200) -> Page:
    """Return a page as a person sees it."""
    answer = signed_in(name).get(path)
    assert answer.status_code == status
    return Page(answer.content.decode())


def send(name: str, path: str, **fields: str) -> Page:
    """Send a form as a person, and return the page it leads to."""
    return Page(signed_in(name).post(path, fields, follow=True).content.decode())


def fields(restock: Restock, **quantities: str) -> dict[str, str]:
    """Return form fields: disc="3" gives three discs, what is not named is left empty."""
    codes = {"disc": DISC, "compound": COMPOUND}
    return {f"quantity-{line(restock, codes[name]).pk}": text for name, text in quantities.items()}


def bring(restock: Restock, *steps: Step) -> None:
    """Take steps without a form."""
    for step in steps:
        step(restock.pk, by="sue", now=NOW)


def test_a_draft_is_shown_with_its_reasons_changed_and_approved(restock: Restock) -> None:
    path = f"/restocks/{restock.pk}/"
    seen = see("sue", path)
    for shown in (
        "Disc",
        "70 cover the next 7 days in 90 of 100 cases; with 50 on board, 20 are missing.",
        "10 days",
    ):
        assert shown in seen.text
    values = {
        field["name"]: field["value"] for field in seen.all("input") if "quantity" in (field["name"] or "")
    }
    assert values == {**fields(restock, disc="20", compound="70")}
    after = send("sue", f"{path}change/", approve="1", **fields(restock, disc="12", compound=""))
    assert "Approved: it is ready to be picked." in after.text
    assert "changed from the suggestion: 0 compound, 12 disc-p400" in after.text
    assert (line(restock).approved, line(restock, COMPOUND).approved) == (12, 0)
    again = send("sue", f"{path}change/", approve="1", **fields(restock, disc="12", compound=""))
    assert "That was done already." in again.text


def test_the_whole_way_by_forms(restock: Restock) -> None:
    path = f"/restocks/{restock.pk}/"
    send("sue", f"{path}change/", approve="1", **fields(restock, disc="12", compound="70"))
    assert "the depot holds 100 each" in see("sue", f"{path}pick/").text
    assert (
        "under way to the van"
        in send("sue", f"{path}pick/", **fields(restock, disc="11", compound="70")).text
    )
    assert "Sent: 11 each" in see("ann", f"{path}confirm/").text
    after = send("ann", f"{path}confirm/", **fields(restock, disc="9", compound="70"))
    assert "What did not arrive stays under way" in after.text
    assert "2 open" in after.text
    listed = see("sue", "/restocks/?status=differences")
    assert "open differences" in listed.text
    assert len([cell for cell in listed.all("th") if cell.get("scope") == "row"]) == 1
    disc = line(restock).pk
    said = {f"quantity-{disc}": "2", f"where-{disc}": "at_depot", f"open-{disc}": "2"}
    assert "Settled." in send("sue", f"{path}differences/", **said).text
    assert "That was done already." in send("sue", f"{path}differences/", **said).text
    assert stock()["van-a", DISC] == 59
    assert stock()["depot", DISC] == 91
    assert "Nothing is open" in send_get("sue", f"{path}differences/")


def send_get(name: str, path: str) -> str:
    """Return the text of where a page sends a person."""
    return Page(signed_in(name).get(path, follow=True).content.decode()).text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("-1", "This is negative; give 0 or more."),
        ("1.5", "This is handed out whole; give a whole number."),
        ("many", "This is not a number"),
        ("99999999999", "check the unit"),
        ("NaN", "This is not a number"),
    ],
)
def test_a_quantity_that_cannot_be_is_shown_beside_its_line(restock: Restock, text: str, said: str) -> None:
    path = f"/restocks/{restock.pk}/"
    for way, step in (("change", approve), ("pick", pick), ("confirm", confirm)):
        seen = send("sue", f"{path}{way}/", **fields(restock, disc=text, compound="5"))
        assert said in seen.text, way
        assert text in [field.get("value") for field in seen.all("input")]
        bring(restock, step)
    assert line(restock).received == 20


def test_a_form_that_somebody_else_was_faster_with_says_so(restock: Restock) -> None:
    path = f"/restocks/{restock.pk}/"
    bring(restock, approve)
    assert "approved by sue" in send("olga", f"{path}change/", approve="1", **fields(restock, disc="1")).text
    bring(restock, pick, confirm)
    for way, said in (("pick", "only an approved restock"), ("confirm", "only what is under way")):
        assert said in send("olga", f"{path}{way}/", **fields(restock, disc="1")).text
    assert "this one is received" in send_get("sue", f"{path}pick/")
    assert line(restock).received == 20


def test_nothing_at_all_is_not_approved(restock: Restock) -> None:
    path = f"/restocks/{restock.pk}/change/"
    seen = send("sue", path, approve="1", **fields(restock, disc="0", compound="0"))
    assert "are all nothing" in seen.text


def test_steps_are_taken_back_one_by_one_and_a_double_click_takes_one(restock: Restock) -> None:
    path = f"/restocks/{restock.pk}/"
    bring(restock, approve, pick, confirm)
    for status, then in (("received", "under way"), ("under way", "approved"), ("approved", "draft")):
        for said in ("Taken back.", "That was done already."):
            assert said in send("sue", f"{path}take-back/", status=status).text
        restock.refresh_from_db()
        assert restock.status == then
    assert stock()["depot", DISC] == 100
    assert signed_in("sue").post(f"{path}take-back/", {"status": "draft"}).status_code == 404


def test_cancelling_asks_first_and_can_be_undone(restock: Restock) -> None:
    path = f"/restocks/{restock.pk}/"
    assert "then gets nothing from depot in 2026-W10" in see("sue", f"{path}cancel/").text
    restock.refresh_from_db()
    assert restock.status == "draft"
    assert "van is in repair" in send("sue", f"{path}cancel/", reason="van is in repair").text
    assert "Taken back." in send("sue", f"{path}take-back/", status="cancelled").text


def test_a_technician_sees_and_confirms_the_own_van_only(restock: Restock) -> None:
    other = Restock.objects.get(van__code="van-b")
    bring(restock, approve, pick)
    bring(other, approve, pick)
    listed = see("ann", "/restocks/")
    assert f"/restocks/{restock.pk}/" in [link["href"] for link in listed.all("a")]
    assert f"/restocks/{other.pk}/" not in [link["href"] for link in listed.all("a")]
    seen = see("ann", f"/restocks/{restock.pk}/")
    assert "Say what arrived" in seen.text
    assert "Take the pick back" not in seen.text
    for way in ("", "confirm/", "pick-list.pdf", "pick-list.csv"):
        assert signed_in("ann").get(f"/restocks/{other.pk}/{way}").status_code == 404
    assert signed_in("ann").post(f"/restocks/{other.pk}/confirm/").status_code == 404


def test_an_accountant_only_looks(restock: Restock) -> None:
    bring(restock, approve, pick)
    seen = see("ada", f"/restocks/{restock.pk}/")
    assert not [
        button for button in ("Say what arrived", "Take the pick back", "Cancel it") if button in seen.text
    ]
    assert len(seen.all("form")) == 1  # signing out


def test_a_week_is_drafted_by_hand_once() -> None:
    open_served_shop()
    assert "no burn forecast yet" in send("sue", "/restocks/draft/").text
    assert "No van has been restocked from here yet" in see("ann", "/restocks/").text
    forecast({("van-a", DISC): BURN})
    assert "1 restock of" in send("sue", "/restocks/draft/").text
    assert "is drafted already" in send("sue", "/restocks/draft/").text


def test_a_shop_of_two_depots_is_told_to_choose() -> None:
    open_served_shop()
    forecast({("van-a", DISC): BURN})
    Place.objects.create(code="shed", kind=PlaceKind.DEPOT)
    assert "choose one in the restock settings" in send("sue", "/restocks/draft/").text
    assert not Restock.objects.exists()


def test_the_list_is_narrowed_and_says_when_nothing_is_like_that(restock: Restock) -> None:
    for query, vans in (
        ("", ["van-a", "van-b"]),
        (f"?week={WEEK}&van=van-b", ["van-b"]),
        ("?status=approved", []),
        ("?status=nonsense", []),
        ("?page=99", ["van-a", "van-b"]),
    ):
        seen = see("sue", f"/restocks/{query}")
        heads = [cell for cell in seen.all("th") if cell.get("scope") == "row"]
        assert len(heads) == len(vans), query
        assert ("No restock matches" in seen.text) == (not vans)


def test_files_are_sent_under_a_plain_name(restock: Restock) -> None:
    Place.objects.filter(code="van-a").update(code="VÄN 1")
    for ending, kind in (("pdf", "application/pdf"), ("csv", "text/csv")):
        answer = signed_in("sue").get(f"/restocks/{restock.pk}/pick-list.{ending}")
        assert answer["Content-Type"].startswith(kind)
        assert answer["Content-Disposition"] == f'attachment; filename="pick-list-V-N-1-2026-W10.{ending}"'


PATHS = ("", "settings/", "{pk}/", "{pk}/pick/", "{pk}/confirm/", "{pk}/differences/", "{pk}/cancel/")


@pytest.mark.parametrize("path", PATHS)
def test_pages_have_landmarks_labels_and_captions_and_nothing_inline(restock: Restock, path: str) -> None:
    if "pick" in path:
        bring(restock, approve)
    elif "confirm" in path:
        bring(restock, approve, pick)
    elif "differences" in path:
        bring(restock, approve, pick)
        confirm(restock.pk, {DISC: Decimal(3)}, by="sue", now=NOW)
    seen = see("sue", f"/restocks/{path.format(pk=restock.pk)}")
    assert len(seen.all("main")) == len(seen.all("h1")) == 1
    assert len(seen.all("caption")) == len(seen.all("table"))
    labelled = {label["for"] for label in seen.all("label")}
    for field in (*seen.all("input"), *seen.all("select")):
        assert field.get("type") == "hidden" or field.get("aria-label") or field["id"] in labelled
    assert not seen.all("script")
    assert not seen.all("style")
    assert not [1 for _, attributes in seen.elements if "style" in attributes or "onclick" in attributes]


def queries_of(client: Client, path: str) -> int:
    """Return how many queries a page takes."""
    with CaptureQueriesContext(connection) as queries:
        assert client.get(path).status_code == 200
    return len(queries)


def test_pages_take_as_many_queries_for_more_vans_and_consumables(restock: Restock) -> None:
    client = signed_in("sue")
    paths = ("/restocks/", f"/restocks/{restock.pk}/", "/restocks/settings/")
    client.get("/")  # what a first visit of a browser writes down
    before = [queries_of(client, path) for path in paths]
    for number in range(8):
        place = Place.objects.create(code=f"van-{number}", kind=PlaceKind.VAN)
        more = Consumable.objects.create(
            code=f"more-{number}", name="More", kind="counted", stock_unit="each"
        )
        template = line(restock)
        template.pk, template.consumable = None, more
        template.save()
        Restock.objects.create(
            van=place, depot=restock.depot, period=WEEK, run=restock.run, inputs={}, made_at=NOW
        )
    assert [queries_of(client, path) for path in paths] == before


def test_something_is_added_by_hand_kept_and_taken_back(restock: Restock) -> None:
    path = f"/restocks/{restock.pk}/"
    assert "Pad" in see("sue", path).text
    kept = fields(restock, disc="12", compound="70")
    after = send("sue", f"{path}change/", **kept, **{"consumable-0": PAD, "added-0": "2"})
    assert "Saved." in after.text
    assert "Added by hand: nothing is used in 7 days in 90 of 100 cases; with none on board" in after.text
    assert line(restock, PAD).asked_for == 2
    assert (line(restock).changed_to, line(restock).suggested) == (12, 20)
    assert "not yet: 2 asked for" in see("ann", path).text
    undone = send("sue", f"{path}undo-changes/")
    assert "The suggestion is restored." in undone.text
    assert "were changed by hand: 12 disc-p400, 2 pad" in undone.text
    assert line(restock).asked_for == 20
    assert not restock.lines.filter(consumable__code=PAD).exists()


@pytest.mark.parametrize(
    ("added", "said"),
    [
        ({"consumable-0": PAD, "added-0": ""}, "Say how much."),
        ({"consumable-0": "", "added-0": "2"}, "Say of what."),
        ({"consumable-0": PAD, "added-0": "0"}, "Say how much."),
        ({"consumable-0": PAD, "added-0": "1.5"}, "is not whole"),
        ({"consumable-0": PAD, "added-0": "-1"}, "This is negative"),
        ({"consumable-0": PAD, "added-0": "1", "consumable-1": PAD, "added-1": "2"}, "This is there already"),
        ({"consumable-0": DISC, "added-0": "1"}, "Select a valid choice"),
        ({"consumable-0": "glue", "added-0": "1"}, "Select a valid choice"),
    ],
)
def test_what_cannot_be_added_is_refused_with_the_reason(
    restock: Restock, added: dict[str, str], said: str
) -> None:
    for way in ({}, {"approve": "1"}):
        seen = send("sue", f"/restocks/{restock.pk}/change/", **fields(restock, disc="3"), **added, **way)
        assert said in seen.text
        assert line(restock).changed_to is None
        assert restock.lines.count() == 2


def test_a_draft_is_worked_out_again_after_asking_where_it_was_changed(restock: Restock) -> None:
    path = f"/restocks/{restock.pk}/again/"
    assert "The result is the same as before." in send("sue", path).text
    receive("R-9", 3, (DISC, "15", "37.50"), place="van-a")
    seen = send("sue", path)
    assert "Recalculated." in seen.text
    assert "5 are missing" in seen.text
    send("sue", f"/restocks/{restock.pk}/change/", **fields(restock, disc="8", compound="70"))
    asked = send("sue", path)
    assert "Disc: 8 each instead of 5" in asked.text
    assert line(restock).asked_for == 8
    done = send("sue", path, sure="1")
    assert "Recalculated." in done.text
    assert (line(restock).suggested, line(restock).changed_to) == (5, None)
    bring(restock, approve)
    assert "only a draft can be recalculated" in send("sue", path, sure="1").text
