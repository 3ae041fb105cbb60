"""check_ledger names what a file edited behind the program's back lost, and never ends in a traceback."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection

from inventory.db import append_only
from inventory.documents import digest
from inventory.models import Books, Consumable, Document, Place
from shop.models import Shop
from tests.inventory.small_shop import count, receive, scrap, transfer, undone_afterwards
from tests.shop.job_shop import close, open_job_shop
from tests.shop.world import used

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _books() -> None:
    open_job_shop()
    receive("R-1", 0, ("disc-p400", "100", "200"), ("pad", "2", "60"), ("compound", "9", "9"))
    transfer("T-1", 1, "depot", "van-a", "disc-p400", "20")
    close("J-1", 2, used("disc-p400", "10", "80"), used("pad", "1", "60"))
    scrap("S-1", 3, "van-a", "disc-p400", "2")
    count("C-1", 4, "van-a", "disc-p400", "5")
    append_only.remove(connection)


def check() -> tuple[list[str], str]:
    """Return the lines that a check of damaged books prints, and how it ends."""
    out = StringIO()
    with pytest.raises(CommandError) as error:
        call_command("check_ledger", stdout=out)
    assert error.value.returncode == 1
    return out.getvalue().splitlines(), str(error.value)


@contextmanager
def damaged(*statements: str) -> Iterator[None]:
    """Run statements as someone with the file would, and undo them afterwards."""
    with undone_afterwards(), connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)
        yield


@pytest.mark.parametrize(
    ("table", "condition", "orphan"),
    [
        ("inventory_document", "client_id = 'R-1'", "inventory_lot"),
        ("inventory_document", "client_id = 'T-1'", "inventory_movement"),
        ("inventory_document", "client_id = 'C-1'", "inventory_countline"),
        ("inventory_document", "client_id = 'S-1'", "inventory_movement"),
        ("inventory_document", "client_id = 'J-1'", "shop_jobuse"),
        ("inventory_consumable", "code = 'disc-p400'", "inventory_holding"),
        ("inventory_movement", "landed_value IS NOT NULL", "inventory_movementvalue"),
        ("inventory_place", "code = 'van-a'", "shop_van"),
        ("shop_job", "reference = 'J-1'", "shop_jobcost"),
    ],
)
def test_rows_that_point_nowhere_are_named_and_end_the_check(table: str, condition: str, orphan: str) -> None:
    with damaged(f"DELETE FROM {table} WHERE {condition}"):  # noqa: S608
        if connection.vendor == "postgresql":
            # The server itself refuses at the end of the transaction, so there is nothing to find.
            with pytest.raises(IntegrityError):
                connection.check_constraints()
            return
        lines, end = check()
        assert all(line.startswith("key: ") and line.endswith(f"a row of {table}") for line in lines)
        assert any(line.startswith(f"key: {orphan} row ") for line in lines)
        assert end.endswith("; nothing else was checked")


def test_a_row_that_points_nowhere_shows_what_it_points_to() -> None:
    if connection.vendor == "sqlite":
        document = Document.objects.get(client_id="T-1")
        movement = document.movements.get()
        with damaged(f"DELETE FROM inventory_document WHERE id = {document.pk}"):  # noqa: S608
            assert check()[0] == [
                (
                    f"key: inventory_movement row {movement.pk}: "
                    f"stored document_id {document.pk}, expected a row of inventory_document"
                )
            ]


def test_json_that_cannot_be_read_is_named() -> None:
    if connection.vendor == "sqlite":
        pk = Document.objects.get(client_id="T-1").pk
        allow = "PRAGMA ignore_check_constraints = "
        change = "UPDATE inventory_document SET content = '{\"kind\"' WHERE client_id = 'T-1'"
        with damaged(f"{allow}ON", change, f"{allow}OFF"):
            assert check() == (
                [f"content: inventory_document row {pk}: stored text that is not JSON, expected JSON"],
                "1 disagreement; nothing else was checked",
            )


@pytest.mark.parametrize(
    ("table", "column", "named"),
    [
        ("inventory_movement", "quantity", "stock: disc-p400: "),
        ("inventory_holding", "quantity", "stock: disc-p400: "),
        ("inventory_document", "occurred_at", "content of document: receipt R-1: "),
        ("inventory_countline", "quantity", "check: documents: "),
        ("shop_jobuse", "minutes", "check: jobs: "),
        ("shop_job", "price", "check: jobs: "),
        ("shop_jobcost", "wear", "check: job costs: "),
    ],
)
def test_text_where_a_number_or_a_moment_belongs_is_named(table: str, column: str, named: str) -> None:
    if connection.vendor == "sqlite":
        with damaged(f"UPDATE {table} SET {column} = 'damaged'"):  # noqa: S608
            lines, _ = check()
            assert [line for line in lines if line.startswith(f"{named}stored not to be checked")], lines


def forget_books() -> None:
    Shop.objects.all().delete()
    Books.objects.all().delete()


def forget_shop() -> None:
    Shop.objects.all().delete()


def unknown_place() -> None:
    Place.objects.filter(code="van-b").update(kind="shed")


def lose_outside_place() -> None:
    Place.objects.filter(code="job").update(kind="depot")


def say_nothing() -> None:
    Document.objects.filter(client_id="S-1").update(content={}, digest=digest({}))


def say_a_number() -> None:
    Document.objects.filter(client_id="T-1").update(content=5)


def say_less_of_a_job() -> None:
    document = Document.objects.get(client_id="J-1")
    document.content["content"] = "{"
    document.digest = digest(document.content)
    document.save()


def no_life() -> None:
    Consumable.objects.filter(code="compound").update(shelf_life_days=2**31 - 1)


def unknown_kind() -> None:
    Document.objects.filter(client_id="S-1").update(kind="gift")


@pytest.mark.parametrize(
    ("damage", "line"),
    [
        (forget_books, "books: how the ledger is kept: stored none, expected one row"),
        (forget_shop, "shop: whose rates and clocks job costs follow: stored none, expected one row"),
        (unknown_place, "kind of place: van-b: stored shed, expected one of depot, van, "),
        (lose_outside_place, "outside places: job: stored 0, expected 1"),
        (say_nothing, "content of document: scrap S-1: stored not to be checked (KeyError: 'kind')"),
        (say_a_number, "digest of content: transfer T-1: stored "),
        (say_less_of_a_job, "content of document: close J-1: stored not to be read"),
        (no_life, "content of document: receipt R-1: stored not to be checked (OverflowError: "),
        (unknown_kind, "content of document: gift S-1: stored not to be checked (ValueError: "),
    ],
)
def test_damage_is_named_without_a_traceback(damage: Callable[[], None], line: str) -> None:
    with undone_afterwards():
        damage()
        lines, _ = check()
        assert [found for found in lines if found.startswith(line)], lines
