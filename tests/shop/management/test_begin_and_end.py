"""What all commands share: a period in order, tables to read, and quiet when nobody reads on."""

import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import CommandError

from tests.shop.world import run

ROOT = Path(__file__).resolve().parents[3]


@pytest.mark.django_db
@pytest.mark.parametrize("command", ["margins", "variances", "export_costing"])
def test_a_period_that_ends_before_it_starts_is_refused(command: str) -> None:
    with pytest.raises(CommandError, match="--to 2026-01-01 is before --from 2026-02-01; swap them"):
        run(command, "--from", "2026-02-01", "--to", "2026-01-01")


def start(database: Path, *arguments: str) -> "subprocess.Popen[str]":
    """Start a command in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "manage.py", *arguments],
        cwd=ROOT,
        env={"DATABASE_URL": f"sqlite:///{database}", "SECRET_KEY": "test"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.slow
def test_a_database_without_tables_is_told_and_a_reader_that_has_gone_is_not(tmp_path: Path) -> None:
    database = tmp_path / "empty.sqlite3"
    for arguments in (["import_csv", "jobs", "no.csv"], ["set_shop"], ["export_stock", "--at", "2026-01-01"]):
        command = start(database, *arguments)
        assert command.communicate()[1] == "CommandError: the database has no tables yet; run migrate first\n"
        assert command.returncode == 1
    assert start(database, "migrate", "-v", "0").wait() == 0
    for arguments in (["margins"], ["variances"], ["set_shop"], ["export_stock", "--at", "2026-01-01"]):
        command = start(database, *arguments)
        assert command.stdout
        assert command.stderr
        command.stdout.close()
        assert command.stderr.read() == ""
        assert command.wait() == 1
