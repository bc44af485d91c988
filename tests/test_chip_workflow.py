"""Own chips: which folder is which grade, what gives a reading, the scale's file, and the command on rendered chips."""

from __future__ import annotations

import hashlib
import io
import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from assessor import chip_workflow
from assessor.asked import read_scale
from assessor.batch import SerialExecutor
from assessor.card.designs import CHIP_DESIGN
from assessor.chip_workflow import ChipsPlan, ChipsRequest, make_scale, plan_chips, write_chip_sheet
from assessor.errors import ChipsUnusable, NoPhotos
from assessor.report.record import assessed_record, refused_record
from assessor.report.schema import CaptureRecord
from assessor.report.show_chips import chips_as_dict, show_chips
from assessor.settings import digest_of
from assessor.simulate.chip_set import ChipSetRecipe, chip_truth_mm, make_chip, render_chip
from assessor.values import Band, CaptureResult, Quantity
from assessor.workflow import BatchPlan, BatchResult
from tests.fakes import fake_head, fake_photo, fake_result
from tests.grading.helpers import BAND, STEP

TOLD = ChipsRequest(photos=Path(), chip_set="invented", who="A. Example", made_on="2026-03-01")


def touch(*paths: Path) -> None:
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"no picture")


def asked(tmp_path: Path, **changes: object) -> ChipsRequest:
    return replace(TOLD, photos=tmp_path / "chips", out=tmp_path / "out" / "scale.toml", **changes)  # type: ignore[arg-type]


def test_folders_named_after_the_grade_hold_one_folder_a_capture(tmp_path: Path) -> None:
    chips = tmp_path / "chips"
    touch(chips / "3" / "1" / "a.jpg", chips / "3" / "2" / "a.jpg", chips / "CSP 10" / "x" / "a.jpg")
    plan = plan_chips(asked(tmp_path))
    assert plan.grades == {"csp03-1": 3, "csp03-2": 3, "csp10-x": 10}
    assert [group.name for group in plan.batch.groups] == ["csp03-1", "csp03-2", "csp10-x"]
    assert plan.batch.out == tmp_path / "out" / "scale_captures"
    assert all(task.head.scale.name == "prior-10" for task in plan.batch.tasks)


def test_a_table_gives_the_grades_where_folders_are_called_otherwise(tmp_path: Path) -> None:
    chips = tmp_path / "chips"
    touch(chips / "green" / "a.jpg", chips / "blue" / "b.jpg")
    (chips / "chips.csv").write_text("folder,grade,remark\ngreen,4,\nblue,9,worn\n")
    plan = plan_chips(asked(tmp_path, edition="nine-chip"))
    assert plan.grades == {"csp09-blue": 9, "csp04-green": 4}
    assert plan.batch.tasks[0].head.scale.name == "prior-9"


BAD = {
    "'11' is no grade of a ten-chip set .1-10.": lambda c: touch(c / "11" / "1" / "a.jpg"),
    "'rough' is no grade": lambda c: touch(c / "rough" / "a.jpg"),
    "photos lie outside the folders": lambda c: touch(c / "a.jpg"),
    "gives no grade to folder": lambda c: (
        touch(c / "x" / "a.jpg"),
        (c / "chips.csv").write_text("folder,grade\ny,1\n"),
    ),
    "needs the columns folder and grade": lambda c: (
        touch(c / "x" / "a.jpg"),
        (c / "chips.csv").write_text("chip;grade\nx;1\n"),
    ),
}


@pytest.mark.parametrize("sentence", BAD)
def test_what_cannot_be_sorted_by_grade_gets_one_sentence(tmp_path: Path, sentence: str) -> None:
    BAD[sentence](tmp_path / "chips")
    with pytest.raises(ChipsUnusable, match=sentence):
        plan_chips(asked(tmp_path))


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"who": " "}, "--who is empty"),
        ({"chip_set": ""}, "--chip-set is empty"),
        ({"name": "prior-10"}, "belongs to a shipped scale"),
        ({"made_on": "last spring"}, "is no date"),
    ],
)
def test_a_scale_says_who_made_it_of_what_and_when(
    tmp_path: Path, changes: dict[str, str], sentence: str
) -> None:
    touch(tmp_path / "chips" / "1" / "1" / "a.jpg")
    with pytest.raises(ChipsUnusable, match=sentence):
        plan_chips(asked(tmp_path, **changes))


def test_no_photos_are_said_so(tmp_path: Path) -> None:
    with pytest.raises(NoPhotos):
        plan_chips(asked(tmp_path))


@cache
def capture_of(make: str) -> CaptureResult:
    """A made-up capture of one photo, made once."""
    return fake_result((fake_photo(make=make),))


def record(
    capture: str,
    sq_mm: float,
    *,
    design: str = CHIP_DESIGN,
    make: str = "Rendered",
    bands: tuple[Band, ...] = (BAND,),
) -> CaptureRecord:
    plain = capture_of(make)
    photo = plain.photos[0]
    sq = tuple(
        Quantity("Sq", sq_mm, 0.02 * sq_mm, 0.967 * sq_mm, 1.033 * sq_mm, "mm", band, 0.1, "test")
        for band in bands
    )
    result = replace(
        plain,
        sightings=tuple(replace(s, design=design) for s in plain.sightings),
        texture=replace(plain.texture, quantities=sq),
    )
    return assessed_record(fake_head((photo,), capture=capture), result)


