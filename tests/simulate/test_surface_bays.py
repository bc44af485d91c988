"""The bays that show what lies on a floor: ten photos, four of them never tuned on, half on measured albedo."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from assessor.simulate.capture import plan_shots
from tests.programs import program


def test_ten_photos_four_never_tuned_half_on_measured_albedo() -> None:
    plans = program("render_calibration").surfaces(Path("/nowhere"))
    photos = {
        (plan.name, split, plan.floor.albedo != "paste"): len(plan_shots(plan, np.random.default_rng(1)))
        for plan, split in plans
    }
    assert sum(photos.values()) == 10
    assert sum(count for (_, split, _), count in photos.items() if split == "never-tuned") == 4
    assert sum(count for (_, _, measured), count in photos.items() if measured) == 5
    assert all(plan.kind == "single" and plan.sensor.file_format == "heic" for plan, _ in plans)
