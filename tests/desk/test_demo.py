"""The invented job: one zone passes, two fail, and nothing in it can be taken for a real floor."""

from __future__ import annotations

from pathlib import Path

import pytest

from assessor import batch
from assessor.batch import SerialExecutor
from assessor.cli_shared import executor_of
from assessor.desk import demo
from assessor.desk.base import JobDesk, open_desk
from assessor.desk.demo import CREW, JOB, ZONE_1, ZONE_2, ZONE_3, build_demo
from assessor.desk.judging import agreement_of, rework_sheet
from assessor.errors import BadEntry, NoPhotos, NotBlind
from assessor.job.entries import (
    Assessed,
    CaptureFiled,
    ChipRead,
    Disturbed,
    OverviewFiled,
    Refiled,
    ReworkOrdered,
    SignedOff,
    SpreadDrawn,
    SuggestionShown,
)
from assessor.job.spots import blind
from assessor.report.schema import CaptureRecord
from assessor.store.checking import check_store
from tests.desk.stage import SayingPipeline
from tests.fakes import fake_photo
from tests.test_workflow import write_photo

ROOT = Path(__file__).parents[2]
WRONG = "bay19-damp-single"


def look_at(desk: JobDesk) -> None:
    """What holds of the demo however its photos were assessed."""
    book = desk.book(JOB)
    entries = [entry.content for entry in desk.store.entries(JOB)]
    assert book.opened is not None
    assert book.opened.invented
    assert "INVENTED" in book.opened.site
    standing = {zone: desk.standing(book, zone) for zone in (1, 2, 3)}
    assert {zone: each.standing for zone, each in standing.items()} == {
        1: "accepted",
        2: "in-work",
        3: "in-work",
    }
    assert {each.status for each in standing[1].spots} == {"in"}
    assert any(each.status in {"short", "over"} for each in standing[2].spots)
    assert check_store(desk.store).whole
    # Each reading is blind, with a photo of its own that says what it is.
    reads = [content for content in entries if isinstance(content, ChipRead)]
    assert len({read.photo.sha256 for read in reads}) == len(reads)
    for read in reads:
        assert len(blind(book, read.zone, read.spot)) == sum(
            (other.zone, other.spot) == (read.zone, read.spot) for other in reads
        )
        assert "INVENTED" in read.chip_set
    (moved,) = [content for content in entries if isinstance(content, Refiled)]
    capture = book.captures[moved.capture]
    assert (capture.content.zone, capture.zone, capture.spot) == (2, 3, 4)
    assert moved.capture in {each.capture for each in book.captures_at(3, 4)}
    kinds = [type(content) for content in entries]
    assert [kinds.count(kind) for kind in (SignedOff, SpreadDrawn, ReworkOrdered)] == [1, 1, 2]
    assert all("INVENTED" in f"{c.why}" for c in entries if hasattr(c, "why"))
    # Whoever ordered the rework has seen what the tool says.
    with pytest.raises(NotBlind):
        desk.check(JOB, [reads[-1].model_copy(update={"photo": book.opened and _new(desk)})], demo.LEAD)
    assert any(isinstance(c, SuggestionShown) for c in entries)


def _new(desk: JobDesk) -> object:
    return desk.store.keep_file(b"one more photo", "x.jpg")


def test_the_story_holds_with_any_photos(
    tmp_path: Path, says: SayingPipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    spots = [*ZONE_1, *ZONE_2, *ZONE_3]
    for n, name in enumerate([*(spot.photos for spot in spots), WRONG]):
        write_photo(tmp_path / "images/photos" / name / "a.jpg", n)
    monkeypatch.setattr(batch, "decode_photo", lambda data, name, settings: fake_photo(name, width_px=300))

    def overview(desk: JobDesk, job: str, zone: int, inputs: object, person: object) -> None:
        record = desk.store.keep_file(b"{}", "overview.json")
        photo = desk.store.keep_file(b"overview", "a.jpg")
        desk.enter(job, (OverviewFiled(capture="o", zone=zone, photos=(photo,), record=record),), CREW)

    monkeypatch.setattr(demo, "file_overview", overview)
    monkeypatch.setattr(
        "assessor.desk.judging._of_zone", lambda *told: []
    )  # the made-up overview has no record to read
    over = ["Z01-S04-after-r1", "Z02-S04-after-r1-2", *(f"Z02-S0{n}-after-r1" for n in range(1, 5))]
    says.says = dict.fromkeys(over, "over")
    steps: list[tuple[int, int, str]] = []
    story = build_demo(
        tmp_path / "out", tmp_path / "images", SerialExecutor(), lambda *step: steps.append(step)
    )
    assert story[0].startswith("INVENTED JOB. Rendered photos")
    assert "zone 1: accepted, zone 2: in-work, zone 3: in-work" in story[1]
    assert len(steps) == len(spots) + 1
    with open_desk(tmp_path / "out/store") as desk:
        look_at(desk)
        desk.enter(JOB, (Disturbed(zone=1, what="rain"),), CREW)
        assert desk.standing(desk.book(JOB), 1).standing == "reopened"
    for zone in (2, 3):
        page = (tmp_path / f"out/{JOB}-Z0{zone}-rework.html").read_text()
        assert "INVENTED JOB" in page
    assert (tmp_path / f"out/tags-{JOB}.pdf").read_bytes().startswith(b"%PDF")
    with pytest.raises(BadEntry, match="empty or a new folder"):
        build_demo(tmp_path / "out", tmp_path / "images", SerialExecutor())


def test_without_its_photos_the_demo_says_so(tmp_path: Path) -> None:
    with pytest.raises(NoPhotos, match="say --photos with the folder calibration_images"):
        build_demo(tmp_path / "out", tmp_path / "nowhere", SerialExecutor())
    assert not (tmp_path / "out").exists()
    (tmp_path / "images/photos").mkdir(parents=True)
    (tmp_path / "file").write_text("")
    with pytest.raises(BadEntry, match="empty or a new folder"):
        build_demo(tmp_path / "file", tmp_path / "images", SerialExecutor())


@pytest.mark.long
def test_the_demo_from_the_rendered_photos(tmp_path: Path) -> None:
    with executor_of(1) as executor:
        story = build_demo(tmp_path / "out", ROOT / "calibration_images", executor)
    assert "zone 1: accepted, zone 2: in-work, zone 3: in-work" in story[1]
    with open_desk(tmp_path / "out/store") as desk:
        look_at(desk)
        book = desk.book(JOB)
        assert all(capture.assessed is not None for capture in book.captures.values())
        for entry in desk.store.entries(JOB):
            if isinstance(entry.content, Assessed):
                assert entry.content.origin == "rendered"
                assert entry.content.page is not None
                page = desk.store.read_file(entry.content.page).decode()
                assert "RENDERED PHOTOS" in page
                record = CaptureRecord.model_validate_json(desk.store.read_file(entry.content.record))
                assert record.origin == "rendered"
            elif isinstance(entry.content, CaptureFiled):
                assert entry.content.filed_by == "hand"
        assert desk.list_jobs()[0].rendered
        found = agreement_of(desk, [JOB])
        assert found.rendered > 0
        for zone in (2, 3):
            sheet = rework_sheet(desk, JOB, zone, demo.LEAD)
            assert sheet.head.loud == "INVENTED JOB, RENDERED PHOTOS"
            page = (tmp_path / f"out/{JOB}-Z0{zone}-rework.html").read_text()
            assert "RENDERED PHOTOS" in page
            assert sheet.lines
        # Left open, so that a contradiction can be looked at.
        assert any(each.status == "contradicted" for each in desk.standing(book, 3).spots)
