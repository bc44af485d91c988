"""Photos filed by hand, and assessed where no assessment stands under today's key; the pipeline is a fake."""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from assessor import capture_plan
from assessor.batch import SerialExecutor
from assessor.desk import incoming
from assessor.desk import photos as job_photos
from assessor.desk.base import JobDesk
from assessor.desk.photos import SpotTold, assess_job, file_photos
from assessor.errors import BadBars, BadEntry, NoJob, NoPhotos, StoreUnusable, TooFewPhotos, UnreadablePhoto
from assessor.grading.refine import ProposalHead, ScaleProposal, propose
from assessor.grading.scale import load_scale
from assessor.job.entries import (
    Assessed,
    CaptureFiled,
    PrintMeasured,
    Refiled,
    ReworkDone,
    ScaleAccepted,
    ScaleProposed,
)
from assessor.report.schema import CaptureRecord
from assessor.store.opening import open_store
from tests.desk.stage import CREW, JOB, LEAD, SECRET, SayingPipeline, Stage
from tests.grading.read_floors import read_floors


def assessments(stage: Stage) -> list[Assessed]:
    found = [entry.content for entry in stage.desk.store.entries(JOB)]
    return [content for content in found if isinstance(content, Assessed)]


def filed(stage: Stage) -> CaptureFiled:
    content = stage.desk.store.entries(JOB)[-1].content
    assert isinstance(content, CaptureFiled)
    return content


def test_photos_are_kept_as_they_are_with_their_names(stage: Stage) -> None:
    stage.work()
    paths = stage.photos(3)
    one = file_photos(
        stage.desk, JOB, [paths[0].parent], SpotTold(1, 2), CREW, bars_mm=(249, 179.5), serial=7
    )
    content = filed(stage)
    assert (one.capture, one.doubt) == ("Z01-S02-after-r1", "")
    assert (content.zone, content.spot, content.phase, content.round) == (1, 2, "after", 1)
    assert (content.filed_by, content.card_serial, content.measured_bars_mm) == ("hand", 7, (249, 179.5))
    assert [photo.name for photo in content.photos] == ["IMG_0.jpg", "IMG_1.jpg", "IMG_2.jpg"]
    for path, photo in zip(paths, content.photos, strict=True):
        assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        assert stage.desk.store.read_file(photo) == path.read_bytes()


def test_further_captures_of_a_spot_are_counted(stage: Stage) -> None:
    stage.work()
    names = [stage.shoot(1, 2) for _ in range(3)]
    assert names == ["Z01-S02-after-r1", "Z01-S02-after-r1-2", "Z01-S02-after-r1-3"]
    before = file_photos(stage.desk, JOB, stage.photos(), SpotTold(1, 2, "before"), CREW, serial=7)
    assert before.capture == "Z01-S02-before-r1"


def test_the_round_is_the_present_one_if_none_is_said(stage: Stage) -> None:
    stage.work()
    stage.say(ReworkDone(zone=1, spots=(2,), method="shot-blast"), CREW)
    assert stage.shoot(1, 2) == "Z01-S02-after-r2"
    late = file_photos(stage.desk, JOB, stage.photos(), SpotTold(1, 2, round=1), CREW, serial=7)
    assert "spot 2 is in round 2 by now, so round 1 counts for nothing" in late.doubt
    early = file_photos(stage.desk, JOB, stage.photos(), SpotTold(1, 1, round=3), CREW, serial=7)
    assert "spot 1 is in round 1, not 3: enter the rework" in early.doubt
    nowhere = file_photos(stage.desk, JOB, stage.photos(), SpotTold(1, 77), CREW, serial=7)
    assert "zone 1 has no spot 77" in nowhere.doubt
    assert not file_photos(stage.desk, JOB, stage.photos(), SpotTold(1, 77, "before"), CREW, serial=7).doubt


@pytest.mark.parametrize(
    ("told", "more", "error", "sentence"),
    [
        (SpotTold(7, 1), {}, NoJob, r"no zone 7 in this job \(zones: 1, 2\)"),
        (SpotTold(1, 1), {"bars_mm": (180.0, 250.0)}, BadBars, "swapped"),
    ],
)
def test_what_is_refused_keeps_no_photo(
    stage: Stage, told: SpotTold, more: dict[str, Any], error: type[Exception], sentence: str
) -> None:
    stage.work()
    kept, kinds = stage.kept(), stage.kinds()
    with pytest.raises(error, match=sentence):
        file_photos(stage.desk, JOB, stage.photos(2), told, CREW, serial=7, **more)
    assert (stage.kept(), stage.kinds()) == (kept, kinds)