def chip_records(takes: int = 5) -> list[CaptureRecord]:
    rng = np.random.default_rng(4)
    return [
        record(f"csp{grade:02d}-{take}", 0.01 * STEP ** (grade - 1) * math.exp(rng.normal(0, 0.03)))
        for grade in range(1, 11)
        for take in range(takes)
    ]


def made(
    tmp_path: Path, records: list[CaptureRecord], monkeypatch: pytest.MonkeyPatch
) -> chip_workflow.ChipsResult:
    request = asked(tmp_path)
    request.out.parent.mkdir(parents=True)
    done = BatchResult(tuple(records), len(records), tmp_path / "index.html", tmp_path / "captures.csv", None)
    monkeypatch.setattr(chip_workflow, "assess_batch", lambda *_: done)
    grades = {r.capture: int(r.capture[3:5]) for r in records}
    return make_scale(ChipsPlan(request, BatchPlan(tmp_path, (), (), ()), grades), SerialExecutor())


def shown(found: chip_workflow.ChipsResult) -> str:
    """What the command prints of a fit."""
    console = Console(width=170, file=io.StringIO())
    show_chips(console, found.fit)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_the_scale_is_a_file_with_its_digest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = made(tmp_path, chip_records(), monkeypatch)
    assert found.scale is not None
    scale = read_scale(str(found.scale))
    assert (scale.origin, scale.window_mm, scale.chip_set) == ("rendered", (80.0, 105.0), "invented")
    assert found.digest == digest_of(scale)
    assert found.sha256 == hashlib.sha256(found.scale.read_bytes()).hexdigest()
    assert found.unused == ()
    assert json.dumps(chips_as_dict(found.fit, found.as_dict()), allow_nan=False)


def test_captures_that_give_nothing_are_named_and_the_rest_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    records = [
        *chip_records(),
        record("csp04-plain", 0.1, design="window-1"),
        refused_record(fake_head(capture="csp05-dark"), (), ChipsUnusable("it was dark")),
    ]
    found = made(tmp_path, records, monkeypatch)
    assert [name for name, _ in found.unused] == ["csp04-plain", "csp05-dark"]
    assert "shot with sheet window-1" in found.unused[0][1]
    assert found.scale is not None


def test_too_few_captures_make_no_scale_but_a_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = made(tmp_path, [r for r in chip_records() if r.capture != "csp07-3"], monkeypatch)
    assert found.scale is None
    assert found.because is not None
    assert "CSP 7 has 4 of the 5 captures needed" in found.because
    assert not asked(tmp_path).out.exists()
    assert "left out: 2.5-25 mm: CSP 7 has 4" in shown(found)


def test_real_and_rendered_captures_are_refused_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    records = [*chip_records(), record("csp01-real", 0.01, make="Pretend")]
    with pytest.raises(ChipsUnusable, match="50 of 51 captures are rendered"):
        made(tmp_path, records, monkeypatch)


def test_the_table_says_what_broke_the_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    swap = {"csp05": "csp06", "csp06": "csp05"}
    records = [
        r.model_copy(update={"capture": swap.get(r.capture[:5], r.capture[:5]) + r.capture[5:]})
        for r in chip_records()
    ]
    found = made(tmp_path, records, monkeypatch)
    text = shown(found)
    assert "BROKEN" in text
    assert "note: CSP 5 to 6 break the order of grades in 2.5-25 mm" in text
    assert "rendered photos" in text
    assert found.scale is not None
    assert read_scale(str(found.scale)).curves[0].breaks == ((4, 5),)


def test_the_chip_sheet_is_written_as_a_pdf(tmp_path: Path) -> None:
    path = write_chip_sheet("letter", 12, tmp_path / "sheet.pdf")
    assert path.read_bytes().startswith(b"%PDF")


@pytest.mark.slow
def test_two_rendered_chips_come_out_as_they_were_made(tmp_path: Path) -> None:
    """A torch chip and a dotted one, through files and the chip sheet; half the pixels each way, four sides."""
    recipe = ChipSetRecipe(small=True)
    for grade in (4, 8):
        folder = tmp_path / "chips" / str(grade) / "1"
        folder.mkdir(parents=True)
        for name, data in render_chip(grade, 0, recipe, sides=(4,)).photos.items():
            (folder / name).write_bytes(data)
    settings = tmp_path / "small.toml"
    settings.write_text("[quality]\nmin_px_per_mm = 2.0\n")
    request = asked(tmp_path, settings_file=settings, measured_bars=(250.0, 180.0))
    result = make_scale(plan_chips(request), SerialExecutor())
    assert result.unused == ()
    assert result.fit.made == "rendered"
    assert [r.kind for r in result.batch.records] == ["torch", "angles"]
    assert all(
        p.card and p.card.design == CHIP_DESIGN for r in result.batch.records for p in r.photos if p.used
    )
    assert all(r.surface is None for r in result.batch.records)
    assert (result.scale, result.because is None) == (None, False)
    rows = {(row.grade, row.band): row for row in result.fit.rows}
    for grade, tolerance in ((4, 0.15), (8, 0.08)):
        truth = chip_truth_mm(make_chip(grade, recipe, dots=False))
        assert abs(math.log(rows[grade, BAND].median_mm / truth)) < tolerance
