"""From nothing to a packaged model that the tool loads: a few steps on a CPU, as CI runs them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("torch", reason="needs the extra `train`")
pytest.importorskip("sklearn", reason="needs the extra `train`")

from assessor.texture import model as models
from assessor.texture.look import N_LIGHT, N_PHOTO, SIDE_PX
from assessor.training.calibrate import Answers, conformal, fit_calibration, half_widths, scores

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


def run(script: str, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-W", "ignore", str(SCRIPTS / script), *words],
        capture_output=True, text=True, check=False, env={**os.environ, "OMP_NUM_THREADS": "2"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


@pytest.mark.slow
def test_train_and_calibrate_make_models_that_load(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    small = ("--small", "--batch", "4", "--pool", "1", "--steps", "2", "--judge", "8", "--boost", "12")
    told = run("train", str(tmp_path / "trained"), *small)
    assert "fresh    single" in told and "boosted" in told
    run("calibrate", str(tmp_path / "trained"), "--models", str(tmp_path / "models"))
    monkeypatch.setattr(models, "PLACES", (tmp_path / "models",))
    models.load_model.cache_clear()
    try:
        for name, channels, photos in (("one-photo", 3, 1), ("two-photos", 2, 2)):
            model = models.load_model(name)
            image = np.random.default_rng(1).normal(0, 0.1, (channels, SIDE_PX, SIDE_PX)).astype(np.float32)
            numbers = (np.zeros(photos * N_LIGHT, np.float32), np.zeros(photos * N_PHOTO, np.float32))
            said = model.ask(image, *numbers)
            assert np.isfinite([said.log2_sq, said.sd, said.distance, *said.lay]).all()
            card = (tmp_path / "models" / name / "card.md").read_text()
            assert "Never validated on real floors" in card
    finally:
        models.load_model.cache_clear()


def answers(n: int, spread: float, seed: int) -> Answers:
    """Errors `spread` times as large as the sd says."""
    rng = np.random.default_rng(seed)
    truth, sd = rng.uniform(-5, 0, n), rng.uniform(0.2, 0.8, n)
    return Answers(truth, truth + spread * sd * rng.normal(0, 1, n), sd, rng.uniform(0, 2, n), np.zeros(n))


def test_conformal_quantile_is_the_published_rank() -> None:
    # Lei et al. 2018: of n scores the ceil((n + 1)(1 - alpha))-th smallest.
    assert conformal(np.arange(1.0, 10.0)) == 9.0
    assert conformal(np.arange(1.0, 20.0)) == 18.0


def test_widths_hold_in_the_worst_group() -> None:
    groups = {"easy": answers(4000, 1.0, 1), "hard": answers(4000, 1.6, 2)}
    calibration = fit_calibration(groups, 10.0, lay_limit=0.2, lay_u_deg=5.0)
    new = answers(4000, 1.6, 3)
    covered = np.abs(new.error) <= half_widths(calibration, new)
    assert covered.mean() == pytest.approx(0.90, abs=0.02)
    assert calibration.factor["lit"] == pytest.approx(1.6 * 1.645, rel=0.06)
    assert calibration.factor["unread"] == calibration.factor["lit"]  # nothing to tell it apart by


def test_what_is_abstained_from_counts_as_such() -> None:
    calibration = fit_calibration({"all": answers(2000, 1.0, 1)}, 1.0, lay_limit=0.2, lay_u_deg=5.0)
    told = scores(calibration, answers(2000, 1.0, 4), max_half90=0.8)
    assert told["strange"] == pytest.approx(0.5, abs=0.04)
    assert told["abstained"] > 0.5
    assert told["median_half_width_claimed"] < 0.8


@pytest.mark.slow
def test_measured_spots_become_looks(tmp_path: Path) -> None:
    images = SCRIPTS.parent / "calibration_images" / "photos"
    spots = tmp_path / "spots"
    (spots / "floor").mkdir(parents=True)
    for file in (images / "bay3-shot-medium").iterdir():
        (spots / "floor" / file.name).write_bytes(file.read_bytes())
    (spots / "no-card").mkdir()
    told = run("own_looks", str(spots), str(tmp_path / "own.npz"), "--measured-bars", "250", "180")
    assert "floor: 4 photos, 0 pairs" in told and "no-card: not taken" in told
    assert (tmp_path / "own.npz").stat().st_size > 100_000
