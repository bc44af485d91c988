"""Patches and aggregate through the batch: what is written, what is made again, and scores of a folder with masks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from assessor import batch
from assessor.batch import SerialExecutor
from assessor.errors import BadTruth
from assessor.report.schema import CaptureRecord
from assessor.values.surface import Surface
from assessor.workflow import AssessRequest, BatchResult, assess_batch, evaluate_folder, plan_batch
from tests.fake_surface import fake_aggregate, fake_patch, fake_surface, square
from tests.fakes import fake_result
from tests.test_workflow import write_photo


@pytest.fixture
def floor(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """One spot of two photos, whose pipeline sees a stain of 20 mm in the window's middle."""
    surface = fake_surface((fake_patch(square(0, 0, 20), "oil"),), aggregate=fake_aggregate())

    def pipeline(photos: Any, **arguments: Any) -> Any:
        return replace(fake_result(tuple(photos), target=arguments["target"]), surface=surface)

    monkeypatch.setattr(batch, "assess_capture", pipeline)
    monkeypatch.setattr(batch, "draw_picture", lambda result, record: b"picture")
    for n in range(2):
        write_photo(tmp_path / "photos" / "bay" / f"{n}.jpg", n)
    return tmp_path


def run(folder: Path) -> BatchResult:
    executor = SerialExecutor()
    request = AssessRequest(inputs=(folder / "photos",), out=folder / "out")
    return assess_batch(plan_batch(request, executor), executor)


def test_pictures_of_patches_lie_beside_the_record_and_in_the_page(floor: Path) -> None:
    result = run(floor)
    names = {path.name for path in (floor / "out/bay").iterdir()}
    assert names == {
        "assessment.json", "page.html", "photo.jpg", "picture.png", "patches.jpg", "aggregate.jpg",
    }  # fmt: skip
    record = CaptureRecord.model_validate_json((floor / "out/bay/assessment.json").read_bytes())
    assert record == result.records[0]
    assert record.surface is not None
    assert "data:image/jpeg" in (floor / "out/bay/page.html").read_text()
    assert "patch 1 (oil?)" in (floor / "out/index.html").read_text()
    assert "coarse_fraction" in (floor / "out/captures.csv").read_text()


def test_a_missing_picture_or_an_older_record_is_made_again(floor: Path) -> None:
    run(floor)
    assert run(floor).n_new == 0
    (floor / "out/bay/patches.jpg").unlink()
    assert run(floor).n_new == 1
    path = floor / "out/bay/assessment.json"
    path.write_text(path.read_text().replace("assessment-4", "assessment-3"))
    assert run(floor).n_new == 1


def truth_folder(folder: Path, *, shift_mm: float = 0.0) -> Path:
    """A true patch of 20 mm, shifted from what the pipeline sees; drawn at 2 px per mm."""
    (folder / "masks").mkdir()
    pixels = np.zeros((300, 320), np.uint8)
    left = round(160 + 2 * (shift_mm - 10))
    pixels[130:170, left : left + 40] = 255
    Image.fromarray(pixels).save(folder / "masks/bay.png")
    head = "capture,kind,process,split,rendered,quantity,unit,band_short_mm,band_long_mm,value,light,mask,px_per_mm"
    rows = [
        "bay,single,ground,tuned,true,patch,1,,,oil,window,masks/bay.png,2",
        "bay,single,ground,tuned,true,false_patches,1,,,0,window,,",
        "bay,single,ground,tuned,true,coarse_fraction,1,,,0.2,window,,",
        "bay,single,ground,tuned,true,Sq,mm,2.5,25,0.2,window,,",
    ]
    (folder / "truth.csv").write_text("\n".join([head, *rows]) + "\n")
    return folder


@pytest.mark.parametrize(("shift_mm", "found", "false"), [(0.0, True, 0), (5.0, True, 0), (30.0, False, 1)])
def test_a_folder_with_masks_is_scored(floor: Path, shift_mm: float, found: bool, false: int) -> None:
    told = evaluate_folder(truth_folder(floor, shift_mm=shift_mm), SerialExecutor()).as_dict()
    patch, none, coarse, sq = told["rows"]
    assert (patch["found"], patch["value"], patch["estimate"]) == (found, "oil", "oil" if found else None)
    if found:
        overlap = 20 - shift_mm
        assert patch["iou"] == pytest.approx(overlap / (40 - overlap), abs=0.01)
        assert patch["area_ratio"] == pytest.approx(1.0, abs=0.01)
    assert (none["estimate"], none["n_true"], none["refused"]) == (false, 1, None)
    assert coarse["estimate"] == 0.21
    assert sq["found"] is None
    kinds = [
        (row["quantity"], row["light"], row["patch"]) for row in told["summary"] if row["process"] == "all"
    ]
    assert ("patch", "all", "oil") in kinds
    assert ("patch", "window", "all") in kinds
    assert len({tuple(row) for row in told["summary"]}) == 1


def test_a_capture_that_is_refused_refuses_its_patches(floor: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(photos: Any, **arguments: Any) -> Surface:
        raise ZeroDivisionError

    monkeypatch.setattr(batch, "assess_capture", nothing)
    told = evaluate_folder(truth_folder(floor), SerialExecutor()).as_dict()
    assert {row["refused"] for row in told["rows"]} == {"internal-error"}
    assert told["rows"][0]["found"] is None
    recall = next(row for row in told["summary"] if row["quantity"] == "patch" and row["process"] == "all")
    assert (recall["recall"], recall["refused_share"]) == (None, 1.0)


def test_a_mask_that_is_not_there_stops_before_anything_is_assessed(floor: Path) -> None:
    folder = truth_folder(floor)
    (folder / "masks/bay.png").unlink()
    with pytest.raises(BadTruth, match=r"row 2: mask 'masks/bay\.png' is not there; correct that row"):
        evaluate_folder(folder, SerialExecutor())
