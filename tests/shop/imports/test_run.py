"""Importing files: all or nothing, every bad row named, the same file twice changes nothing."""

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from inventory.models import Books, Consumable, Document, Holding, Movement, Supplier
from shop.models import Job, JobUse, Technician
from tests.shop.csv_import import CONSUMABLES, HEADERS, JOB, RECEIPT, Imports, books

pytestmark = pytest.mark.django_db


def held(place: str, consumable: str) -> Decimal:
    quantity: Decimal = Holding.objects.get(place__code=place, consumable__code=consumable).quantity
    return quantity


def test_consumables_are_added_with_the_usual_life_of_a_disc(imports: Imports) -> None:
    disc, compound, pad = (Consumable.objects.get(code=code) for code in ("D-P240", "COMPOUND", "PAD"))
    assert (disc.kind, disc.grade, disc.life_minutes) == ("counted", "P240", 10)
    assert (compound.stock_unit, compound.life_minutes, compound.shelf_life_days) == ("ml", None, 365)
    assert pad.life_minutes == 600
    assert "0 new, 3 already there" in imports("consumables", *CONSUMABLES)


def test_a_consumable_is_not_changed_by_a_file(imports: Imports) -> None:
    assert imports.faults("consumables", "D-P240,Disc,counted,each,P320,10,") == [
        "line 2, column grade: 'P320' differs from what is known of D-P240, P240; change it in the admin"
    ]


def test_every_bad_cell_of_consumables_is_named(imports: Imports) -> None:
    faults = imports.faults(
        "consumables",
        "=A1,Name,counted,each,,,",
        "B,,liquid,each,P241,,1.5",
        "C,Pad,worn,each,,,0",
        "D,Disc,counted,,P240,-1,",
        "E,Name,counted,each,,,",
        "E,Name,counted,each,,,",
    )
    assert [fault.split(":")[0] for fault in faults] == [
        "line 2, column code",
        *(
            "line 3, column kind",
            "line 3, column grade",
            "line 3, column shelf_life_days",
            "line 3, column name",
        ),
        *("line 4, column life_minutes", "line 4, column shelf_life_days"),
        *("line 5, column life_minutes", "line 5, column stock_unit"),
        "line 7, column code",
    ]
    assert "which a spreadsheet would run as a formula" in faults[0]
    assert faults[-1].endswith("is in line 6 already")


def test_a_receipt_is_one_document_with_its_freight_shared(imports: Imports) -> None:
    out = imports("receipts", RECEIPT, "R1,2026-03-01,ACME,VAN-1,COMPOUND,1000,50.00,5.00")
    assert out.splitlines() == [
        "receipts: 1 new, 0 already there",
        "created place: VAN-1",
        "created supplier: ACME",
    ]
    values = dict(Movement.objects.values_list("consumable__code", "landed_value"))
    assert values == {"D-P240": Decimal("52.5"), "COMPOUND": Decimal("52.5")}


def test_rows_of_one_receipt_need_not_stand_together_nor_in_one_order(imports: Imports) -> None:
    rows = (RECEIPT, "R2,2026-03-01,ACME,VAN-1,PAD,1,9,0", "R1,2026-03-01,ACME,VAN-1,COMPOUND,1000,50.00,5")
    assert "2 new" in imports("receipts", *rows)
    before = books()
    assert "0 new, 2 already there" in imports("receipts", *reversed(rows), flags=())
    assert books() == before


def test_what_freight_leaves_over_goes_to_the_earlier_line_of_the_file(imports: Imports) -> None:
    """0.05 over two equal lines: by largest remainder the first has 0.03 (Hamilton's method)."""
    row = "R1,2026-03-01,ACME,VAN-1,PAD,1,9,0.05"
    imports("receipts", row, row.replace("PAD", "D-P240"))
    landed = Movement.objects.order_by("line").values_list("consumable__code", "landed_value")
    assert [(code, str(value)) for code, value in landed] == [("PAD", "9.0300"), ("D-P240", "9.0200")]
    before = books()
    assert "0 new, 1 already there" in imports("receipts", row.replace("PAD", "D-P240"), row)
    assert books() == before


