"""scripts/check_set: a folder in the truth format of design section 8, never inside the repository."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = ROOT / "scripts" / "check_set"


def _run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(SCRIPT), *arguments], capture_output=True, text=True, check=False, timeout=300
    )


def test_refuses_to_write_into_the_repository() -> None:
    done = _run(str(ROOT / "photos_here"))
    assert done.returncode == 2
    assert "lies inside the repository; choose a folder outside it" in done.stderr
    assert not (ROOT / "photos_here").exists()


@pytest.mark.slow
def test_writes_photos_truth_and_bars(tmp_path: Path) -> None:
    out = tmp_path / "set"
    arguments = (str(out), "--count", "2", "--seed", "4", "--small", "--workers", "1", "--data", "/nowhere")
    done = _run(*arguments)
    assert done.returncode == 0, done.stderr
    with (out / "truth.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == [
        "capture", "kind", "process", "split", "rendered",
        "quantity", "unit", "band_short_mm", "band_long_mm", "value", "light", "mask", "px_per_mm", "contrast",
        "x_mm", "y_mm",
    ]  # fmt: skip
    captures = json.loads((out / "captures.json").read_text())
    assert {row["capture"] for row in rows} == set(captures)
    for name, note in captures.items():
        assert len(list((out / "photos" / name).glob("*.jpg"))) == 4
        along, across = note["measured_bars"]
        assert (2 * along) % 1 == (2 * across) % 1 == 0
        assert along == pytest.approx(250 * note["recipe"]["sheet"]["scale_y"], abs=0.8)
    before = (out / "truth.csv").read_bytes()
    assert "0.0 CPU-s" in _run(*arguments).stdout
    assert (out / "truth.csv").read_bytes() == before


@pytest.mark.slow
def test_quick_captures_come_with_grade_light_and_tags(tmp_path: Path) -> None:
    out = tmp_path / "quick"
    done = _run(str(out), "--kind", "pair", "--count", "1", "--seed", "4", "--small", "--data", "/nowhere")
    assert done.returncode == 0, done.stderr
    with (out / "truth.csv").open(newline="") as file:
        rows = {row["quantity"]: row for row in csv.DictReader(file)}
    assert (rows["Sq"]["band_short_mm"], rows["Sq"]["light"], rows["Sq"]["kind"]) == ("0.8", "torch", "torch")
    assert (rows["grade"]["band_short_mm"], rows["grade"]["unit"]) == ("", "")
    (note,) = json.loads((out / "captures.json").read_text()).values()
    assert note["tags"]["albedo"] == "paste"
    assert len(list((out / "photos").glob("*/*.jpg"))) == 2
