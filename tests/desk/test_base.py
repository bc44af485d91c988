"""The desk itself: who and when, all or nothing, what a list tells, and a book that goes on with the record."""

from __future__ import annotations

from pathlib import Path

import pytest

from assessor.desk import base
from assessor.desk.base import Person, Versions, open_desk
from assessor.errors import BadBars, BadEntry, GateClosed, NoJob, RecordDamaged, StoreUnusable
from assessor.job.chain import check_chain
from assessor.job.entries import Disturbed, JobOpened, PrintMeasured, SuggestionShown, Waived
from tests.desk.stage import CREW, JOB, LEAD, SayingPipeline, Stage


def test_every_entry_says_who_when_where_and_with_what(stage: Stage) -> None:
    stage.desk.enter(
        JOB, (Disturbed(zone=1, what="rain"),), Person("  Tom \n Invented ", "crew", "floor"),
        Versions(model="m 1", scale="s 2", settings="d 3"),
    )  # fmt: skip
    entry = stage.desk.store.entries(JOB)[-1]
    stamp = entry.stamp
    assert (stamp.who, stamp.role, stamp.place) == ("Tom Invented", "crew", "floor")
    assert (stamp.at_utc[:17], stamp.at_utc[-6:], stamp.offset_min) == ("2026-05-04T06:10:", "+00:00", 120)
    assert (stamp.tool, stamp.model, stamp.scale, stamp.settings) == (base.TOOL, "m 1", "s 2", "d 3")
    check_chain(stage.desk.store.entries(JOB))


@pytest.mark.parametrize("who", ["", "  ", "\n"])
def test_nothing_is_entered_by_nobody(stage: Stage, who: str) -> None:
    before = stage.kinds()
    with pytest.raises(BadEntry, match="nobody is named"):
        stage.desk.enter(JOB, (Disturbed(zone=1, what="rain"),), Person(who))
    assert stage.kinds() == before


def test_of_several_entries_all_are_written_or_none(stage: Stage) -> None:
    before = stage.kinds()
    wrong = (Disturbed(zone=1, what="rain"), Disturbed(zone=9, what="rain"))
    with pytest.raises(NoJob, match="no zone 9"):
        stage.desk.enter(JOB, wrong, CREW)
    with pytest.raises(NoJob, match="no zone 9"):
        stage.desk.check(JOB, wrong, CREW)
    assert stage.kinds() == before
    stage.desk.enter(JOB, (wrong[0], Disturbed(zone=2, what="rain")), CREW)
    assert stage.kinds() == [*before, "disturbed", "disturbed"]


def test_a_check_writes_nothing_and_refuses_what_enter_refuses(stage: Stage) -> None:
    before = stage.kinds()
    stage.desk.check(JOB, (Disturbed(zone=1, what="rain"),), CREW)
    with pytest.raises(GateClosed, match="by the QA lead"):
        stage.desk.check(JOB, (Waived(zone=1, what="drops", why="none asked"),), CREW)
    assert stage.kinds() == before


def test_tape_readings_that_no_print_has_are_refused_before_they_stand_in_the_way(stage: Stage) -> None:
    with pytest.raises(BadBars, match="swapped"):
        stage.say(PrintMeasured(serial=7, along_mm=180, across_mm=250), CREW)
    stage.say(PrintMeasured(serial=7, along_mm=249, across_mm=179.5), CREW)
    assert stage.desk.book(JOB).prints == {7: (249, 179.5)}


def test_what_is_there_already_may_be_left_out_under_the_lock(stage: Stage) -> None:
    before = stage.kinds()
    content = (Disturbed(zone=1, what="rain"),)
    assert stage.desk.enter(JOB, content, CREW, unless=lambda book: 1 in book.zones) == ()
    assert stage.kinds() == before
    assert len(stage.desk.enter(JOB, content, CREW, unless=lambda book: 9 in book.zones)) == 1