def test_only_the_row_that_differs_is_named_in_a_file_sorted_otherwise(imports: Imports) -> None:
    rows = [
        f"T1,2026-03-01,DEPOT,VAN-1,{code},{quantity}"
        for code, quantity in (("PAD", 1), ("COMPOUND", 20), ("D-P240", 3), ("D-P240", 4))
    ]
    imports("transfers", *rows)
    assert "0 new, 1 already there" in imports("transfers", *reversed(rows))
    changed = [rows[3], rows[2], rows[0], rows[1].replace("COMPOUND,20", "COMPOUND,21")]
    assert [fault.split(";")[0] for fault in imports.faults("transfers", *changed)] == [
        "line 5, column quantity: '21' was posted as 20 with transfer T1"
    ]


def test_rows_of_a_count_and_of_uses_stay_in_the_order_of_the_file(imports: Imports) -> None:
    rows = ("C1,2026-03-05,VAN-1,PAD,1", "C1,2026-03-05,VAN-1,D-P240,7", "C1,2026-03-05,DEPOT,PAD,2")
    imports("counts", *rows)
    assert "0 new, 1 already there" in imports("counts", *reversed(rows))
    uses = ("J1,PAD,1,40", "J1,D-P240,3,25", "J1,PAD,0,5")
    imports("uses", *uses)
    imports("jobs", JOB, JOB.replace("J1", "J2"))
    imports("uses", *(use.replace("J1", "J2") for use in uses))
    for job in ("J1", "J2"):
        logged = JobUse.objects.filter(job__reference=job).order_by("line")
        assert [(use.consumable.code, use.minutes) for use in logged] == [
            ("PAD", 40),
            ("D-P240", 25),
            ("PAD", 5),
        ]
    assert "0 new, 3 already there" in imports("uses", *reversed(uses))


def test_freight_may_be_empty(imports: Imports) -> None:
    row = "R1,2026-03-01,ACME,VAN-1,PAD,1,9,"
    assert "1 new" in imports("receipts", row, row.replace("PAD", "D-P240") + "0")


def test_the_first_flags_are_printed_and_the_others_counted(imports: Imports) -> None:
    out = imports("transfers", *(f"T{n:02},2026-03-01,DEPOT,VAN-1,PAD,1" for n in range(23)))
    first, *flags, more, _ = out.splitlines()
    assert first == "transfers: 23 new, 0 already there, 23 flagged for a person to see"
    assert flags[0].startswith("T00: ")
    assert len(flags) == 20
    assert more == "... and 3 more; all are in the admin's list of documents"


@pytest.mark.parametrize(
    ("kind", "row"),
    [("receipts", RECEIPT.replace("R1", "R2")), ("transfers", "R2,2026-03-01,DEPOT,VAN-1,D-P240,100")],
)
def test_what_came_before_a_count_that_did_not_find_it_is_flagged(
    imports: Imports, kind: str, row: str
) -> None:
    imports("receipts", RECEIPT.replace("VAN-1", "DEPOT"))
    imports("counts", "C1,2026-03-05,VAN-1,D-P240,40")
    out = imports(kind, row)
    assert f"{kind}: 1 new, 0 already there, 1 flagged for a person to see" in out
    assert "R2: VAN-1 was counted after this came, on 2026-03-05, and 60 of D-P240 count as lost;" in out
    assert "undo count C1" in out
    assert held("VAN-1", "D-P240") == 40
    # Another import of the same file says nothing new.
    again = imports(kind, row)
    assert "0 new, 1 already there" in again
    assert "flagged" not in again


def test_flags_of_uses_that_waited_are_printed_under_their_job(imports: Imports) -> None:
    imports("uses", "J1,PAD,1,40")
    out = imports("jobs", JOB)
    assert "1 flagged for a person to see\nJ1: " in out


def test_a_last_line_without_a_line_break_is_taken_with_a_note(imports: Imports) -> None:
    """RFC 4180 section 2, rule 2: the last record may or may not have an ending line break."""
    content = f"{HEADERS['receipts']}\n{RECEIPT}".encode()
    note = "the last line has no line break; check that the file was not cut off"
    assert imports.content("receipts", content).splitlines()[-1] == note
    assert note not in imports.content("receipts", content + b"\n")


def test_a_grade_that_is_none_is_answered_with_those_there_are(imports: Imports) -> None:
    (fault,) = imports.faults("consumables", "D,Disc,counted,each,p80,,")
    assert "'p80' is not one of P12, " in fault


