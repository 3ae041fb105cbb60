"""What the server gives the technician's phone: the page, its worker, the session and the bundle."""

import json
import re
from datetime import datetime, timedelta
from decimal import Decimal
from graphlib import TopologicalSorter
from pathlib import Path
from typing import Any

import pytest
from django.contrib.staticfiles import finders
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inventory.ledger.in_transit import transit_place
from inventory.models import Consumable, LowLevel, Place
from shop.models import GlassType, Job, JobStatus, JobType, StandardUse, Technician
from shop.phone import after_close
from shop.phone import bundle as bundles
from shop.phone.app_shell import MODULES, NOT_KEPT, kept_addresses, version
from shop.web.storeroom.qr_text import PREFIX, label_text
from tests.inventory.small_shop import day
from tests.shop.api.served_shop import close_body, open_served_shop, put, signed_in
from tests.shop.web.test_home_views import book, page

pytestmark = pytest.mark.django_db
PHONE_SCRIPTS = Path(__file__).parents[3] / "shop/static/shop/phone"


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people."""
    open_served_shop()


def bundle(name: str = "ann") -> dict[str, Any]:
    """Return what a technician's phone is given."""
    answer = signed_in(name).get("/phone/bundle/")
    assert answer.status_code == 200
    assert "no-store" in answer["Cache-Control"]
    found: dict[str, Any] = json.loads(answer.content)
    return found


def test_the_page_its_worker_and_its_manifest_are_the_same_for_everybody_and_hold_no_facts() -> None:
    book("SECRET-1")
    for path, media_type in (
        ("/phone/", "text/html; charset=utf-8"),
        ("/phone/worker.js", "text/javascript; charset=utf-8"),
        ("/phone/manifest.webmanifest", "application/manifest+json"),
    ):
        seen = [client.get(path) for client in (Client(), signed_in("ann"), signed_in("olga"))]
        assert {answer.status_code for answer in seen} == {200}
        assert {answer["Content-Type"] for answer in seen} == {media_type}
        assert len({answer.content for answer in seen}) == 1
        assert "no-cache" in seen[0]["Cache-Control"]
        assert b"SECRET-1" not in seen[0].content
        assert b"ann" not in seen[0].content.split()


def test_the_worker_keeps_every_file_of_the_page_under_its_version() -> None:
    worker = Client().get("/phone/worker.js").content.decode()
    assert f'VERSION = "{version()}"' in worker
    assert kept_addresses()[0] == "/phone/"
    for address in kept_addresses():
        assert f'"{address}"' in worker
        assert Client().get(address).status_code == 200, address
    page = Client().get("/phone/").content.decode()
    named = set(re.findall(r'(?:href|src)="(/phone/files/[^"]+)"', page))
    assert named
    for_home_screens = {f"/phone/files/{version()}/{name}" for name in NOT_KEPT}
    assert named <= set(kept_addresses()) | for_home_screens


def test_a_file_of_the_page_is_kept_for_good_and_no_other_version_is_served() -> None:
    answer = Client().get(f"/phone/files/{version()}/app.js")
    assert answer["Content-Type"].endswith("/javascript")
    assert "immutable" in answer["Cache-Control"]
    for other in (f"/phone/files/{'0' * 16}/app.js", f"/phone/files/{version()}/settings.py"):
        assert Client().get(other).status_code == 404


def imports_of_phone_scripts() -> dict[str, set[str]]:
    """Return what each script of the phone imports, statically or when it is needed, by file name."""
    imported = re.compile(r"""(?:from|import)\s*\(?\s*["']\./([\w-]+\.js)["']""")
    scripts = sorted(PHONE_SCRIPTS.glob("*.js"))
    return {script.name: set(imported.findall(script.read_text())) for script in scripts}


def test_scripts_of_the_phone_do_not_import_each_other_in_a_circle() -> None:
    imports = imports_of_phone_scripts()
    assert len(imports["app.js"]) > 10
    # Raises CycleError, which names the circle.
    assert set(TopologicalSorter(imports).static_order()) == imports.keys()


def test_all_scripts_of_the_phone_are_kept_and_all_are_needed() -> None:
    imports = imports_of_phone_scripts()
    assert imports.keys() == {f"{module}.js" for module in MODULES}
    assert imports.keys() - set().union(*imports.values()) == {"app.js"}


