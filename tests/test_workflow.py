"""The batch: what is done, skipped, refused and written; the pipeline itself is a fake here."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from assessor import batch, capture_plan, workflow
from assessor.batch import SerialExecutor
from assessor.errors import (
    BadBars,
    BadRange,
    NoPhotos,
    OutputNotWritable,
    ScaleInvalid,
    SettingUnknown,
    TooBlurred,
    TooFewPhotos,
)
from assessor.report.schema import CaptureRecord
from assessor.values import Photo, TargetRange
from assessor.workflow import AssessRequest, BatchResult, assess_batch, evaluate_folder, plan_batch
from tests.fakes import fake_photo, fake_result


def write_photo(path: Path, seed: int) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(seed).integers(0, 255, (420, 560, 3), np.uint8)
    assert cv2.imwrite(str(path), noise)


@pytest.fixture
def floors(tmp_path: Path) -> Path:
    """Two spots of two photos."""
    for spot in ("north", "south"):
        for n in range(2):
            write_photo(tmp_path / "photos" / spot / f"{n}.jpg", n)
    return tmp_path / "photos"


class Pipeline:
    """Stands in for the pipeline: counts its calls, and raises what a test tells it to for a folder."""

    def __init__(self) -> None:
        self.calls: list[str] = []
        self.arguments: list[dict[str, Any]] = []
        self.raises: dict[str, Exception] = {}

    def __call__(self, photos: Any, **arguments: Any) -> Any:
        folder = photos[0].name.split("/")[0] if photos else "none"
        self.calls.append(folder)
        self.arguments.append(arguments)
        if not photos:
            raise TooFewPhotos("0 photos are usable of the 4 needed")
        if folder in self.raises:
            raise self.raises[folder]
        return fake_result(tuple(photos), target=arguments["target"], refused=arguments["refused"])


@pytest.fixture
def pipeline(monkeypatch: pytest.MonkeyPatch) -> Pipeline:
    """A fake pipeline, and no pictures: they have tests of their own and take a second each."""
    fake = Pipeline()
    monkeypatch.setattr(batch, "assess_capture", fake)
    monkeypatch.setattr(batch, "draw_picture", lambda result, record: b"picture")
    return fake


def run(floors: Path, executor: Executor | None = None, **changes: Any) -> BatchResult:
    executor = executor or SerialExecutor()
    request = AssessRequest(inputs=(floors,), out=floors.parent / "out", **changes)
    return assess_batch(plan_batch(request, executor), executor)


def test_a_batch_writes_record_picture_page_table_and_index(floors: Path, pipeline: Pipeline) -> None:
    result = run(floors, target_range="3-5", measured_bars=(249.0, 179.5))
    out = floors.parent / "out"
    names = {str(path.relative_to(out)) for path in out.rglob("*") if path.is_file()}
    per_capture = ("assessment.json", "page.html", "photo.jpg", "picture.png")
    ours = {f"{spot}/{name}" for spot in ("north", "south") for name in per_capture}
    assert names == {"captures.csv", "index.html", *ours}
    assert result.all_assessed
    record = CaptureRecord.model_validate_json((out / "north/assessment.json").read_bytes())
    assert record == result.records[0]
    assert record.print.measured_bars_mm == (249.0, 179.5)
    assert record.print.ratio_y == pytest.approx(0.996)
    assert record.target_range == (3, 5)
    assert set(record.seconds) == {"decode", "heights"}
    assert [len(photo.sha256) for photo in record.photos] == [64, 64]


def test_running_again_does_nothing_and_gives_the_same(floors: Path, pipeline: Pipeline) -> None:
    first, second = run(floors), run(floors)
    assert (first.n_new, second.n_new) == (2, 0)
    assert first.records == second.records
    assert pipeline.calls == ["north", "south"]


OTHER_QUESTIONS: list[dict[str, Any]] = [
    {"target_range": "2-4"}, {"measured_bars": (250.0, 180.0)}, {"scale": "prior-9"}, {"process": "ground"},
    {"kind": "torch"}, {"force": True},
]  # fmt: skip


@pytest.mark.parametrize("changes", OTHER_QUESTIONS)
def test_other_questions_are_assessed_again(
    floors: Path, pipeline: Pipeline, changes: dict[str, Any]
) -> None:
    run(floors)
    assert run(floors, **changes).n_new == 2


def test_changed_settings_photos_and_versions_are_assessed_again(
    floors: Path, pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(floors)
    write_photo(floors / "north/0.jpg", 77)
    assert run(floors).n_new == 1
    settings = floors.parent / "mine.toml"
    settings.write_text("[camera]\nmax_rms_px = 0.7\n")
    assert run(floors, settings_file=settings).n_new == 2
    assert pipeline.arguments[-1]["settings"].camera.max_rms_px == 0.7
    monkeypatch.setattr(capture_plan, "__version__", "9.9.9")
    assert run(floors).n_new == 2


@pytest.mark.parametrize("broken", ["assessment.json", "picture.png", "page.html"])
def test_broken_or_missing_results_are_made_again(floors: Path, pipeline: Pipeline, broken: str) -> None:
    run(floors)
    path = floors.parent / "out/south" / broken
    path.write_text("{") if broken.endswith("json") else path.unlink()
    assert run(floors).n_new == 1
    assert pipeline.calls[-1] == "south"


def test_a_refused_capture_is_told_with_its_photos_and_the_batch_goes_on(
    floors: Path, pipeline: Pipeline
) -> None:
    error = TooFewPhotos("1 photo is usable of the 4 needed")
    error.refused = (TooBlurred("edges are 6 px wide", file="north/1.jpg"),)
    pipeline.raises["north"] = error
    result = run(floors)
    assert [record.status for record in result.records] == ["refused", "assessed"]
    assert [row.code for row in result.records[0].refused] == ["too-blurred", "too-few-photos"]
    assert not result.all_assessed
    assert "edges are 6 px wide" in (floors.parent / "out/index.html").read_text()
    assert run(floors).n_new == 0  # the same photos would be refused again


def test_a_photo_that_is_no_photo_is_refused_by_name(floors: Path, pipeline: Pipeline) -> None:
    (floors / "north/9.jpg").write_bytes(b"not a photo at all")
    result = run(floors)
    assert result.records[0].status == "assessed"
    assert [(row.file, row.code) for row in result.records[0].refused] == [("north/9.jpg", "not-an-image")]
    assert not result.all_assessed


def test_our_own_error_is_that_captures_failure_and_logged(floors: Path, pipeline: Pipeline) -> None:
    pipeline.raises["north"] = ZeroDivisionError("boom")
    result = run(floors)
    assert [record.status for record in result.records] == ["failed", "assessed"]
    assert result.records[0].failure == (
        "internal error (ZeroDivisionError: boom), please report it with errors.log"
    )
    assert result.log is not None
    log = result.log.read_text()
    assert "Traceback" in log
    assert "capture north" in log
    del pipeline.raises["north"]
    assert run(floors).n_new == 1  # our errors are tried again


class Dying(Executor):
    """An executor whose worker dies at the first call and takes the pool with it."""

    def __init__(self) -> None:
        self.n = 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.n += 1
        if self.n > 1:
            raise BrokenExecutor("pool is gone")
        future: Future[Any] = Future()
        future.set_exception(BrokenExecutor("worker died"))
        return future


def test_a_dead_worker_pool_ends_in_records_not_in_a_crash(floors: Path, pipeline: Pipeline) -> None:
    result = run(floors, Dying())
    assert [record.status for record in result.records] == ["failed", "failed"]
    assert "run again with --workers 1" in (result.records[0].failure or "")
    assert run(floors).all_assessed


def test_trouble_in_writing_a_result_is_that_captures_own(
    floors: Path, pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    def page(record: CaptureRecord, *pictures: object) -> str:
        if record.capture == "north":
            raise ValueError("no page")
        return "page"

    monkeypatch.setattr(batch, "capture_page", page)
    result = run(floors)
    assert [record.status for record in result.records] == ["failed", "assessed"]
    assert "ValueError: no page" in (result.records[0].failure or "")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_names_that_are_no_text_do_no_harm(floors: Path, pipeline: Pipeline) -> None:
    odd = Path(os.fsdecode(os.fsencode(floors) + b"/\xff"))
    write_photo(floors / "plain.jpg", 1)
    odd.mkdir()
    (floors / "plain.jpg").rename(odd / os.fsdecode(b"\xfe.jpg"))
    result = run(floors)
    assert result.all_assessed
    names = [(record.capture, record.photos[0].file) for record in result.records]
    assert ("\\udcff", "\\udcff/\\udcfe.jpg") in names
    assert run(floors).n_new == 0


def test_captures_run_side_by_side_with_the_same_result(floors: Path, pipeline: Pipeline) -> None:
    with ThreadPoolExecutor(2) as pool:
        result = run(floors, pool)
    assert [record.capture for record in result.records] == ["north", "south"]
    assert result.all_assessed


@pytest.mark.parametrize(
    ("changes", "error"),
    [
        ({"target_range": "5-3"}, BadRange),
        ({"measured_bars": (180.0, 250.0)}, BadBars),
        ({"scale": "nowhere.toml"}, ScaleInvalid),
        ({"process": "polished"}, SettingUnknown),
        ({"settings_file": Path("nowhere.toml")}, SettingUnknown),
    ],
)
def test_impossible_requests_stop_before_any_photo(
    floors: Path, pipeline: Pipeline, changes: dict[str, Any], error: type[Exception]
) -> None:
    with pytest.raises(error):
        run(floors, **changes)
    assert pipeline.calls == []


def test_missing_photos_and_places_stop_the_batch(floors: Path, pipeline: Pipeline) -> None:
    executor = SerialExecutor()
    with pytest.raises(NoPhotos):
        plan_batch(AssessRequest(inputs=(floors / "west",), out=floors / "out"), executor)
    blocked = floors.parent / "file"
    blocked.write_text("")
    with pytest.raises(OutputNotWritable):
        plan_batch(AssessRequest(inputs=(floors,), out=blocked), executor)
    with pytest.raises(OutputNotWritable, match="north: the results would land among the photos"):
        plan_batch(AssessRequest(inputs=(floors / "north",), out=floors), executor)


def test_writing_trouble_in_a_worker_stops_the_batch(
    floors: Path, pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, data: bytes) -> None:
        raise OutputNotWritable("cannot write here (No space left on device)", file=str(path))

    monkeypatch.setattr(batch, "write_bytes", full)
    with pytest.raises(OutputNotWritable, match="No space left"):
        run(floors)


def test_results_inside_the_photo_folder_are_not_taken_for_photos(floors: Path, pipeline: Pipeline) -> None:
    executor = SerialExecutor()
    request = AssessRequest(inputs=(floors,), out=floors / "out")
    assess_batch(plan_batch(request, executor), executor)
    again = plan_batch(AssessRequest(inputs=(floors,), out=floors / "elsewhere"), executor)
    assert [group.name for group in again.groups] == ["north", "south"]


def test_crowded_folders_are_cut_by_the_cards_serial(
    tmp_path: Path, pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(8):
        write_photo(tmp_path / "photos" / f"{n}.jpg", n)
    monkeypatch.setattr(workflow, "read_serial", lambda task: int(task[0].stem) // 4)
    request = AssessRequest(inputs=(tmp_path / "photos",), out=tmp_path / "out")
    plan = plan_batch(request, SerialExecutor())
    assert [len(group.paths) for group in plan.groups] == [4, 4]
    assert "serial" in plan.groups[1].why


def test_the_kind_is_told_or_left_to_the_photos(floors: Path, pipeline: Pipeline) -> None:
    run(floors)
    run(floors, kind="fused")
    assert [told["kind"] for told in pipeline.arguments] == [None, None, "fused", "fused"]


def test_a_calm_torch_folder_has_three_cards_read(
    tmp_path: Path, pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(9):
        write_photo(tmp_path / "photos" / f"{n}.jpg", n)
    read: list[str] = []
    monkeypatch.setattr(workflow, "read_serial", lambda task: read.append(task[0].name) or 7)
    plan = plan_batch(AssessRequest(inputs=(tmp_path / "photos",), out=tmp_path / "out"), SerialExecutor())
    assert [len(group.paths) for group in plan.groups] == [9]
    assert read == ["0.jpg", "4.jpg", "8.jpg"]


def test_a_video_is_one_file_of_many_frames(
    floors: Path, pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    (floors / "north/sweep.MOV").write_bytes(b"video")
    frames = tuple(fake_photo(f"north/sweep.MOV@{n}.00s", make="Acme") for n in range(3))
    seen: list[tuple[bytes, str]] = []

    def read_sweep(data: bytes, name: str, settings: Any) -> tuple[Photo, ...]:
        seen.append((data, name))
        return frames

    monkeypatch.setattr(batch, "read_sweep", read_sweep)
    record = run(floors).records[0]
    assert seen == [(b"video", "north/sweep.MOV")]
    sweep = next(photo for photo in record.photos if photo.file == "north/sweep.MOV")
    assert (sweep.used, sweep.n_frames, sweep.make) == (True, 3, "Acme")
    assert sweep.sha256 == hashlib.sha256(b"video").hexdigest()


def test_a_huge_video_is_refused_with_its_limit(floors: Path, pipeline: Pipeline) -> None:
    (floors / "north/sweep.mp4").write_bytes(b"x" * 2_000_001)
    settings = floors.parent / "mine.toml"
    settings.write_text("[sweep]\nmax_bytes = 2_000_000\n")
    record = run(floors, settings_file=settings).records[0]
    assert [(row.file, row.code) for row in record.refused] == [("north/sweep.mp4", "video-unsuitable")]
    assert "more than the 2 MB accepted" in record.refused[0].sentence


HEAD = "capture,kind,process,split,rendered,quantity,unit,band_short_mm,band_long_mm,value"


def truth_folder(floors: Path) -> Path:
    rows = [
        "north,angles,ground,tuned,true,Sq,mm,2.5,25,0.2",
        "south,angles,ground,tuned,true,Sq,mm,2.5,25,0.2",
        "north,angles,ground,tuned,true,grade,,,,4",
        "north,angles,ground,tuned,true,Sdq,,1.5,25,0.3",
    ]
    (floors.parent / "truth.csv").write_text("\n".join([HEAD, *rows]))
    return floors.parent


def test_evaluation_scores_rows_in_their_order(floors: Path, pipeline: Pipeline) -> None:
    pipeline.raises["south"] = TooFewPhotos("1 photo is usable of the 4 needed")
    result = evaluate_folder(truth_folder(floors), SerialExecutor())
    told = json.loads(json.dumps(result.as_dict(), allow_nan=False))
    assert [(row["capture"], row["quantity"], row["refused"]) for row in told["rows"]] == [
        ("north", "Sq", None), ("north", "grade", None), ("north", "Sdq", "not-measured"),
        ("south", "Sq", "too-few-photos"),
    ]  # fmt: skip
    assert told["rows"][0]["estimate"] == 0.212
    assert told["rows"][0]["seconds"] >= 0
    assert {row["quantity"]: row["refused_share"] for row in told["summary"]} == {
        "Sq": 0.5,
        "grade": 0,
        "Sdq": 1,
    }
    assert "1 photo is usable" in result.sentences["south"]
    assert "1.5-25 mm" in [str(band) for band in pipeline.arguments[0]["bands"]]


def test_evaluation_judges_calls_only_where_a_range_is_asked_for(floors: Path, pipeline: Pipeline) -> None:
    assert "calls" not in evaluate_folder(truth_folder(floors), SerialExecutor()).as_dict()
    pipeline.raises["north"] = TooFewPhotos("1 photo is usable of the 4 needed")
    result = evaluate_folder(truth_folder(floors), SerialExecutor(), target_range="3-5")
    told = json.loads(json.dumps(result.as_dict(), allow_nan=False))
    assert [(row["capture"], row["call"], row["p_short"]) for row in told["calls"]] == [
        ("north", "shot", None)
    ]
    assert [(row["kind"], row["process"], row["n"]) for row in told["call_summary"]][-1] == ("all", "all", 1)
    assert pipeline.arguments[-1]["target"] == TargetRange(3, 5)
    with pytest.raises(BadRange, match="runs from rough to smooth"):
        evaluate_folder(truth_folder(floors), SerialExecutor(), target_range="5-3")


def test_evaluation_recognises_one_kind_and_measures_each_of_several(
    floors: Path, pipeline: Pipeline
) -> None:
    rows = [
        "north,torch,ground,tuned,true,Sq,mm,0.5,8,0.02",
        "south,fused,ground,tuned,true,Sq,mm,2.5,25,0.2",
        "south,angles,ground,tuned,true,Sq,mm,2.5,25,0.2",
    ]
    (floors.parent / "truth.csv").write_text("\n".join([HEAD, *rows]))
    result = evaluate_folder(floors.parent, SerialExecutor())
    assert [(call, told["kind"]) for call, told in zip(pipeline.calls, pipeline.arguments, strict=True)] == [
        ("north", None), ("south", "fused"), ("south", "angles"),
    ]  # fmt: skip
    assert [row.truth.kind for row in result.rows] == ["torch", "fused", "angles"]
    assert {row.kind for row in result.summary} == {"torch", "fused", "angles"}
    assert "0.5-8 mm" in [str(band) for band in pipeline.arguments[0]["bands"]]


def test_evaluation_survives_our_own_error(floors: Path, pipeline: Pipeline) -> None:
    pipeline.raises["north"] = ZeroDivisionError("boom")
    result = evaluate_folder(truth_folder(floors), SerialExecutor())
    assert [row.said.refused for row in result.rows[:3]] == ["internal-error"] * 3
    assert "Traceback" in result.traces["north"]
