"""The judge's side of torch captures, the captures of calibration_images, and the path tracer's near lamp."""

from __future__ import annotations

import csv
import importlib
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from assessor.simulate.floors import FloorRecipe, make_floor
from assessor.simulate.light import LightRecipe, light_floor
from assessor.simulate.truth import TORCH_BANDS_MM
from tests.programs import SCRIPTS, program, script


@pytest.fixture(autouse=True)
def _scripts_on_the_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))


def made(name: str, true: float, off: float | None, **more: Any) -> dict[str, Any]:
    """A note of a torch capture whose every number is off by the same share."""
    rows = []
    for short, long in TORCH_BANDS_MM:
        for quantity, unit in (("Sq", "mm"), ("Sdq", "1")):
            row = {"capture": name, "kind": "torch", "process": "shot", "split": "tuned", "rendered": True,
                   "quantity": quantity, "unit": unit, "band_short_mm": short, "band_long_mm": long, "value": true,
                   "estimate": None, "low90": None, "high90": None, "bound": None, "refused": "torch-too-weak",
                   "seconds": 1.0}  # fmt: skip
            if off is not None:
                said = true * (1 + off)
                row |= {
                    "estimate": said,
                    "low90": 0.92 * said,
                    "high90": 1.08 * said,
                    "bound": "value",
                    "refused": None,
                }
            rows.append(row)
    note = {"capture": name, "mode": "set", "kind": "torch", "process": "shot", "light": "ceiling", "fault": "none",
            "rows": rows, "asked_share": 0.6, "asked_lights": 8, "assess_s": 6.0, "decode_s": 1.0,
            "photo_codes": [], "expected": []}  # fmt: skip
    if off is None:
        return note | {"code": "torch-too-weak", "refused": "weak"} | more
    lights = [
        {"elevation": 25.0, "true_elevation": 25.0, "azimuth_off": 0.1, "share": 0.6, "true_share": 0.6}
    ]
    return note | {"flags": [], "noise_floor_mm": 0.002, "error_mm": 0.002, "correlation": 0.99, "tan_ratio": 1.01,
                   "share": 0.6, "true_share": 0.6, "lights": lights} | more  # fmt: skip


def test_the_report_of_torch_captures_says_what_is_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    errors = 0.02 * np.random.default_rng(1).standard_normal(30)
    notes = [made(f"a{k:02d}", 0.05, e) for k, e in enumerate(errors)]
    notes += [made(f"b{k:02d}", 0.05, e - 0.2, asked_lights=4) for k, e in enumerate(errors)]
    notes += [
        made("c", 0.05, None),
        made("d", 0.05, 0.4, asked_lights=6),
        made("e", 0.05, 0.0, asked_lights=6),
    ]
    script("judged_modes").report(notes, "set")
    lines = capsys.readouterr().out.splitlines()

    def line(start: str) -> str:
        return next(text for text in lines if text.startswith(start))

    assert line("Sq 0.5-8, 0.012-0.2 mm, 8 lights: bias").endswith("holds")
    assert line("Sq 0.5-8, 0.012-0.2 mm, 4 lights: bias").endswith("fails")
    assert line("mean tan(elevation), read over true: bias").endswith("holds")
    assert line("Sq 0.5-8: gross errors").split()[-2:] == ["0", "fails"]
    assert line("CPU over decoding").split()[-1] == "holds"
    assert line("refused  ").split()[1:3] == ["63", "1.6"]


def test_flat_and_weak_torches_have_reports_of_their_own(capsys: pytest.CaptureFixture[str]) -> None:
    modes = script("judged_modes")
    modes.report([made(f"f{k}", 0.0, 0.0, mode="flat", error_mm=0.004) for k in range(9)], "flat")
    told = capsys.readouterr().out
    noise = next(text for text in told.splitlines() if text.startswith("noise of the map"))
    own = next(text for text in told.splitlines() if text.startswith("the map itself"))
    assert noise.endswith("holds")
    assert own.endswith("fails")
    modes.report([made(f"w{k}", 0.05, 0.1 * k, mode="share", asked_share=0.1) for k in range(3)], "share")
    weak = next(text for text in capsys.readouterr().out.splitlines() if text.startswith("10%"))
    assert weak.split()[:3] == ["10%", "3", "+10.0"]


def test_a_joined_map_is_held_against_the_better_kind(capsys: pytest.CaptureFixture[str]) -> None:
    bands = {str(band): 0.2 for band in script("judging").TORCH_BANDS}
    worse = dict.fromkeys(bands, 0.2 * 1.05)
    notes = [
        made(f"j{k}", 0.2, 0.04, kind="fused", apart={"angles": bands, "torch": worse}) for k in range(9)
    ]
    script("judged_modes").report(notes, "set")
    lines = capsys.readouterr().out.splitlines()
    assert next(x for x in lines if x.startswith("Sq 2.5-25, torch alone over angles")).split()[-1] == "holds"
    joined = next(x for x in lines if x.startswith("Sq 0.5-8 mm: error of the joined map less"))
    assert joined.split()[-1] == "fails"