def test_the_manifest_says_what_an_installed_page_needs() -> None:
    manifest = json.loads(Client().get("/phone/manifest.webmanifest").content)
    assert manifest["start_url"] == manifest["scope"] == "/phone/"
    assert manifest["display"] == "standalone"
    assert {icon["sizes"] for icon in manifest["icons"]} >= {"192x192", "512x512"}
    for icon in manifest["icons"]:
        assert Client().get(icon["src"]).status_code == 200


def test_a_session_says_who_is_signed_in_and_gives_the_token_to_send_with() -> None:
    nobody = Client().get("/phone/session/")
    assert json.loads(nobody.content)["person"] is None
    client = signed_in("ann", enforce_csrf_checks=True)
    found = client.get("/phone/session/")
    assert json.loads(found.content)["person"] == "ann"
    assert json.loads(found.content)["is_technician"] is True
    assert json.loads(signed_in("olga").get("/phone/session/").content)["is_technician"] is False
    headers = {"X-CSRFToken": client.cookies["csrftoken"].value}
    answer = client.put("/api/v1/closes/C-1", close_body(), content_type="application/json", headers=headers)
    assert answer.status_code == 201


def test_a_token_from_before_a_sign_in_sends_nothing_under_the_new_persons_name() -> None:
    client = Client(enforce_csrf_checks=True)
    for name in ("ann", "ben"):
        person = Technician.objects.get(code=name).person
        assert person is not None
        person.set_password(f"a long sentence of {name}")
        person.save()

    def sign_in(name: str) -> None:
        token = client.get("/phone/session/").cookies["csrftoken"].value
        fields = {"username": name, "password": f"a long sentence of {name}", "csrfmiddlewaretoken": token}
        assert client.post("/sign-in/", fields).status_code == 302

    sign_in("ann")
    client.get("/phone/session/")
    of_ann = client.cookies["csrftoken"].value
    sign_in("ben")
    body = close_body(van="van-b", technician="ben")
    headers = {"X-CSRFToken": of_ann}
    answer = client.put("/api/v1/closes/C-1", body, content_type="application/json", headers=headers)
    assert answer.status_code == 403
    assert "CSRF" in answer.json()["detail"]


def test_only_technicians_are_given_a_bundle() -> None:
    assert Client().get("/phone/bundle/").headers["Location"].startswith("/sign-in/")
    for name in ("sue", "olga", "ada"):
        assert signed_in(name).get("/phone/bundle/").status_code == 403


def test_a_technician_without_a_van_is_told_so() -> None:
    Technician.objects.filter(code="ann").update(van=None)
    assert bundle()["van"] is None
    assert "jobs" not in bundle()


def test_a_bundle_holds_the_own_open_jobs_up_to_tomorrow() -> None:
    GlassType.objects.filter(code="tempered").update(caution="Do not overheat")
    book(
        "TODAY-1", in_primary_view=True, length_mm=Decimal("120.5"), existing_damage="chip", price=Decimal(95)
    )
    book("LATE-1", days=-3)
    book("TOMORROW-1", days=1)
    book("LATER-1", days=2)
    book("OTHER-VAN-1", van="van-b")
    book("OTHERS-1", technician=Technician.objects.get(code="ben"))
    book("GONE-1", status=JobStatus.CANCELLED)
    found = bundle()
    assert [job["reference"] for job in found["jobs"]] == ["TOMORROW-1", "TODAY-1", "LATE-1"]
    job = found["jobs"][1]
    assert (job["length_mm"], job["price"], job["in_primary_view"]) == ("120.5", "95", True)
    assert job["existing_damage"] == "chip"
    assert found["glass"]["tempered"] == "Do not overheat"
    assert (found["van"], found["technician"]) == ("van-a", "ann")


def test_a_bundle_says_what_is_on_board_and_what_is_low() -> None:
    pad = Consumable.objects.get(code="pad")
    LowLevel.objects.create(place=Place.objects.get(code="van-a"), consumable=pad, quantity=Decimal(2))
    assert bundle()["stock"] == {"disc-p400": ["50", None], "pad": ["0", "2"]}


def test_discs_come_first_from_coarse_to_fine() -> None:
    for grade in ("P1000", "P80", "P3000"):
        Consumable.objects.create(code=grade, name=grade, kind="counted", stock_unit="each", grade=grade)
    grades = [consumable["grade"] for consumable in bundle()["consumables"]]
    assert grades == ["P80", "P400", "P1000", "P3000", "", ""]


