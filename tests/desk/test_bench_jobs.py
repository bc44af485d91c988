"""The bench of the desk enters what it says it enters, and its killed batch comes to its end."""

from __future__ import annotations

from pathlib import Path

import pytest

from assessor.desk.base import open_desk
from assessor.store.checking import check_store
from tests.programs import program

bench = program("bench_jobs")


def test_it_enters_lists_and_compares_the_same_rows(tmp_path: Path) -> None:
    place = str(tmp_path / "store")
    wrote = bench.fill(place, 2, 10)
    assert min(wrote.values()) > 0
    saw = bench.look(place)
    assert (saw["jobs"], saw["captures"], saw["spots"]) == (2, 20, 40)
    with open_desk(place) as desk:
        assert check_store(desk.store).whole
        assert {each.unassessed for each in desk.list_jobs()} == {0}
        assert saw["rows"] == sum(head.entries for head in desk.store.jobs())


@pytest.mark.slow
def test_its_killed_batch_is_finished_and_nothing_entered_twice(tmp_path: Path) -> None:
    told = list(bench.resume_lines(str(tmp_path / "store"), tmp_path / "counted", 20, 1))
    assert told[0].startswith("resume: 20 captures, killed 1 times")
    assert told[1].startswith("  assessed 20, of them more than once ")
    assert told[2] == "  entered 20, of them more than once 0; left 0"