def test_the_book_goes_on_with_what_others_enter(stage: Stage) -> None:
    book = stage.desk.book(JOB)
    count = len(book.notes)
    with open_desk(stage.place) as other:
        other.enter(JOB, (Disturbed(zone=1, what="rain"),), CREW)
        assert len(other.book(JOB).notes) == count + 1
    assert len(stage.desk.book(JOB).notes) == count + 1
    stage.say(Disturbed(zone=2, what="traffic"), CREW)
    notes = stage.desk.book(JOB).notes
    assert [note.number for note in notes] == list(range(1, count + 3))


def test_the_book_of_one_job_is_not_that_of_another(stage: Stage) -> None:
    stage.desk.open_job(JobOpened(name="other", code="ZZ99", site="invented"), LEAD)
    for _ in range(2):
        assert len(stage.desk.book(JOB).zones) == 2
        assert len(stage.desk.book("ZZ99").zones) == 0
    assert [each.job for each in stage.desk.list_jobs()] == [JOB, "ZZ99"]


def test_only_new_entries_are_read_again(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    stage.desk.book(JOB)
    asked: list[int] = []
    read = stage.desk.store.entries

    def entries(job: str, **more: int) -> object:
        asked.append(more.get("after", 0))
        return read(job, **more)

    monkeypatch.setattr(stage.desk.store, "entries", entries)
    book = stage.desk.book(JOB)
    assert asked == [len(book.notes) - 1]


def test_entries_that_do_not_follow_are_damage(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    stage.desk.book(JOB)
    stage.desk.store.append(
        JOB, (Disturbed(zone=1, what="rain"), Disturbed(zone=2, what="rain")), stage.desk.stamp(CREW)
    )
    read = stage.desk.store.entries
    monkeypatch.setattr(
        stage.desk.store, "entries", lambda job, **more: read(job, **more)[:1] + read(job, **more)[2:]
    )
    with pytest.raises(RecordDamaged, match="does not follow"):
        stage.desk.book(JOB)
    monkeypatch.undo()
    assert stage.desk.book(JOB).notes[-1].content == Disturbed(zone=2, what="rain")


def test_a_job_that_is_not_there_is_named_with_those_that_are(stage: Stage) -> None:
    with pytest.raises(NoJob, match=r"no job 'NONE' here \(jobs: DP01\)"):
        stage.desk.book("NONE")
    with pytest.raises(NoJob, match=r"no zone 7 \(zones: 1, 2\)"):
        stage.desk.standing(stage.desk.book(JOB), 7)


def test_a_place_without_a_store_is_refused_and_not_made(tmp_path: Path) -> None:
    with pytest.raises(StoreUnusable, match="no job record"):
        open_desk(tmp_path / "nothing")
    assert not (tmp_path / "nothing/record.sqlite").exists()


def test_a_list_tells_counts_and_standing_but_no_suggestion(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.shoot(1, 1)
    stage.assess()
    stage.shoot(1, 2)
    stage.read(1, 1, 8)
    (each,) = stage.desk.list_jobs()
    assert (each.job, each.captures, each.unassessed, each.entries) == (JOB, 2, 1, len(stage.kinds()))
    assert each.digest == stage.desk.store.entries(JOB)[-1].digest
    state = each.zones[0].spots[0]
    assert state.status == "contradicted"
    assert (state.tool, state.stands, state.failed_in_round) == (None, None, ())
    assert {zone: content.name for zone, content in each.laid_out.items()} == {1: "bay 1", 2: "bay 2"}


def test_a_suggestion_is_put_down_as_seen_once(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.shoot(1, 1)
    stage.assess()
    assert [e.content for e in stage.desk.show_suggestions(JOB, 1, [1, 2], CREW)] == [
        SuggestionShown(zone=1, spot=1), SuggestionShown(zone=1, spot=2),
    ]  # fmt: skip
    assert stage.desk.show_suggestions(JOB, 1, [1, 2], CREW) == ()
    assert len(stage.desk.show_suggestions(JOB, 1, [1], LEAD)) == 1


def test_names_that_are_no_text_do_no_harm(stage: Stage) -> None:
    stage.desk.enter(JOB, (Disturbed(zone=1, what="rain"),), Person("Tom \udcff", "crew"))
    assert stage.desk.store.entries(JOB)[-1].stamp.who == "Tom \\udcff"
    with pytest.raises(NoJob, match="there is no job"):
        stage.desk.book("\udcff")