@pytest.mark.parametrize("minutes", ["0", "0.5"])
def test_a_working_life_is_at_least_a_minute(imports: Imports, minutes: str) -> None:
    (fault,) = imports.faults("consumables", f"C,Pad,worn,each,,{minutes},")
    assert fault.endswith("must be at least 1 minute")


def test_rows_of_one_receipt_must_agree(imports: Imports) -> None:
    faults = imports.faults(
        "receipts",
        RECEIPT,
        "R1,2026-03-02,OTHER,VAN-1,COMPOUND,10,5,6",
    )
    assert [fault.split(":")[0] for fault in faults] == [
        "line 3, column received_at",
        "line 3, column supplier",
        "line 3, column freight",
    ]
    assert all("differs from line 2, which has the same receipt" in fault for fault in faults)


def test_a_receipt_posted_before_with_other_content_is_refused_cell_by_cell(imports: Imports) -> None:
    imports("receipts", RECEIPT)
    changed = RECEIPT.replace(",100,50.00,5.00", ",90,50.00,6")
    faults = imports.faults("receipts", "R2,2026-03-01,ACME,VAN-1,PAD,1,9,0", changed)
    assert [fault.split(";")[0] for fault in faults] == [
        "line 3, column quantity: '90' was posted as 100 with receipt R1",
        "line 3, column freight: '6' was posted as 5 with receipt R1",
    ]
    more = imports.faults("receipts", RECEIPT, RECEIPT.replace("D-P240", "PAD"))
    assert "has 2 rows here, but was posted with 1" in more[0]


def test_unknown_codes_are_refused_unless_they_may_be_created(imports: Imports) -> None:
    faults = imports.faults("receipts", RECEIPT, flags=())
    assert [fault.split(";")[0] for fault in faults] == [
        "line 2, column supplier: 'ACME' is not a known supplier",
        "line 2, column place: 'VAN-1' is not a known place",
    ]
    faults = imports.faults("jobs", JOB, flags=())
    assert [fault.split(":")[0] for fault in faults] == [
        "line 2, column van",
        "line 2, column technician",
        "line 2, column job_type",
    ]


def test_a_consumable_is_never_created(imports: Imports) -> None:
    assert imports.faults("receipts", RECEIPT.replace("D-P240", "D-P320")) == [
        "line 2, column consumable: 'D-P320' is not a known consumable; import the consumables first"
    ]
    assert not Supplier.objects.exists()


@pytest.mark.parametrize("word", ["supplier", "job", "lost", "scrapped"])
def test_places_outside_the_shop_cannot_be_named(imports: Imports, word: str) -> None:
    assert "outside the shop" in imports.faults("receipts", RECEIPT.replace("VAN-1", word))[0]
    assert "outside the shop" in imports.faults("jobs", JOB.replace("VAN-1", word))[0]
    assert "outside the shop" in imports.faults("counts", f"C1,2026-03-01,{word},D-P240,1")[0]


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("0", "is zero"),
        ("-2", "is negative"),
        ("9" * 80, f"'{'9' * 59}…' has"),
        ("1.5", "is not whole; D-P240 is counted"),
        ('"1,5"', "write a decimal point"),
        ("NaN", "is not a plain number"),
        ("1e3", "is not a plain number"),
        ("1_000", "is not a plain number"),
        ("10000001", "is above 10,000,000"),
        ("9" * 300, "digits"),
        ("1.00001", "more than 4 decimal places"),
        ("", "is empty"),
        ("@SUM(A1)", "is not a plain number"),
    ],
)
def test_a_bad_quantity_is_named_with_what_was_expected(imports: Imports, cell: str, words: str) -> None:
    (fault,) = imports.faults("receipts", RECEIPT.replace(",100,", f",{cell},"))
    assert fault.startswith("line 2, column quantity: ")
    assert words in fault


def test_every_bad_row_is_named_in_one_go(imports: Imports) -> None:
    faults = imports.faults(
        "transfers",
        "T1,2026-03-01,DEPOT,VAN-1,D-P240,10",
        "T2,01.03.2026,DEPOT,VAN-1,D-P240,10",
        "T3,2026-03-01,DEPOT,DEPOT,NOTHING,x",
        "+T4,2026-03-01,DEPOT,VAN-1,D-P240,10",
        "T5,2026-03-01,DEPOT,VAN-1",
    )
    assert [fault.split(":")[0] for fault in faults] == [
        "line 3, column moved_at",
        *("line 4, column destination", "line 4, column consumable", "line 4, column quantity"),
        "line 5, column transfer",
        "line 6, column consumable",
    ]