def test_photos_that_are_not_there_or_cannot_be_read_are_one_sentence(stage: Stage, tmp_path: Path) -> None:
    stage.work()
    with pytest.raises(NoPhotos, match="there is no such file or folder"):
        file_photos(stage.desk, JOB, [tmp_path / "no"], SpotTold(1, 1), CREW)
    (tmp_path / "gone").mkdir()
    (tmp_path / "gone/a.jpg").symlink_to(tmp_path / "nowhere.jpg")
    with pytest.raises(UnreadablePhoto, match=r"gone/a\.jpg: the file cannot be read"):
        file_photos(stage.desk, JOB, [tmp_path / "gone"], SpotTold(1, 1), CREW)


def test_a_photo_shows_one_spot_at_one_time(stage: Stage) -> None:
    """Photos from before a rework must not come back as those after it."""
    stage.work()
    paths = stage.photos(3)
    file_photos(stage.desk, JOB, paths, SpotTold(1, 1), CREW, serial=7)
    with pytest.raises(BadEntry, match="in the record already, in capture 'Z01-S01-after-r1'"):
        file_photos(stage.desk, JOB, paths[:1], SpotTold(1, 2), CREW, serial=7)
    stage.say(ReworkDone(zone=1, spots=(1,), method="shot-blast"), CREW)
    with pytest.raises(BadEntry, match=r"IMG_1\.jpg: this photo is in the record already"):
        file_photos(stage.desk, JOB, [paths[1], *stage.photos()], SpotTold(1, 1), CREW, serial=7)
    with pytest.raises(BadEntry, match="in the record already as capture"):
        file_photos(stage.desk, JOB, paths, SpotTold(1, 1, round=1), CREW, serial=7)
    # One photo more of the same spot and round makes a capture that can be measured.
    more = file_photos(stage.desk, JOB, [*paths, *stage.photos()], SpotTold(1, 1, round=1), CREW, serial=7)
    assert more.capture == "Z01-S01-after-r1-2"


