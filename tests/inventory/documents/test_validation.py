"""Documents as plain values: one canonical content, one order of ids, and every problem named."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory import documents as d
from tests.factories import COMPOUND, DISC, at, close, correction, count, receipt, scrap, transfer

D = Decimal
IDS = st.text(st.sampled_from("ab019-\u0663"), min_size=1, max_size=6)


def found(document: d.Document) -> list[tuple[int | None, str]]:
    return [(problem.line, problem.field) for problem in d.problems(document)]


def test_equal_documents_have_equal_content_however_they_are_written() -> None:
    one = close("J-1", 1, (COMPOUND, "1.50"))
    other = replace(
        close("J-1", 1, (COMPOUND, "1.5000")),
        occurred_at=one.occurred_at.astimezone(timezone(timedelta(hours=9))),
    )
    assert d.digest(d.content(one)) == d.digest(d.content(other))


@pytest.mark.parametrize(
    "change",
    [
        {"id": "J-2"},
        {"place": "VAN-2"},
        {"occurred_at": at(2)},
        {"lines": (d.StockLine(COMPOUND, D(2)),)},
        {"lines": (d.StockLine(DISC, D(1)),)},
        {"content": "{}"},
    ],
)
def test_any_difference_changes_the_digest(change: dict[str, Any]) -> None:
    one = close("J-1", 1, (COMPOUND, 1))
    assert d.digest(d.content(one)) != d.digest(d.content(replace(one, **change)))


def test_a_close_and_a_use_of_one_content_differ_by_kind() -> None:
    one = close("J-1", 1, (COMPOUND, 1))
    other = d.Use(one.id, one.occurred_at, one.place, one.lines)
    assert d.digest(d.content(one)) != d.digest(d.content(other))


def test_ids_sort_by_their_numbers() -> None:
    ids = ["R-10", "R-9", "R-09", "R-1a", "R-1"]
    assert sorted(ids, key=d.natural_order) == ["R-1", "R-1a", "R-09", "R-9", "R-10"]


@given(IDS, IDS)
def test_two_ids_never_have_the_same_order(one: str, other: str) -> None:
    assert (d.natural_order(one) == d.natural_order(other)) == (one == other)


def test_the_longest_id_has_an_order_that_can_be_stored() -> None:
    assert len(d.natural_order("1-" * (d.LONGEST_ID // 2))) <= 2200


@pytest.mark.parametrize(
    "text", ["", "  ", " a", "a ", "=1+1", "+a", "-a", "@a", "a\x00b", "a\nb", "\ud800", "a" * 65]
)
def test_a_code_that_cannot_be_shown_typed_or_exported_is_a_problem(text: str) -> None:
    assert d.text_problem(text, 64)


@pytest.mark.parametrize("text", ["DISC-P400", "Ø 125 mm", "研磨", "a-b=c"])
def test_other_codes_are_none(text: str) -> None:
    assert d.text_problem(text, 64) is None


@pytest.mark.parametrize(
    ("quantity", "says"),
    [
        ("NaN", "not a number"),
        ("sNaN", "not a number"),
        ("Infinity", "not a number"),
        ("-1", "is negative"),
        ("0", "is zero"),
        ("1E+999999", "is above 10,000,000"),
        ("10000000.0001", "check the unit"),
        ("0.00001", "more than 4 decimal places"),
        ("1.00000000000000000000000000000000000001", "more than 4 decimal places"),
    ],
)
def test_a_quantity_that_cannot_be_is_a_problem(quantity: str, says: str) -> None:
    assert says in (d.quantity_problem(D(quantity)) or "")


@pytest.mark.parametrize("quantity", ["0.0001", "1", "1.50000000", "10000000", "1E+3"])
def test_other_quantities_are_none(quantity: str) -> None:
    assert d.quantity_problem(D(quantity)) is None


@pytest.mark.parametrize("amount", ["NaN", "-0.01", "1000000000.01", "0.00001"])
def test_an_amount_that_cannot_be_is_a_problem(amount: str) -> None:
    assert d.money_problem(D(amount))
    assert found(receipt("R-1", 0, (DISC, 1, amount))) == [(1, "cost")]
    assert found(receipt("R-1", 0, (DISC, 1, 5), freight=D(amount))) == [(None, "freight")]


@pytest.mark.parametrize(
    "moment",
    [
        datetime(2026, 1, 1),  # noqa: DTZ001 - what is refused
        datetime(1999, 12, 31, tzinfo=UTC),
        datetime(2101, 1, 1, tzinfo=UTC),
        datetime.max.replace(tzinfo=timezone(timedelta(hours=-5))),
        datetime.min.replace(tzinfo=timezone(timedelta(hours=5))),
    ],
)
def test_a_moment_without_zone_or_far_away_is_a_problem(moment: datetime) -> None:
    assert found(replace(close("J-1", 0), occurred_at=moment)) == [(None, "occurred_at")]


def test_every_problem_of_a_document_is_named() -> None:
    document = receipt(
        " R", 0, (DISC, 0, -1), ("", 1, 1), place="", supplier="=x", share_by="weight", note="\x00"
    )
    assert sorted(found(document), key=str) == sorted(
        [
            (None, "id"),
            (None, "place"),
            (None, "supplier"),
            (None, "note"),
            (None, "share_by"),
            (1, "quantity"),
            (1, "cost"),
            (2, "consumable"),
        ],
        key=str,
    )


def test_a_discount_above_the_whole_receipt_is_a_problem() -> None:
    assert found(receipt("R-1", 0, (DISC, 1, 5), freight=D(1), duty=D(1), discount=D("7.01"))) == [
        (None, "discount")
    ]
    assert found(receipt("R-1", 0, (DISC, 1, 5), freight=D(1), duty=D(1), discount=D(7))) == []


def test_a_transfer_to_its_own_source_is_a_problem() -> None:
    assert found(transfer("T-1", 0, "VAN-1", "VAN-1", (DISC, 1))) == [(None, "destination")]


def test_a_consumable_counted_twice_at_one_place_is_a_problem() -> None:
    assert found(count("N-1", 0, (DISC, 1), (DISC, 2))) == [(2, "consumable")]


def test_a_count_may_find_nothing() -> None:
    assert found(count("N-1", 0, (DISC, 0))) == []


def test_a_close_may_take_nothing_and_other_documents_may_not() -> None:
    assert found(close("J-1", 0)) == []
    assert found(scrap("S-1", 0)) == [(None, "lines")]


def test_a_correction_or_scrap_says_why() -> None:
    assert found(replace(correction("C-1", "close", "J-1"), reason=" ")) == [(None, "reason")]
    assert found(replace(scrap("S-1", 0, (DISC, 1)), reason="")) == [(None, "reason")]


def test_a_use_is_held_to_a_smaller_limit_than_a_receipt() -> None:
    assert found(close("J-1", 0, (COMPOUND, 100_001))) == [(1, "quantity")]
    assert found(receipt("R-1", 0, (COMPOUND, 100_001, 1))) == []


def test_a_problem_names_line_field_value_and_remedy() -> None:
    (problem,) = d.problems(close("J-1", 0, (DISC, 1), (DISC, -2)))
    assert str(problem) == "line 2: quantity -2 is negative; use a correction to undo a document"


def test_a_lot_that_cannot_be_stored_is_a_problem() -> None:
    line = d.ReceiptLine(DISC, D(1), D(1), lot="x" * 65)
    assert found(replace(receipt("R-1", 0), lines=(line,))) == [(1, "lot")]


def test_a_price_per_unit_that_nobody_pays_is_refused() -> None:
    dear = receipt("R-1", 0, (COMPOUND, "0.0001", "100000000"))
    freight = receipt("R-2", 0, (COMPOUND, "0.0001", "1"), freight=Decimal(100_000_000))
    assert found(dear) == found(freight) == [(1, "cost")]
    assert not found(receipt("R-3", 0, (COMPOUND, "1", "1000000")))


# One of each kind, with all that its form could depend on: zeros behind, exponents, zones, letters, no lines.
NINE = datetime(2026, 3, 2, 9, 30, tzinfo=timezone(timedelta(hours=2)))
STORED: list[tuple[d.Document, str]] = [
    (
        d.Receipt(
            *("R-1", NINE, "S", "DEPOT"),
            (d.ReceiptLine("D-P240", D("100.00"), D("1E+2"), "L-7", "2027-01-31"),),
            D("9.90"),
            note="größer, 5 µm",
        ),
        "b838d935889951e15bf3c683003ad502b51a0a9ca6cdef6558e8db9d0196f03a",
    ),
    (
        d.Transfer(
            "T-1", NINE, "DEPOT", "VAN-1", (d.StockLine("D-P240", D(10)), d.StockLine("PAD", D("0.5")))
        ),
        "a3e34888479950b803c96a30da6d4cb2f58388932a514252f89b7a9f0ac9923b",
    ),
    (
        d.Close("C-1", NINE, "VAN-1", (), '{"job": "J-1"}'),
        "ac74068d527363653e715b997ef079e49ed9d42fb4b256396651de451095d901",
    ),
    (
        d.Use("U-1", NINE, "VAN-1", (d.StockLine("COMPOUND", D("12.3450")),)),
        "19c6292865f969081c1c866f5e4394b946186ca3dca9864402365eaf9dabef70",
    ),
    (
        d.Return("B-1", NINE, "VAN-1", "close", "C-1", (d.StockLine("D-P240", D(1)),)),
        "8a3220b8c66af5ebac35a66c7fad35f5063f3a18efe2e0bf94ec5a31455941fd",
    ),
    (
        d.Count("N-1", NINE, (d.CountedLine("VAN-1", "D-P240", D("0.0000")),)),
        "fcb0369689876406774e23c8cb2fcec3537ef81b76b12484981fc1c8742fb1fe",
    ),
    (
        d.Scrap("X-1", NINE, "VAN-1", "worn", (d.StockLine("PAD", D(1)),)),
        "2690bb8578ac0055b95907dce487a481230badafb8fb585bcd746777e99995a4",
    ),
    (
        d.Correction("K-1", NINE, "receipt", "R-1", "wrong price"),
        "a134da89e85f93a88976923ed2a7b63023129885e2e125bfe1df12cd6a0c7c90",
    ),
]


@pytest.mark.parametrize(("document", "digest"), STORED, ids=[document.kind for document, _ in STORED])
def test_documents_that_are_stored_already_are_known_again(document: d.Document, digest: str) -> None:
    # The digests were written by the first release; databases hold them, and a retry must match.
    assert d.digest(d.content(document)) == digest