@pytest.mark.parametrize("mode", ["flat", "faint", "steep", "share", "spoiled"])
def test_torch_modes_have_names_and_floors_of_their_own(mode: str) -> None:
    judging = script("judging")
    jobs = judging.plan_jobs(mode, 8, 2, kind="torch")
    assert len({job.name for job in jobs}) == 8
    assert {job.plan.recipe.kind for job in jobs} == {"torch"}
    if mode == "share":
        assert {job.plan.recipe.torch.share for job in jobs} == set(judging.SHARES)
    if mode == "flat":
        assert {job.plan.recipe.floor.process for job in jobs} == {"flat"}
    with pytest.raises(ValueError, match="there are no flat captures of kind fused"):
        judging.plan_jobs("flat", 1, 1, kind="fused")


def test_the_floor_is_brought_to_the_maps_grid_where_it_lies() -> None:
    # A plane wave off the grid's own steps: a shift of a tenth of a sample would show.
    judging_torch = script("judging_torch")
    n, px = 1400, 10.0
    at = (np.arange(n) + 0.5) / px - n / px / 2

    def wave(x: Any, y: Any) -> Any:
        return np.cos(2 * np.pi * x / 5.3) + 0.5 * np.sin(2 * np.pi * y / 4.1)

    floor = SimpleNamespace(height_mm=wave(at[None, :], -at[:, None]).astype(np.float32), px_per_mm=px)
    grid = (np.arange(400) + 0.5) / 3.4 - 60.0
    heights = SimpleNamespace(height_mm=wave(grid[None, :], (120.0 / 2 - 0.37) - (grid[:, None] + 60.0)),
                              px_per_mm=3.4, x_min_mm=-60.0, y_max_mm=60.0 - 0.37)  # fmt: skip
    said, true = judging_torch.truth_on_map(SimpleNamespace(heights=heights), SimpleNamespace(floor=floor))
    assert said.shape == true.shape
    assert judging_torch.correlation(said, true) > 0.9999


def test_calibration_has_torch_captures_of_both_sorts_and_splits(tmp_path: Path) -> None:
    calibration = program("render_calibration")
    torches = calibration.TORCHES
    assert [plan.torch.lights for plan, _ in torches] == [8, 8, 4, 4]
    assert [split for _, split in torches] == ["tuned", "never-tuned", "never-tuned", "tuned"]
    assert {plan.kind for plan, _ in torches} == {"torch"}
    assert len({plan.seed for plan, _ in (*calibration.CAPTURES, *torches)}) == 10
    # Rendering one capture keeps what the folder holds of the others.
    with (tmp_path / "truth.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, calibration.COLUMNS)
        writer.writeheader()
        for name in ("bay9-flush-torch", "bay1-ground-fine"):
            writer.writerow({key: name if key == "capture" else "old" for key in calibration.COLUMNS})
    (tmp_path / "captures.json").write_text(
        json.dumps({"bay9-flush-torch": "old", "bay1-ground-fine": "old"})
    )
    new = [{key: "bay9-flush-torch" if key == "capture" else "new" for key in calibration.COLUMNS}]
    rows, notes = calibration.joined(tmp_path, new, {"bay9-flush-torch": "new"})
    assert [(row["capture"], row["value"]) for row in rows] == [
        ("bay1-ground-fine", "old"), ("bay9-flush-torch", "new")
    ]  # fmt: skip
    assert notes == {"bay1-ground-fine": "old", "bay9-flush-torch": "new"}


def test_the_path_tracers_torch_is_the_fast_ones_on_a_level_floor() -> None:
    pytest.importorskip("torch")
    tracer, beam = script("path_tracer"), importlib.import_module("assessor.simulate.beam").Beam
    floor = make_floor(FloorRecipe("flat", px_per_mm=2.0), np.random.default_rng(1))
    lamp = LightRecipe("torch", 35.0, 24.0, direct=1.0, distance_mm=380.0, beam=beam((10.0, -20.0), ring=0.1))
    albedo = np.full_like(floor.albedo_linear, 0.4)
    one = light_floor(floor.height_mm, albedo, 2.0, lamp, window_half_mm=60.0)
    other = tracer.light_floor(floor.height_mm, albedo, 2.0, lamp, window_half_mm=60.0, paths=8, device="cpu")
    middle = slice(40, -40)
    ratio = other[middle, middle, 0] / one[middle, middle, 0]
    # Four paths to points of the lamp leave noise of half a percent; its extremes differ between versions of torch.
    assert ratio.mean() == pytest.approx(1.0, abs=0.001)
    assert ratio.std() < 0.01
    assert np.abs(ratio - 1).max() < 0.05
    with pytest.raises(ValueError, match="trace a torch by itself"):
        tracer.light_floor(
            floor.height_mm, albedo, 2.0, LightRecipe("torch", direct=0.5), window_half_mm=60.0
        )
