"""The job record: what goes in comes out, on SQLite and PostgreSQL, and nothing in it can be changed."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import shutil
import sqlite3
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from assessor.errors import BadEntry, GateClosed, NoJob, RecordDamaged, StoreUnusable
from assessor.job.chain import START, Entry, Stamp, check_chain
from assessor.store.ledger import Ledger
from assessor.store.opening import open_store
from tests.store.records import AT, STAMP, assessed, filed, fill, opened, refiled

Place = tuple[str, str | None]
pytestmark = pytest.mark.filterwarnings("ignore:This process.*use of fork:DeprecationWarning")


@pytest.fixture
def store(place: Place) -> Iterator[Ledger]:
    with open_store(*place) as ledger:
        yield ledger


def test_entries_come_back_as_they_were_sealed(store: Ledger, place: Place) -> None:
    photo = store.keep_file(b"jpeg", "IMG_1.jpg")
    first = store.append("HALL", [opened()], STAMP)
    more = store.append("HALL", [filed("c0", photo), assessed("c0", photo)], STAMP)
    assert [entry.number for entry in (*first, *more)] == [1, 2, 3]
    with open_store(*place) as again:
        assert again.entries("HALL") == (*first, *more)
        assert again.entry("HALL", 2) == more[0]
        assert again.read_file(photo) == b"jpeg"
        head = again.head("HALL")
    assert head is not None
    assert (head.entries, head.digest, head.first_at_utc) == (3, check_chain((*first, *more)), AT)


def test_entries_are_found_by_kind_zone_and_number(store: Ledger) -> None:
    photos = fill(store, captures=2)
    store.append("HALL", [filed("other", photos[0], zone=2)], STAMP)
    assert [entry.number for entry in store.entries("HALL", kinds=["capture-filed"])] == [2, 4, 6]
    assert [entry.number for entry in store.entries("HALL", zone=2)] == [6]
    assert [entry.number for entry in store.entries("HALL", after=4)] == [5, 6]
    assert store.entries("HALL", kinds=["capture-filed"], zone=1, after=2)[0].number == 4
    assert store.entries("NONE") == ()
    assert store.head("NONE") is None
    with pytest.raises(NoJob, match="there is no entry 7 in job HALL"):
        store.entry("HALL", 7)


def test_jobs_are_separate_chains(store: Ledger) -> None:
    fill(store, "YARD", captures=2)
    fill(store, "HALL", captures=1)
    assert [(head.job, head.entries) for head in store.jobs()] == [("HALL", 3), ("YARD", 5)]
    assert store.entries("HALL")[0].previous == store.entries("YARD")[0].previous == START


def test_captures_show_their_newest_place_and_assessment(store: Ledger) -> None:
    photo, _ = fill(store, captures=2)
    later = [refiled("c0", 2, 7), assessed("c0", photo, "k2", best=6), filed("bare", photo, spot=9)]
    store.append("HALL", later, STAMP)
    shown = [(each.filed.number, each.placed.number, each.assessed and each.assessed.number)
             for each in store.captures("HALL")]  # fmt: skip
    assert shown == [(2, 6, 7), (4, 4, 5), (8, 8, None)]


def test_work_left_is_a_query(store: Ledger) -> None:
    photo, *_ = fill(store, captures=2)
    wanted = {"c1": "k1", "c0": "k2", "c9": "k1"}
    assert store.unassessed("HALL", wanted) == ("c0", "c9")
    store.append("HALL", [assessed("c0", photo, "k2")], STAMP)
    assert store.unassessed("HALL", wanted) == ("c9",)
    assert store.assessed_keys("HALL") == {("c0", "k1"), ("c0", "k2"), ("c1", "k1")}


def test_a_check_sees_the_record_and_refuses_all(store: Ledger) -> None:
    seen: list[tuple[Entry, ...]] = []

    def refuse(entries: tuple[Entry, ...]) -> None:
        seen.append(entries)
        if len(entries) > 1:
            raise GateClosed("no cut before the survey")

    photo = store.keep_file(b"x", "x.jpg")
    first = store.append("HALL", [opened()], STAMP, check=refuse)
    second = store.append("HALL", [filed("c0", photo)], STAMP, check=refuse)
    with pytest.raises(GateClosed, match="no cut before the survey"):
        store.append("HALL", [filed("c1", photo), filed("c2", photo)], STAMP, check=refuse)
    assert seen == [(), first, (*first, *second)]
    assert store.entries("HALL") == (*first, *second)


def test_what_another_program_added_is_seen_by_the_next_check(store: Ledger, place: Place) -> None:
    lengths: list[int] = []
    store.append("HALL", [opened()], STAMP, check=lambda entries: lengths.append(len(entries)))
    with open_store(*place) as other:
        other.append("HALL", [refiled("c", 1, 1)], STAMP)
    store.append("HALL", [refiled("c", 1, 2)], STAMP, check=lambda entries: lengths.append(len(entries)))
    store.append("YARD", [opened()], STAMP, check=lambda entries: lengths.append(len(entries)))
    store.append("HALL", [refiled("c", 1, 3)], STAMP, check=lambda entries: lengths.append(len(entries)))
    assert lengths == [0, 2, 0, 3]


def test_another_record_put_in_place_is_read_anew(tmp_path: Path) -> None:
    with open_store(tmp_path / "one") as one, open_store(tmp_path / "two") as two:
        for store, spot in ((one, 1), (two, 2)):
            for _ in range(2):
                store.append("HALL", [refiled("c", 1, spot)], STAMP, check=lambda _: None)
            store.close()
        shutil.copy(tmp_path / "two/record.sqlite", tmp_path / "one/record.sqlite")
        seen: list[tuple[Entry, ...]] = []
        one.append("HALL", [refiled("c", 1, 3)], STAMP, check=seen.append)
        assert seen == [two.entries("HALL")]
        check_chain(one.entries("HALL"))


def test_files_must_be_stored_before_they_are_named(store: Ledger, tmp_path: Path) -> None:
    with open_store(tmp_path / "elsewhere") as elsewhere:
        photo = elsewhere.keep_file(b"x", "x.jpg")
    with pytest.raises(BadEntry, match=r"the file x\.jpg .* was not stored before it was entered"):
        store.append("HALL", [opened(), filed("c0", photo)], STAMP)
    assert store.jobs() == ()
    with pytest.raises(BadEntry, match=r"no file .* was stored here"):
        store.read_file(photo)


@pytest.mark.parametrize(
    ("stamp", "match"),
    [
        (Stamp(" ", "crew", "floor", AT, 0, "t"), "needs a job, a name and a tool"),
        (Stamp("a", "crew", "floor", "yesterday", 0, "t"), "yesterday is no time"),
        (Stamp("a", "crew", "floor", "2026-05-04T07:30:00+02:00", 0, "t"), "is not in UTC"),
        (Stamp("a", "crew", "floor", "2026-05-04T07:30:00", 0, "t"), "is not in UTC"),
        (Stamp("a\0b", "crew", "floor", AT, 0, "t"), "a name holds a character that cannot be stored"),
        (Stamp("a\udcffb", "crew", "floor", AT, 0, "t"), "a name holds a character that cannot be stored"),
    ],
)
def test_a_stamp_that_says_nothing_is_refused(store: Ledger, stamp: Stamp, match: str) -> None:
    with pytest.raises(BadEntry, match=match):
        store.append("HALL", [opened()], stamp)
    assert store.jobs() == ()


def test_odd_names_are_stored(store: Ledger) -> None:
    odd = 'Ünïcode "quotes" \\ %s :x \n 𝛑'
    photo = store.keep_file(b"x", "nul\0 \udcff.jpg")
    assert photo.name == "nul \\udcff.jpg"
    store.append(odd, [filed(odd, photo)], STAMP)
    assert store.entries(odd)[0].content == filed(odd, photo)
    assert store.captures(odd)[0].filed.job == odd


def test_names_that_cannot_be_stored_are_refused(store: Ledger) -> None:
    photo = store.keep_file(b"x", "x.jpg")
    for job, content in (
        ("HA\0L", opened()), ("HA\udcffL", opened()), ("HALL", refiled("c\0", 1, 1)),
        ("HALL", assessed("c", photo, "k\0")),
    ):  # fmt: skip
        with pytest.raises(BadEntry, match="a name holds a character that cannot be stored"):
            store.append(job, [content], STAMP)
    # Elsewhere JSON spells it out.
    store.append("HALL", [opened().model_copy(update={"name": "a\0b"})], STAMP)
    assert store.entries("HALL")[0].content.name == "a\0b"  # type: ignore[union-attr]


def test_a_file_is_asked_for_by_its_hash_only(store: Ledger, tmp_path: Path) -> None:
    for asked in ("../../etc/passwd", "", "a" * 63, "A" * 64, "a" * 64 + "\n", f"{tmp_path}"):
        for ask in (store.read_file, store.file_path):
            with pytest.raises(BadEntry, match="asked for by 64 characters"):
                ask(asked)


def test_nothing_is_entered_by_nothing(store: Ledger) -> None:
    with pytest.raises(BadEntry, match="nothing was entered"):
        store.append("HALL", [], STAMP)
    assert store.keep_files([]) == ()


CHANGES = [
    "UPDATE {table} SET {column} = 'x'",
    "DELETE FROM {table}",
]


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize(("table", "column"), [("entry", "who"), ("kept", "name"), ("entry_file", "sha256")])
def test_the_database_itself_refuses_changes(store: Ledger, change: str, table: str, column: str) -> None:
    fill(store)
    before = store.entries("HALL")
    with pytest.raises(StoreUnusable) as caught, store.database.writing() as connection:
        connection.execute(text(change.format(table=table, column=column)))
    assert isinstance(caught.value.__cause__, DBAPIError)
    assert "the record only grows" in str(caught.value.__cause__.orig)
    assert store.entries("HALL") == before


@pytest.mark.parametrize("number", [0, 3, 7, 9])
def test_the_database_itself_refuses_entries_out_of_order(store: Ledger, number: int) -> None:
    fill(store)
    with pytest.raises(StoreUnusable) as caught, store.database.writing() as connection:
        connection.execute(text(
            "INSERT INTO entry (job, number, kind, content, who, role, place, at_utc, offset_min, tool, model, scale, "
            "settings, previous, digest) SELECT job, :n, kind, content, who, role, place, at_utc, offset_min, tool, "
            "model, scale, settings, previous, digest FROM entry WHERE number = 3"
        ), {"n": number})  # fmt: skip
    assert "does not follow the last one" in str(caught.value.__cause__)


def test_postgresql_refuses_to_empty_a_table(new_database: str, tmp_path: Path) -> None:
    with open_store(new_database, tmp_path) as store:
        fill(store)
        with pytest.raises(StoreUnusable) as caught, store.database.writing() as connection:
            connection.execute(text("TRUNCATE entry_file"))
        assert "no TRUNCATE of entry_file" in str(caught.value.__cause__)


@pytest.mark.parametrize("table", ["entry", "kept"])
def test_sqlite_refuses_to_replace_a_row(tmp_path: Path, table: str) -> None:
    # INSERT OR REPLACE deletes the old row without firing DELETE triggers: https://www.sqlite.org/lang_conflict.html
    with open_store(tmp_path) as store:
        fill(store)
    link = sqlite3.connect(tmp_path / "record.sqlite")
    with pytest.raises(sqlite3.IntegrityError, match="the record only grows"):
        link.execute(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}")
    link.close()


def test_the_record_holds_by_plain_sqlite_and_hashlib(tmp_path: Path) -> None:
    """Outside check: the chain by the hash that `chain` describes, recomputed with the standard library alone."""
    with open_store(tmp_path) as store:
        fill(store)
    link = sqlite3.connect(tmp_path / "record.sqlite")
    link.row_factory = sqlite3.Row
    assert link.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert link.execute("PRAGMA foreign_key_check").fetchall() == []
    assert link.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    previous = "0" * 64
    rows = link.execute("SELECT * FROM entry ORDER BY number").fetchall()
    for number, row in enumerate(rows, start=1):
        stamp = {name: row[name] for name in
                 ["who", "role", "place", "at_utc", "offset_min", "tool", "model", "scale", "settings"]}  # fmt: skip
        whole = {"job": "HALL", "number": number, "content": json.loads(row["content"]), "stamp": stamp,
                 "previous": previous}  # fmt: skip
        plain = json.dumps(whole, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        previous = hashlib.sha256(plain.encode("utf-8")).hexdigest()
        assert (row["digest"], row["number"]) == (previous, number)
    assert len(rows) == 7
    for sha256, size in link.execute("SELECT sha256, bytes FROM kept"):
        data = (tmp_path / "files" / sha256[:2] / sha256).read_bytes()
        assert (hashlib.sha256(data).hexdigest(), len(data)) == (sha256, size)
    links = link.execute("SELECT count(*) FROM entry_file").fetchone()[0]
    assert links == 6
    link.close()


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ("content = replace(content, 'angles', 'single')", "entry 3 is not what was once written"),
        ("who = 'B. Made-up'", "entry 3 is not what was once written"),
        ("offset_min = 0", "entry 3 is not what was once written"),
        ("zone = 5", "the columns of entry 3 do not say what its content says"),
        ("capture = 'c9'", "the columns of entry 3 do not say what its content says"),
    ],
)
def test_a_row_changed_behind_our_back_is_never_shown(tmp_path: Path, change: str, match: str) -> None:
    with open_store(tmp_path) as store:
        fill(store, captures=1)
    link = sqlite3.connect(tmp_path / "record.sqlite", isolation_level=None)
    link.execute("DROP TRIGGER entry_no_update")
    link.execute(f"UPDATE entry SET {change} WHERE number = 3")
    link.close()
    with open_store(tmp_path) as store:
        with pytest.raises(RecordDamaged, match=match):
            store.entries("HALL")
        with pytest.raises(RecordDamaged, match=match):
            store.captures("HALL")
        with pytest.raises(RecordDamaged, match=match):
            store.append("HALL", [refiled("c0", 1, 1)], STAMP)


def test_entries_of_a_newer_program_are_not_called_damaged(tmp_path: Path) -> None:
    with open_store(tmp_path) as store:
        (entry,) = store.append("HALL", [opened()], STAMP)
    stamp = {name: getattr(STAMP, name) for name in STAMP.__dataclass_fields__}
    content = {"kind": "dreamt-up-later", "zone": 1}
    whole = {"content": content, "job": "HALL", "number": 2, "previous": entry.digest, "stamp": stamp}
    plain = json.dumps(whole, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    row = {**stamp, "job": "HALL", "number": 2, "kind": "dreamt-up-later", "zone": 1, "previous": entry.digest,
           "content": json.dumps(content, sort_keys=True, separators=(",", ":")),
           "digest": hashlib.sha256(plain.encode()).hexdigest()}  # fmt: skip
    link = sqlite3.connect(tmp_path / "record.sqlite")
    with link:
        link.execute(
            f"INSERT INTO entry ({', '.join(row)}) VALUES ({', '.join(f':{name}' for name in row)})", row
        )
    link.close()
    with (
        open_store(tmp_path) as store,
        pytest.raises(StoreUnusable, match="entry 2 was written by a newer program"),
    ):
        store.entries("HALL")


def _append_many(place: Place, who: str, count: int) -> None:
    with open_store(*place) as store:
        for n in range(count):
            time.sleep(0.002)  # SQLite is not fair: without a pause one process may have it all to itself
            stamp = Stamp(who, "crew", "floor", AT, 0, "t")
            store.append("HALL", [refiled(f"{who} {n}", 1, 1)], stamp, check=lambda _: None)


def test_two_processes_never_fork_the_chain(place: Place) -> None:
    # Neither has opened the store before, so both also race to make its tables.
    context = multiprocessing.get_context("fork")
    workers = [context.Process(target=_append_many, args=(place, who, 25)) for who in ("a", "b", "c")]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert [worker.exitcode for worker in workers] == [0, 0, 0]
    with open_store(*place) as store:
        entries = store.entries("HALL")
    check_chain(entries)
    for who in "abc":
        own = [entry.content.capture for entry in entries if entry.stamp.who == who]  # type: ignore[union-attr]
        assert own == [f"{who} {n}" for n in range(25)]
    switches = sum(one.stamp.who != two.stamp.who for one, two in pairwise(entries))
    assert switches > 2, "the processes never met, so this shows nothing"


def test_a_store_opened_before_a_fork_works_after_it(place: Place) -> None:
    context = multiprocessing.get_context("fork")
    with open_store(*place) as store:
        store.append("HALL", [opened()], STAMP)
        worker = context.Process(target=store.append, args=("HALL", [refiled("c", 1, 1)], STAMP))
        worker.start()
        worker.join()
        assert worker.exitcode == 0
        store.append("HALL", [refiled("c", 1, 2)], STAMP)
        assert len(store.entries("HALL")) == 3


def test_a_server_that_hangs_up_loses_nothing(new_database: str, tmp_path: Path) -> None:
    hang_up = text("SELECT pg_terminate_backend(pg_backend_pid())")
    with open_store(new_database, tmp_path) as store:
        store.append("HALL", [opened()], STAMP)
        stopping = pytest.raises(StoreUnusable, match=r"the database server (is stopping|does not answer)")
        with stopping, store.database.writing() as connection:
            connection.execute(hang_up)
        store.append("HALL", [refiled("c", 1, 1)], STAMP)
        assert len(store.entries("HALL")) == 2


def test_threads_share_a_store(place: Place) -> None:
    with open_store(*place) as store, ThreadPoolExecutor(4) as pool:
        work = [pool.submit(store.append, "HALL", [refiled(f"c{n}", 1, 1)], STAMP) for n in range(40)]
        work += [
            pool.submit(store.append, "YARD", [refiled(f"c{n}", 1, 1)], STAMP, check=lambda _: None)
            for n in range(40)
        ]
        for each in work:
            each.result()
        for job in ("HALL", "YARD"):
            entries = store.entries(job)
            check_chain(entries)
            assert {entry.content.capture for entry in entries} == {f"c{n}" for n in range(40)}  # type: ignore[union-attr]


def test_entries_cut_out_or_swapped_are_not_shown(tmp_path: Path) -> None:
    with open_store(tmp_path) as store:
        fill(store, captures=2)
    link = sqlite3.connect(tmp_path / "record.sqlite", isolation_level=None)
    link.execute("DROP TRIGGER entry_no_delete")
    link.execute("DELETE FROM entry WHERE number = 3")
    link.close()
    with open_store(tmp_path) as store:
        with pytest.raises(RecordDamaged, match="job HALL: entry 4 does not follow the one before"):
            store.entries("HALL")
        with pytest.raises(RecordDamaged, match="job HALL: entry 4 does not follow the one before"):
            store.append("HALL", [refiled("c", 1, 1)], STAMP, check=lambda _: None)