def test_without_closes_of_a_kind_the_standard_is_all_a_phone_knows() -> None:
    job_type = JobType.objects.get(code="scratch-small")
    disc = Consumable.objects.get(code="disc-p400")
    StandardUse.objects.create(
        job_type=job_type, consumable=disc, quantity=Decimal("1.5"), minutes=Decimal(12)
    )
    put("olga", "close", "C-1", close_body())
    found = bundle()
    assert found["usual"] == {}
    assert found["job_types"]["scratch-small"]["uses"] == {"disc-p400": ["1.5", "12"]}


def test_what_a_technician_usually_takes_comes_from_the_own_closes() -> None:
    for number, quantity in enumerate((2, 3, 7)):
        uses = [{"consumable": "disc-p400", "quantity": quantity, "minutes": 10 * quantity}]
        put("ann", "close", f"A-{number}", close_body(f"J-a{number}", uses=uses))
        put("ben", "close", f"B-{number}", close_body(f"J-b{number}", van="van-b", technician="ben", uses=[]))
    usual = bundle("ann")["usual"]["scratch-small|scratch"]
    assert (usual["own"], usual["closes"]) == (True, 3)
    assert usual["uses"] == {"disc-p400": ["3", "30"]}
    assert (usual["labour"], usual["travel"]) == ("60", "30")
    Technician.objects.filter(code="ben").update(van=None)
    cyd = Technician.objects.create(code="cyd", van=Technician.objects.get(code="ann").van)
    Job.objects.update(technician=cyd)
    usual = bundle("ann")["usual"]["scratch-small|scratch"]
    assert (usual["own"], usual["closes"]) == (False, 6)


def test_a_corrected_close_is_not_what_is_usual() -> None:
    for number in range(4):
        put("ann", "close", f"A-{number}", close_body(f"J-{number}"))
    body = {
        "occurred_at": day(13).isoformat(),
        "corrects_kind": "close",
        "corrects_id": "A-0",
        "reason": "twice",
    }
    assert put("olga", "correction", "K-1", body).status_code == 201
    assert bundle()["usual"]["scratch-small|scratch"]["closes"] == 3


def test_the_work_of_a_bundle_does_not_grow_with_history(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bundles, "LATEST_CLOSES", 5)

    def asked() -> tuple[int, int]:
        with CaptureQueriesContext(connection) as queries:
            size = len(signed_in("ann").get("/phone/bundle/").content)
        return len(queries), size

    for number in range(5):
        put("ann", "close", f"A-{number}", close_body(f"J-{number}"))
    queries, size = asked()
    for number in range(5, 15):
        put("ann", "close", f"A-{number}", close_body(f"J-{number}"))
    book("B-1")
    book("B-2")
    later, _ = asked()
    assert later == queries
    Job.objects.filter(status=JobStatus.BOOKED).delete()
    queries_at_last, size_at_last = asked()
    assert queries_at_last == queries
    assert abs(size_at_last - size) < 8


def test_a_bundle_holds_the_own_jobs_closed_recently_with_what_they_took() -> None:
    now = timezone.now()
    put("ann", "close", "C-1", close_body(closed_at=now.isoformat()))
    put("ann", "use", "U-1", {"job": "J-1", "lines": [{"consumable": "disc-p400", "quantity": 3}]})
    put("ann", "close", "C-old", close_body("J-old"))
    put("ben", "close", "C-b", close_body("J-b", van="van-b", technician="ben", closed_at=now.isoformat()))
    put("olga", "close", "C-o", close_body("J-o", closed_at=(now - timedelta(days=1)).isoformat()))
    body = {"returns_kind": "use", "returns_id": "U-1", "place": "van-a", "occurred_at": now.isoformat()}
    put("ann", "return", "B-1", {**body, "lines": [{"consumable": "disc-p400", "quantity": 1}]})
    closed = bundle()["closed"]
    assert [job["job"] for job in closed] == ["J-1", "J-o"]
    # 2 in the close, 3 more, 1 back; 15 minutes.
    assert closed[0]["took"] == {"disc-p400": ["4", "15"]}
    assert (closed[0]["close"], closed[1]["close"]) == ("C-1", "C-o")
    # The own close can be taken back until a day after it came in; what an owner entered cannot.
    left = datetime.fromisoformat(closed[0]["until"]) - now
    assert timedelta(hours=23) < left <= timedelta(hours=24, minutes=5)
    assert closed[1]["until"] == ""