def test_a_transfer_moves_stock(imports: Imports) -> None:
    imports("transfers", "T1,2026-03-01,DEPOT,VAN-1,D-P240,10")
    assert held("DEPOT", "D-P240") == -10
    assert held("VAN-1", "D-P240") == 10


def test_a_count_sets_the_book_and_may_cover_several_places(imports: Imports) -> None:
    rows = (
        "C1,2026-03-05,VAN-1,D-P240,7",
        "C1,2026-03-05,DEPOT,D-P240,0",
        "C1,2026-03-05,DEPOT,COMPOUND,2.5",
    )
    imports("transfers", "T1,2026-03-01,DEPOT,VAN-1,D-P240,10")
    assert "1 new" in imports("counts", *rows)
    assert held("DEPOT", "D-P240") == 0
    assert held("VAN-1", "D-P240") == 7
    assert held("DEPOT", "COMPOUND") == Decimal("2.5")
    assert "0 new, 1 already there" in imports("counts", *rows, flags=())
    twice = imports.faults("counts", *(row.replace("C1", "C2") for row in (*rows, rows[0])))
    assert twice == [
        "line 5, column consumable: 'D-P240' is counted at VAN-1 in line 2 of the same count already"
    ]


def test_a_dry_run_says_what_would_happen_and_writes_nothing(imports: Imports) -> None:
    before = books()
    out = imports("jobs", JOB, flags=("--create-missing", "--dry-run"))
    assert out.startswith("Dry run, nothing was written.")
    assert "jobs: 1 new, 0 already there" in out
    assert books() == before
    assert not Technician.objects.exists()
    assert not Document.objects.exists()
    assert "1 new" in imports("jobs", JOB)


def test_a_dry_run_names_faults_too(imports: Imports) -> None:
    assert imports.faults("receipts", RECEIPT.replace("100", "x"), flags=("--create-missing", "--dry-run"))


@pytest.mark.parametrize("kind", sorted(HEADERS))
def test_a_file_without_rows_or_cut_off_in_its_header_is_told_apart(imports: Imports, kind: str) -> None:
    assert f"{kind}: 0 new, 0 already there" in imports(kind)
    assert "is missing" in imports.content_faults(kind, HEADERS[kind].rpartition(",")[0].encode())[0]
    assert imports.content_faults(kind, b"") == [
        f"line 1: '' is all there is; expected {HEADERS[kind]}",
    ]


def test_a_file_cut_off_in_a_row_is_refused(imports: Imports) -> None:
    content = f"{HEADERS['receipts']}\n{RECEIPT}\n{RECEIPT[:30]}".encode()
    (fault,) = imports.content_faults("receipts", content)
    assert fault.startswith("line 3, column quantity: '' is missing")


def test_moments_are_read_by_the_clocks_of_the_shop(imports: Imports) -> None:
    Books.objects.update(time_zone="Asia/Tokyo")
    imports("jobs", JOB)
    assert Job.objects.get().closed_at.isoformat() == "2026-03-02T01:00:00+00:00"  # type: ignore[union-attr]


def test_a_file_that_is_not_there_is_told(imports: Imports, tmp_path: Path) -> None:
    for path in (tmp_path / "nothing.csv", tmp_path):
        with pytest.raises(CommandError, match="cannot read"):
            call_command("import_csv", "jobs", str(path))


def test_importing_does_not_ask_the_database_more_for_more_rows(
    imports: Imports, django_assert_max_num_queries: Any
) -> None:
    receipts = [RECEIPT.replace("R1", f"R{number}") for number in range(300)]
    with django_assert_max_num_queries(60):
        imports("receipts", *receipts)
    jobs = [JOB.replace("J1", f"J{number}") for number in range(300)]
    with django_assert_max_num_queries(90):
        imports("jobs", *jobs)
    with django_assert_max_num_queries(90):
        imports("uses", *(f"J{number},D-P240,1,5" for number in range(300)))
