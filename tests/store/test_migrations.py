"""Models and migrations agree, a store is upgraded in place, and one of a newer program is left alone."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text

from assessor.errors import StoreUnusable
from assessor.store import database as database_module
from assessor.store.database import MIGRATIONS
from assessor.store.models import REVISION, Base
from assessor.store.opening import open_store
from tests.store.records import STAMP, fill, opened

Place = tuple[str, str | None]

NEXT = '''
"""A later program's migration, made up for this test."""
import sqlalchemy as sa
from alembic import op
revision, down_revision, branch_labels, depends_on = "0002", "0001", None, None
def upgrade():
    op.add_column("entry", sa.Column("later", sa.Text(), nullable=False, server_default="x"))
    {more}
'''


def test_models_and_migrations_agree(place: Place) -> None:
    with open_store(*place) as store, store.database.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
        # Checks are not compared by Alembic.
        for table in Base.metadata.tables.values():
            there = {each["name"] for each in inspect(connection).get_check_constraints(table.name)}
            assert there == {
                each.name for each in table.constraints if type(each).__name__ == "CheckConstraint"
            }


def test_the_program_knows_its_newest_migration() -> None:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_heads() == [REVISION]


@pytest.fixture
def later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Migrations as a later program has them; returns the added file."""
    folder = tmp_path / "migrations"
    (folder / "versions").mkdir(parents=True)
    for name in ("env.py", "script.py.mako", "versions/v0001_ledger.py"):
        (folder / name).write_text((MIGRATIONS / name).read_text())
    added = folder / "versions/v0002_later.py"
    added.write_text(NEXT.format(more=""))
    with monkeypatch.context() as patch:
        patch.setattr(database_module, "MIGRATIONS", folder)
        patch.setattr(database_module, "REVISION", "0002")
        yield added


def revision_of(place: Place) -> tuple[str, bool]:
    """Revision of a store, and whether the later column is there."""
    store = open_store(*place)
    with store, store.database.reading() as connection:
        told = connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one()
        return told, "later" in {each["name"] for each in inspect(connection).get_columns("entry")}


def test_an_older_store_is_upgraded_with_all_its_entries(
    place: Place, later: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(database_module, "MIGRATIONS", MIGRATIONS)
        patch.setattr(database_module, "REVISION", REVISION)
        with open_store(*place) as store:
            fill(store)
            before = store.entries("HALL")
        assert revision_of(place) == (REVISION, False)
    with open_store(*place) as store:
        assert store.entries("HALL") == before
        store.append("YARD", [opened("YARD")], STAMP)
    assert revision_of(place) == ("0002", True)


def test_an_upgrade_that_fails_changes_nothing(
    place: Place, later: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(database_module, "MIGRATIONS", MIGRATIONS)
        patch.setattr(database_module, "REVISION", REVISION)
        with open_store(*place) as store:
            fill(store)
    later.write_text(NEXT.format(more="raise OSError(28, 'No space left on device')"))
    with pytest.raises(StoreUnusable, match="the disk is full"):
        open_store(*place)
    later.write_text(NEXT.format(more=""))
    assert revision_of(place) == ("0002", True)


def test_a_store_of_a_newer_program_is_left_alone(place: Place) -> None:
    with open_store(*place) as store:
        fill(store)
        with store.database.writing() as connection:
            connection.execute(text("UPDATE alembic_version SET version_num = '0099'"))
    with pytest.raises(
        StoreUnusable, match=r"made by a newer program \(its tables are 0099, this program knows 0001"
    ):
        open_store(*place)


def test_an_older_store_that_can_only_be_read_says_so(tmp_path: Path) -> None:
    with open_store(tmp_path) as store:
        store.append("HALL", [opened()], STAMP)
    link = sqlite3.connect(tmp_path / "record.sqlite", isolation_level=None)
    link.execute("UPDATE alembic_version SET version_num = '0000'")
    link.close()
    with pytest.raises(StoreUnusable, match="made by an older program, and cannot be brought up to date"):
        open_store(tmp_path, read_only=True)