def test_a_bundle_asks_the_open_questions_about_own_jobs_closed_recently() -> None:
    now = timezone.now()
    uses = [{"consumable": "disc-p400", "quantity": 0, "minutes": 15}]
    for id_, changes in {
        "C-1": {},
        "C-old": {"closed_at": (now - timedelta(days=40)).isoformat()},
        "C-b": {"van": "van-b", "technician": "ben"},
    }.items():
        body = {"closed_at": now.isoformat(), "uses": uses, **changes}
        assert put(str(changes.get("technician", "ann")), "close", id_, close_body(f"J-{id_}", **body))
    (asked,) = bundle()["questions"]
    assert (asked["job"], asked["consumable"], asked["took"]) == ("J-C-1", "disc-p400", "0")
    assert (asked["kind"], asked["document"]) == ("close", "C-1")
    assert "15 minutes are entered but none was used" in asked["message"]
    address = f"/api/v1/findings/{asked['number']}/answer"
    signed_in("ann").put(address, {"answer": "That is right."}, content_type="application/json")
    assert bundle()["questions"] == []


def test_a_bundle_says_who_can_be_given_stock_and_what_was_given_or_is_under_way() -> None:
    now = timezone.now().isoformat()
    assert bundle()["places"] == [{"code": "depot", "name": "depot"}, {"code": "van-b", "name": "ben"}]
    assert (bundle()["gifts"], bundle()["under_way"]) == ([], 0)
    lines = [{"consumable": "disc-p400", "quantity": 5}]
    gift = {"occurred_at": now, "source": "van-b", "destination": "van-a", "lines": lines}
    assert put("ben", "transfer", "T-1", gift).status_code == 201
    assert put("olga", "transfer", "T-2", {**gift, "source": "depot"}).status_code == 201
    transit = transit_place(Place.objects.get(code="van-a"))
    sent = {**gift, "source": "depot", "destination": transit.code}
    assert put("olga", "transfer", "T-3", sent).status_code == 201
    (given,) = bundle()["gifts"]
    assert (given["consumable"], given["quantity"], given["source"]) == ("disc-p400", "5", "van-b")
    assert given["by"] == "ben"
    assert bundle()["under_way"] == 1
    assert (bundle("ben")["gifts"], bundle("ben")["under_way"]) == ([], 0)


def test_closed_jobs_questions_and_gifts_are_bounded_and_asked_for_in_as_many_queries(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name in ("MOST_CLOSED", "MOST_QUESTIONS", "MOST_GIFTS"):
        monkeypatch.setattr(after_close, name, 3)
    now = timezone.now().isoformat()
    uses = [{"consumable": "disc-p400", "quantity": 0, "minutes": 15}]
    lines = [{"consumable": "disc-p400", "quantity": 1}]

    def work(numbers: range) -> tuple[int, dict[str, Any]]:
        for number in numbers:
            put("ann", "close", f"C-{number}", close_body(f"J-{number}", closed_at=now, uses=uses))
            gift = {"occurred_at": now, "source": "van-b", "destination": "van-a", "lines": lines}
            put("ben", "transfer", f"T-{number}", gift)
        client = signed_in("ann")
        with CaptureQueriesContext(connection) as queries:
            found = json.loads(client.get("/phone/bundle/").content)
        return len(queries), found

    few, _ = work(range(1))
    many, found = work(range(1, 7))
    assert many == few
    assert [len(found[name]) for name in ("closed", "questions", "gifts")] == [3, 3, 3]


def test_a_technicians_first_page_leads_to_the_phone_and_says_what_waits() -> None:
    def links() -> set[str | None]:
        return {link["href"] for link in page("ann").all("a")}

    assert "/phone/" in links()
    assert "/phone/#questions" not in links()
    book("TODAY-1")
    book("TODAY-2")
    body = close_body(
        closed_at=timezone.now().isoformat(),
        uses=[{"consumable": "disc-p400", "quantity": 0, "minutes": 15}],
    )
    put("ann", "close", "C-1", body)
    put("ben", "close", "C-b", {**body, "job": "J-b", "van": "van-b", "technician": "ben"})
    assert "Start: 2 jobs today" in page("ann").text
    assert "1 question about what you closed to answer" in page("ann").text
    assert "/phone/#questions" in links()


def test_a_label_says_what_the_phone_looks_for() -> None:
    assert label_text("D-P400") == "SB1:D-P400"
    script = finders.find("shop/phone/scan.js")
    assert script
    assert f'const LABEL = "{PREFIX}";' in Path(script).read_text(encoding="utf-8")
