"""The packaged models through the whole tool: path-traced quick captures, and photos that they must keep silent on."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from assessor.cli import app
from assessor.texture.estimate import estimate_texture
from assessor.texture.look import SIDE_PX, Look

IMAGES = Path(__file__).resolve().parent.parent / "calibration_images" / "photos"
RUNNER = CliRunner()


# True Sq in 0.8-25 mm of tuned captures, from calibration_images/truth.csv.
@pytest.mark.parametrize(
    ("spot", "form", "true_mm"), [("bay12-shot-single", "single", 0.15), ("bay15-shot-pair", "pair", 0.10)]
)
def test_the_interval_holds_the_truth_of_a_path_traced_floor(
    spot: str, form: str, true_mm: float, tmp_path: Path
) -> None:
    done = RUNNER.invoke(
        app,
        [
            "assess",
            str(IMAGES / spot),
            "--out",
            str(tmp_path),
            "--measured-bars",
            "250",
            "180",
            "--workers",
            "1",
        ],
    )
    assert done.exit_code == 0, done.output
    record = json.loads((tmp_path / spot / "assessment.json").read_text())
    assert record["estimate"]["form"] == form
    (sq,) = record["texture"]["quantities"]
    assert sq["low90"] < true_mm < sq["high90"]
    assert abs(np.log2(sq["value"] / true_mm)) < 0.5
    page = (tmp_path / spot / "page.html").read_text()
    assert "ESTIMATE, NOT MEASURED" in page


@pytest.mark.parametrize("kind", ["noise", "stripes"])
def test_nothing_is_claimed_of_what_is_no_floor(kind: str) -> None:
    rng = np.random.default_rng(3)
    picture = np.full((SIDE_PX, SIDE_PX, 3), -1.2, np.float32)
    if kind == "noise":
        picture += rng.normal(0, 0.8, picture.shape).astype(np.float32)
    else:
        picture += np.sign(np.sin(np.arange(SIDE_PX) / 9)).astype(np.float32)[None, :, None]
    said = estimate_texture([Look("odd.jpg", picture, None, 0.1, 8.0, (0.0, 0.0), 0.0)])
    assert said.abstained