def test_the_cards_serial_is_read_from_the_photos(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    stage.work()
    asked: list[str] = []
    monkeypatch.setattr(
        incoming,
        "read_serial",
        lambda task: asked.append(task[0].name) or (20417 if len(asked) == 2 else None),
    )
    file_photos(stage.desk, JOB, stage.photos(4), SpotTold(1, 1), CREW)
    assert (filed(stage).card_serial, asked) == (20417, ["IMG_0.jpg", "IMG_1.jpg"])
    (video := stage.folder / "sweep.mp4").write_bytes(b"a video")
    file_photos(stage.desk, JOB, [video], SpotTold(1, 2), CREW)
    assert (filed(stage).card_serial, filed(stage).photos[0].name, len(asked)) == (None, "sweep.mp4", 2)


def test_tape_readings_of_the_call_win_over_those_of_the_print(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.say(PrintMeasured(serial=7, along_mm=249.0, across_mm=179.0), CREW)
    stage.shoot(1, 1)
    stage.shoot(1, 2, bars_mm=(251.0, 180.5))
    stage.shoot(1, 3, serial=8)
    assert stage.assess().assessed
    prints = [told["print_scale"] for told in says.arguments]
    assert [round(each.y, 3) for each in prints] == [0.996, 1.004, 1.0]
    assert [each.checked for each in prints] == [True, True, False]
    # Another reading of the same print: what rested on the old one is assessed again, and nothing else.
    stage.say(PrintMeasured(serial=7, along_mm=249.5, across_mm=179.0), CREW)
    assert stage.assess().assessed == ("Z01-S01-after-r1",)


def test_what_is_done_stays_done(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.shoot(1, 1, 2)
    first, second = stage.assess(), stage.assess()
    assert (first.assessed, first.standing) == (("Z01-S01-after-r1",), 0)
    assert (second.assessed, second.refused, second.failed, second.standing) == ((), (), (), 1)
    assert says.calls == ["Z01-S01-after-r1"]
    (content,) = assessments(stage)
    assert (content.status, content.capture_kind, content.call, content.best) == (
        "assessed",
        "angles",
        "chip",
        4,
    )
    assert (content.p_short, content.p_in_range, content.p_over) == (0.0281, 0.9437, 0.0282)
    record = CaptureRecord.model_validate_json(stage.desk.store.read_file(content.record))
    assert (record.capture, record.key, record.target_range) == (content.capture, content.key, (3, 5))
    assert [photo.file for photo in record.photos] == [
        "Z01-S01-after-r1/IMG_0.jpg",
        "Z01-S01-after-r1/IMG_1.jpg",
    ]
    assert [photo.sha256 for photo in record.photos] == [
        photo.sha256 for photo in stage.desk.book(JOB).captures[content.capture].content.photos
    ]
    assert record.why_grouped == "filed by hand under zone 1, spot 1"
    assert content.page is not None
    assert SECRET in stage.desk.store.read_file(content.page).decode()
    stamp = stage.desk.store.entries(JOB)[-1].stamp
    assert (stamp.who, stamp.settings, stamp.scale[:9]) == (
        CREW.who,
        record.settings_digest[:12],
        "prior-10 ",
    )


def test_other_settings_scale_range_version_or_place_are_pending_again(
    stage: Stage, says: SayingPipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage.work()
    stage.work(2)
    name = stage.shoot(1, 1)
    stage.assess()
    mine = stage.folder / "mine.toml"
    mine.write_text("[camera]\nmax_rms_px = 0.7\n")
    assert stage.assess(settings_file=mine).assessed == (name,)
    assert stage.assess(scale="prior-9").assessed == (name,)
    stage.data_sheet(4, 6)
    assert stage.assess().assessed == (name,)
    assert assessments(stage)[-1].sentence == SECRET
    monkeypatch.setattr(capture_plan, "__version__", "9.9.9")
    assert stage.assess().assessed == (name,)
    assert stage.assess().assessed == ()
    stage.say(Refiled(capture=name, zone=2, spot=1, phase="after", round=1, why="wrong tag"), CREW)
    assert stage.assess().standing == 1  # the other zone has the same method and range


def test_a_range_that_goes_back_is_assessed_again(stage: Stage, says: SayingPipeline) -> None:
    """What was said under the other range must not stand, though an older answer under this one is there."""
    stage.work()
    stage.shoot(1, 1)
    stage.assess()
    stage.data_sheet(4, 6)
    stage.assess()
    stage.data_sheet(3, 5)
    assert len(stage.assess().assessed) == 1
    assert stage.assess().standing == 1
    said = [
        CaptureRecord.model_validate_json(stage.desk.store.read_file(c.record)) for c in assessments(stage)
    ]
    assert [record.target_range for record in said] == [(3, 5), (4, 6), (3, 5)]
    assert stage.desk.book(JOB).captures["Z01-S01-after-r1"].assessed == assessments(stage)[-1]


def test_an_accepted_scale_is_used_from_then_on(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.shoot(1, 1)
    stage.assess()
    head = ProposalHead("ours", "Tina Invented", date(2026, 5, 4), "f" * 64)
    found = propose(load_scale("prior-10"), read_floors(3, 8, 20, off=0.3)[0], head)
    assert isinstance(found, ScaleProposal)
    own = stage.desk.store.keep_file(found.file_text.encode(), "ours.json")
    stage.say(ScaleProposed(scale=own, derived_from="prior-10", n_readings=9, differences=("none",)), LEAD)
    assert stage.assess().standing == 1
    stage.say(ScaleAccepted(scale=own, why="fits"), LEAD)
    assert stage.assess().assessed == ("Z01-S01-after-r1",)
    assert says.arguments[-1]["scale"].name == "ours, version 1"


def test_a_range_that_the_scale_does_not_have_is_said(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.shoot(1, 1)
    stage.data_sheet(9, 10)
    with pytest.raises(BadEntry, match="the range CSP 9-10 leaves the nine-chip scale prior-9"):
        stage.assess(scale="prior-9")


def test_a_refused_capture_is_entered_and_a_failed_one_tried_again(
    stage: Stage, says: SayingPipeline
) -> None:
    stage.work()
    for spot in (1, 2, 3):
        stage.shoot(1, spot)
    says.raises["Z01-S01-after-r1"] = TooFewPhotos("1 photo is usable of the 4 needed")
    says.raises["Z01-S02-after-r1"] = ZeroDivisionError("boom")
    done = stage.assess()
    assert done.assessed == ("Z01-S03-after-r1",)
    assert [(name, sentence[:16]) for name, sentence in done.refused] == [
        ("Z01-S01-after-r1", "1 photo is usabl")
    ]
    assert done.failed[0][0] == "Z01-S02-after-r1"
    assert "internal error (ZeroDivisionError: boom)" in done.failed[0][1]
    assert "Traceback" in done.traces[0]
    by_name = {content.capture: content for content in assessments(stage)}
    assert {name: content.status for name, content in by_name.items()} == {
        "Z01-S01-after-r1": "refused", "Z01-S03-after-r1": "assessed",
    }  # fmt: skip
    assert by_name["Z01-S01-after-r1"].sentence.startswith("1 photo is usable of the 4 needed")
    assert by_name["Z01-S01-after-r1"].call is None
    says.raises.clear()
    again = stage.assess()
    assert (again.assessed, again.standing) == (("Z01-S02-after-r1",), 2)


def test_a_damaged_or_lost_photo_is_that_captures_own(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    for spot in (1, 2, 3):
        stage.shoot(1, spot)
    book = stage.desk.book(JOB)
    lost, other = (
        stage.desk.store.file_path(book.captures[f"Z01-S0{spot}-after-r1"].content.photos[0])
        for spot in (1, 2)
    )
    assert lost is not None and other is not None
    lost.unlink()
    other.write_bytes(b"something else")
    done = stage.assess()
    assert done.assessed == ("Z01-S03-after-r1",)
    assert [(name, "restore the last backup" in sentence) for name, sentence in done.failed] == [
        ("Z01-S01-after-r1", True), ("Z01-S02-after-r1", True),
    ]  # fmt: skip
    assert len(assessments(stage)) == 1


def test_bars_that_got_into_an_old_record_stop_only_their_own_capture(
    stage: Stage, says: SayingPipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage.work()
    with monkeypatch.context() as patch:
        patch.setattr(job_photos, "check_bars", lambda bars_mm, settings: None)
        stage.shoot(1, 1, bars_mm=(180.0, 250.0))
    stage.shoot(1, 2)
    done = stage.assess()
    assert done.assessed == ("Z01-S02-after-r1",)
    assert (done.failed[0][0], "look swapped" in done.failed[0][1], done.standing) == (
        "Z01-S01-after-r1",
        True,
        0,
    )


def test_two_photos_of_one_name_and_very_long_names_lie_side_by_side(
    stage: Stage, says: SayingPipeline
) -> None:
    stage.work()
    one, other = stage.photos(1)[0], stage.photos(1)[0]
    long = one.with_name("x" * 240 + ".jpg")
    stage.photos(1)[0].rename(long)
    file_photos(stage.desk, JOB, [one, other, long], SpotTold(1, 1), CREW, serial=7)
    assert stage.assess().assessed == ("Z01-S01-after-r1",)
    record = CaptureRecord.model_validate_json(stage.desk.store.read_file(assessments(stage)[0].record))
    assert len({photo.file for photo in record.photos if photo.used}) == 3


def test_progress_counts_over_all_rounds(
    stage: Stage, says: SayingPipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage.work()
    monkeypatch.setattr(job_photos, "AT_ONCE", 2)
    names = [stage.shoot(1, 1) for _ in range(5)]
    seen: list[tuple[int, int, str]] = []
    stage.assess(on_done=lambda *told: seen.append(told))
    assert seen == [(n, 5, name) for n, name in enumerate(names, start=1)]


def test_each_result_is_entered_before_the_next_capture_is_looked_at(
    stage: Stage, says: SayingPipeline
) -> None:
    stage.work()
    for _ in range(3):
        stage.shoot(1, 1)
    entered: list[int] = []
    inner = says.__call__

    class Watching(SayingPipeline):
        def __call__(self, photos: Any, **arguments: Any) -> Any:
            entered.append(len(assessments(stage)))
            return inner(photos, **arguments)

    job_photos_batch = Watching()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("assessor.batch.assess_capture", job_photos_batch)
        stage.assess()
    assert entered == [0, 1, 2]


def test_nothing_is_assessed_for_a_record_that_cannot_be_written(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.shoot(1, 1)
    with JobDesk(open_store(stage.place, read_only=True)) as desk:
        with pytest.raises(StoreUnusable, match="can only be read here"):
            assess_job(desk, JOB, SerialExecutor(), CREW)
        assert desk.list_jobs()[0].unassessed == 1
    assert says.calls == []


def test_nobody_assesses(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.shoot(1, 1)
    with pytest.raises(BadEntry, match="nobody is named"):
        assess_job(stage.desk, JOB, SerialExecutor(), type(CREW)(""))
    assert says.calls == []
