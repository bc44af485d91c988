"""Killed at any instant (SIGKILL, no chance to tidy up), a store has every entry that was acknowledged, and no half."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from sqlalchemy import text

from assessor.job.chain import check_chain
from assessor.job.entries import JobOpened
from assessor.store.checking import check_store
from assessor.store.kept import is_whole
from assessor.store.ledger import Ledger
from assessor.store.opening import open_store
from tests.store.records import STAMP, assessed, filed, opened, refiled

Place = tuple[str, str | None]
pytestmark = pytest.mark.filterwarnings("ignore:This process.*use of fork:DeprecationWarning")


def batch(place: Place, say: Callable[[str], object], wanted: int) -> None:
    """File and assess the captures that are left, each with a photo and a record, and say so when one is safe."""
    with open_store(*place) as store:
        if store.head("HALL") is None:
            store.append("HALL", [opened()], STAMP)
        say("at-work")
        keys = {f"c{n}": "k1" for n in range(wanted)}
        for capture in store.unassessed("HALL", keys):
            photo = store.keep_file(f"photo of {capture}".encode() * 4000, f"{capture}.jpg")
            record = store.keep_file(f'{{"capture": "{capture}"}}'.encode(), "assessment.json")
            store.append(
                "HALL", [filed(capture, photo), assessed(capture, record)], STAMP, check=lambda entries: None
            )
            say(capture)


def run_and_kill(
    work: Callable[[Callable[[str], object]], None], after_s: float | None
) -> tuple[list[str], bool]:
    """Fork, kill the child a while after its first word; return all further words and whether it came to its end.

    after_s: None lets it come to its end.
    """
    inlet, outlet = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.close(inlet)
            work(lambda word: os.write(outlet, f"{word}\n".encode()))
            code = 0
        finally:
            os._exit(code)
    os.close(outlet)
    with os.fdopen(inlet, "rb") as pipe:
        pipe.readline()
        if after_s is not None:
            time.sleep(after_s)
            os.kill(child, signal.SIGKILL)
        words = pipe.read().decode().split()
    _, status = os.waitpid(child, 0)
    killed = after_s is not None and os.WIFSIGNALED(status)
    assert killed or status == 0, "the child failed by itself"
    return words, not killed


@pytest.fixture
def quick_disk(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory, where there is one.

    A kill loses nothing that the system has taken, written to the disk or not. Without waiting for a disk the kills
    fall on our own steps, not all on the wait, and hundreds of them take seconds.
    """
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    folder = Path(tempfile.mkdtemp(prefix="assessor-test-", dir=memory))
    yield folder
    shutil.rmtree(folder)


def look(store: Ledger, told: set[str], after: int = 0) -> int:
    """What has to hold of the entries after a number (even: after whole captures); returns the last one's number."""
    entries = store.entries("HALL", after=after)
    captures = [entry.content.capture for entry in entries if not isinstance(entry.content, JobOpened)]  # type: ignore[union-attr]
    # Each capture and its assessment went in together, once.
    assert captures[::2] == captures[1::2]
    assert len(set(captures)) * 2 == len(captures)
    assert told <= set(captures)
    assert [entry.number for entry in entries] == list(range(after + 1, after + 1 + len(entries)))
    assert all(two.previous == one.digest for one, two in pairwise(entries))
    return after + len(entries)


def files_are_whole(store: Ledger, seen: frozenset[str]) -> frozenset[str]:
    """No row names a file that is not there whole; returns all files that have a row."""
    with store.database.reading() as connection:
        rows = dict(connection.execute(text("SELECT sha256, bytes FROM kept")).all())  # type: ignore[arg-type]
    for sha256 in rows.keys() - seen:
        assert is_whole(store.files, sha256, rows[sha256])
    return frozenset(rows)


@pytest.mark.parametrize("kills", [20, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_in_the_middle_of_a_batch(quick_disk: Path, kills: int) -> None:
    place, chance = (str(quick_disk / "store"), None), random.Random(kills)
    told: set[str] = set()
    seen: frozenset[str] = frozenset()
    with_work = half_way = last = 0
    with open_store(*place):
        pass
    for _ in range(kills):
        acknowledged, _ = run_and_kill(lambda say: batch(place, say, 10_000), chance.uniform(0.001, 0.06))
        assert not told & set(acknowledged), "finished work was done again"
        told |= set(acknowledged)
        with_work += bool(acknowledged)
        with open_store(*place) as store:
            last = look(store, set(acknowledged), last)
            seen = files_are_whole(store, seen)
            half_way += last - 1 < len(list(store.files.names()))
    # The kills have to meet the work, and to fall between a file and its entry, or this shows nothing.
    assert with_work > kills / 8
    assert half_way > kills / 8
    with open_store(*place) as store:
        assert look(store, told) == last
        check_chain(store.entries("HALL"))
        report = check_store(store)
        assert report.whole
        assert report.files >= 2 * len(told)
    link = sqlite3.connect(quick_disk / "store/record.sqlite")
    assert link.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert link.execute("PRAGMA foreign_key_check").fetchall() == []
    link.close()


def test_a_client_of_postgresql_that_is_killed(new_database: str, quick_disk: Path) -> None:
    place, chance = (new_database, str(quick_disk / "files")), random.Random(3)
    told: set[str] = set()
    for _ in range(20):
        acknowledged, _ = run_and_kill(lambda say: batch(place, say, 10_000), chance.uniform(0.01, 0.1))
        told |= set(acknowledged)
        with open_store(*place) as store:
            look(store, told)
    assert len(told) > 10
    with open_store(*place) as store:
        assert check_store(store).whole


@pytest.mark.parametrize("wanted", [60, pytest.param(500, marks=pytest.mark.slow)])
def test_a_batch_is_finished_after_kills_without_doing_anything_twice(quick_disk: Path, wanted: int) -> None:
    place, chance = (str(quick_disk / "store"), None), random.Random(4)
    told: list[str] = []
    kills, done = 0, False
    while not done:
        acknowledged, done = run_and_kill(
            lambda say: batch(place, say, wanted), chance.uniform(0.02, wanted / 2000)
        )
        told += acknowledged
        kills += not done
    assert kills >= 2
    assert len(told) == len(set(told))
    with open_store(*place) as store:
        assert look(store, set(told)) == 1 + 2 * wanted
        # A kill between the disk and the pipe leaves a capture done but untold, one a kill at most.
        assert wanted - len(told) <= kills
        assert store.unassessed("HALL", {f"c{n}": "k1" for n in range(wanted)}) == ()
        assert check_store(store).whole


def test_killed_while_the_store_is_made(quick_disk: Path) -> None:
    chance = random.Random(5)
    stages: set[bool] = set()
    for n in range(25):
        place = (str(quick_disk / f"store{n}"), None)

        def make(say: Callable[[str], object], place: Place = place) -> None:
            say("at-work")
            open_store(*place)
            say("made")
            time.sleep(1)

        acknowledged, _ = run_and_kill(make, chance.uniform(0.0, 0.1))
        stages.add(bool(acknowledged))
        with open_store(*place) as store:
            store.append("HALL", [opened(), refiled("c", 1, 1)], STAMP)
            assert check_store(store).whole
    assert False in stages, "no kill met the making, so this shows nothing"
