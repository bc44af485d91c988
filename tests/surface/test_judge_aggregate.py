"""The judges of aggregate: their floors' truth, what they print, what they fit."""

from __future__ import annotations

import ast
import json
import sys
from pathlib import Path

import numpy as np
import pytest

from assessor.surface.aggregate import AggregateSettings
from tests.programs import SCRIPTS, program, script

DATA = SCRIPTS.parent.parent / "shared/data"


@pytest.fixture(autouse=True)
def _scripts_on_the_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))


def trained(file: Path, name: str) -> tuple[str, ...]:
    """A tuple of strings assigned in a source that may not be importable here (torch)."""
    for node in ast.parse(file.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == name:
            return tuple(ast.literal_eval(node.value))
    raise AssertionError(name)


def test_no_photo_and_no_map_that_is_trained_on_is_judged_as_held_out() -> None:
    source = SCRIPTS.parent / "assessor/training/gravel.py"
    assert set(program("judge_gravel").TRAINED) == set(trained(source, "TRAINED"))
    maps = trained(SCRIPTS / "train_surface", "TRAINED_MAPS")
    assert not set(script("aggregate_floors").HELD_OUT_MAPS) & set(maps)


@pytest.mark.parametrize("family", ["flush", "cut", "standing", "bare"])
def test_the_truth_of_a_drawn_floor_is_that_of_its_labels(family: str) -> None:
    floors = script("aggregate_floors")
    cut = floors.make_cut(5, 1, None, family)
    assert cut.image.reflectance.shape == (224, 224, 3)
    middle = cut.labels[4:-4, 4:-4]
    assert (middle > 0).mean() == pytest.approx(cut.visible, abs=0.02)
    assert cut.coarse <= cut.visible
    assert (cut.visible == 0) == (family == "bare")
    again = floors.make_cut(5, 1, None, family)
    assert np.array_equal(again.image.reflectance, cut.image.reflectance)


def test_a_plane_cuts_solids_smaller_than_they_are() -> None:
    """Sections of solids of up to 20 mm: most show less than half of that."""
    labels = script("aggregate_floors").cut_solids(
        448, 4.0, np.random.default_rng(1), fraction=0.4, largest_mm=20.0
    )
    sizes = np.sqrt(4 * np.bincount(labels.ravel())[1:] / np.pi) / 4
    assert 0.3 < (labels > 0).mean() < 0.45
    assert sizes.max() < 22
    assert np.median(sizes) < 10


def test_the_judge_finds_what_a_model_would_do_and_what_colour_does(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    judge = program("judge_aggregate")
    file = tmp_path / "notes.json"
    monkeypatch.setattr(
        sys, "argv", ["judge_aggregate", "--count", "8", "--truth", "--fit", "--json", str(file)]
    )
    assert judge.main() == 0
    told = capsys.readouterr().out
    notes = json.loads(file.read_text())
    assert len(notes) == 8
    errors = {
        who: np.abs(script("aggregate_judging").errors(notes, who, "coarse")).mean()
        for who in ("model", "otsu", "kmeans")
    }
    assert errors["model"] < 0.03
    assert errors["model"] < min(errors["otsu"], errors["kmeans"])
    for word in ("model", "otsu", "kmeans", "mean", "fitted on these floors: u_model_coarse="):
        assert word in told
    monkeypatch.setattr(sys, "argv", ["judge_aggregate", "--read", str(file), "--read", str(file)])
    assert judge.main() == 0
    assert "change +0.0000" in capsys.readouterr().out


def test_fitted_terms_make_nine_of_ten_intervals_hold() -> None:
    rng = np.random.default_rng(1)
    doubt = rng.uniform(0.01, 0.2, 600)
    off = rng.normal(0, np.hypot(0.02, 0.5 * doubt))
    notes = [
        {"truth": {"coarse": 0.3}, "model": {"coarse": 0.3 + e, "coarse_doubt": d}}
        for e, d in zip(off, doubt, strict=True)
    ]
    base, per_doubt, _ = script("aggregate_judging").fit_terms(notes, "coarse")
    u = np.hypot(base, per_doubt * doubt)
    assert np.mean(np.abs(off) <= 1.6449 * u) == pytest.approx(0.9, abs=0.01)
    assert per_doubt == pytest.approx(0.5, rel=0.2)
    assert AggregateSettings().u_model_coarse >= 0


@pytest.mark.skipif(not (DATA / "gravel_masks").is_dir(), reason="needs ../shared/data")
def test_gravel_is_cut_into_windows_whose_truth_is_the_photos() -> None:
    judge = program("judge_gravel")
    cuts = judge.read_windows(DATA / "gravel_masks", 0.39)
    assert len(cuts) == 24
    first = [cut for cut in cuts if cut.image.name.startswith("ig_1")]
    # Share of the whole mask: 0.572 (no rule in this photo); stones under 2 mm are hardly there.
    assert np.mean([cut.visible for cut in first]) == pytest.approx(0.572, abs=0.01)
    ruled = next(cut for cut in cuts if cut.image.name == "ig_6_P1060355_0 01")
    assert ruled.image.valid.mean() < 0.7
