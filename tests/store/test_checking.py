"""Going through a store finds what is damaged, where, and nothing else."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import text

from assessor.errors import RecordDamaged
from assessor.store.checking import Damage, check_store
from assessor.store.opening import open_store
from tests.store.records import fill


@contextmanager
def forger(folder: Path, *triggers: str) -> Iterator[sqlite3.Connection]:
    """The database with some of its guards taken away and put back afterwards, as somebody would who knows how."""
    link = sqlite3.connect(folder / "record.sqlite", isolation_level=None)
    link.execute("PRAGMA foreign_keys=OFF")
    guards = link.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in guards:
        link.execute(f"DROP TRIGGER {name}")
    yield link
    for _, sql in guards:
        link.execute(sql)
    link.close()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with open_store(tmp_path) as store:
        fill(store, "HALL")
        fill(store, "YARD", captures=1)
    return tmp_path


def test_a_whole_store_is_whole(place: tuple[str, str | None]) -> None:
    with open_store(*place) as store:
        fill(store, "HALL")
        fill(store, "YARD", captures=1)
        report = check_store(store, known_heads={head.job: head.digest for head in store.jobs()})
        assert report.whole
        assert (report.entries, report.files, report.leftovers) == (10, 5, 0)
        assert report.jobs == store.jobs()


@pytest.mark.parametrize(
    ("change", "job", "number", "found"),
    [
        ("UPDATE entry SET who = 'B' WHERE job = 'HALL' AND number = 3", "HALL", 3, "not what was once written"),
        ("UPDATE entry SET spot = 9 WHERE job = 'HALL' AND number = 2", "HALL", 2, "do not say what its content"),
        ("DELETE FROM entry WHERE job = 'HALL' AND number = 1", "HALL", 2, "entry 2 follows entry 0"),
        ("DELETE FROM entry_file WHERE job = 'HALL' AND number = 4", "HALL", 4, "are not those that it names"),
        ("UPDATE entry_file SET number = 5 WHERE job = 'HALL' AND number = 4", "HALL", 4, "are not those"),
    ],
)  # fmt: skip
def test_changed_entries_are_found(folder: Path, change: str, job: str, number: int, found: str) -> None:
    with forger(folder) as link:
        link.execute(change)
    with open_store(folder) as store:
        report = check_store(store)
    first = next(each for each in report.damage if each.part == "entry")
    assert (first.name, first.number) == (job, number)
    assert found in first.found
    assert len([each for each in report.damage if each.part == "entry"]) <= 2


def test_a_slipped_in_entry_breaks_the_chain(folder: Path) -> None:
    # Entry 1 of the other job, renamed: its own hash is wrong, and it names no hash before it.
    with forger(folder) as link:
        link.execute("UPDATE entry SET job = 'HALL', number = 8 WHERE job = 'YARD' AND number = 1")
    with open_store(folder) as store:
        found = check_store(store).damage
    assert Damage("entry", "HALL", "job HALL: entry 8 does not name the hash of the one before", 8) in found


def test_cut_off_entries_are_found_by_a_hash_written_elsewhere(folder: Path) -> None:
    with open_store(folder) as store:
        known = {head.job: head.digest for head in store.jobs()}
    with forger(folder) as link:
        link.execute("DELETE FROM entry_file WHERE job = 'HALL' AND number = 7")
        link.execute("DELETE FROM entry WHERE job = 'HALL' AND number = 7")
    with open_store(folder) as store:
        assert check_store(store).whole, "a shorter record is whole in itself"
        (damage,) = check_store(store, known_heads=known).damage
    assert damage == Damage("entry", "HALL", f"the entry with the hash {known['HALL']} is gone")


def test_rows_that_point_nowhere_are_found(folder: Path) -> None:
    with forger(folder) as link:
        link.execute("DELETE FROM kept")
    with open_store(folder) as store:
        found = [each.found for each in check_store(store).damage]
    assert "rows name entries or files that are not there" in found


def test_missing_and_changed_files_are_found(folder: Path) -> None:
    with open_store(folder) as store:
        photos = [ref for each in store.captures("HALL") for ref in each.filed.content.photos]  # type: ignore[union-attr]
        one, two, three = (store.file_path(photo) for photo in photos)
        assert one and two and three
        for path in (two, three):
            path.chmod(0o644)
        one.unlink()
        two.write_bytes(b"short")
        three.write_bytes(three.read_bytes()[::-1])
        report = check_store(store)
        assert {(each.name, each.found) for each in report.damage} == {
            (photos[0].sha256, "the stored file IMG_0000.jpg is missing"),
            (photos[1].sha256, "the stored file IMG_0001.jpg is not what was once stored"),
            (photos[2].sha256, "the stored file IMG_0002.jpg is not what was once stored"),
        }
        assert check_store(store, files=False).whole
        for photo, match in zip(
            photos, ("is missing", "not what was once", "not what was once"), strict=True
        ):
            with pytest.raises(RecordDamaged, match=match):
                store.read_file(photo)


def test_leftovers_are_counted_but_do_no_harm(folder: Path) -> None:
    stray = folder / "files/ab" / ("ab" + "0" * 62)
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"x")
    with open_store(folder) as store:
        report = check_store(store)
    assert (report.whole, report.leftovers) == (True, 1)


def test_missing_guards_are_found(place: tuple[str, str | None]) -> None:
    with open_store(*place) as store:
        with store.database.writing() as connection:
            if connection.dialect.name == "sqlite":
                connection.execute(text("DROP TRIGGER entry_no_update"))
                name = "entry_no_update"
            else:
                connection.execute(text("ALTER TABLE entry DISABLE TRIGGER entry_no_change"))
                name = "entry_no_change"
        (damage,) = check_store(store).damage
    assert damage.found == f"guards against changes were taken away ({name})"


def test_a_broken_database_file_is_reported(folder: Path) -> None:
    path = folder / "record.sqlite"
    data = bytearray(path.read_bytes())
    for page in range(2, len(data) // 4096):
        data[page * 4096 : page * 4096 + 100] = b"\xff" * 100
    path.write_bytes(data)
    with open_store(folder) as store:
        report = check_store(store)
        assert {each.part for each in report.damage} >= {"database"}
        assert "the database file is damaged" in report.damage[0].found
        with pytest.raises(RecordDamaged, match="the database file is damaged; stop, keep the files"):
            store.entries("HALL")
