"""The check set is spread evenly, its plans depend on seed and index alone, and spoiled captures say what is wrong."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from assessor.errors import AssessorError
from assessor.simulate.catalogue import LEVELS_MM, LIGHTS, Planned, plan_set
from assessor.simulate.faults import FAULTS, messenger, stripped, with_fault
from assessor.simulate.spoiled import SPOILED, plan_spoiled


@pytest.fixture(scope="module")
def plans(tmp_path_factory: pytest.TempPathFactory) -> list[Planned]:
    data = tmp_path_factory.mktemp("shapes")
    return plan_set(400, seed=5, data_dir=data)


def test_every_process_meets_every_fault_and_light_evenly(plans: list[Planned]) -> None:
    assert {p.recipe.floor.process for p in plans} == set(LEVELS_MM)
    for process in LEVELS_MM:
        own = [p for p in plans if p.recipe.floor.process == process]
        assert {p.fault for p in own[: len(FAULTS)]} == set(FAULTS)
        for counts in (Counter(p.fault for p in own), Counter(p.recipe.light.kind for p in own)):
            assert max(counts.values()) - min(counts.values()) <= 1
    pairs = Counter((p.fault, p.recipe.light.kind) for p in plans)
    assert len(pairs) == len(FAULTS) * len(LIGHTS)
    expected = len(plans) / len(pairs)
    assert 0.7 * expected < min(pairs.values()) <= max(pairs.values()) < 1.3 * expected


def test_levels_are_spread_over_faults_too(plans: list[Planned]) -> None:
    for process, levels in LEVELS_MM.items():
        own = [p.recipe.floor.sq_mm for p in plans if p.recipe.floor.process == process]
        nearest = Counter(int(np.abs(np.log(np.array(levels) / sq)).argmin()) for sq in own)
        assert max(nearest.values()) - min(nearest.values()) <= 2


def test_a_plan_depends_on_seed_and_index_alone(tmp_path: Path) -> None:
    assert plan_set(40, 3, data_dir=tmp_path)[:13] == plan_set(13, 3, data_dir=tmp_path)
    assert plan_set(20, 3)[:20] != plan_set(20, 4)
    assert plan_spoiled(30, 3)[:13] == plan_spoiled(13, 3)


def test_faults_have_the_strengths_of_real_phones(plans: list[Planned]) -> None:
    for p in plans:
        r = p.recipe
        assert (r.breathing == 0.01) == (p.fault == "breathing")
        assert (r.centre_px == 15.0) == (p.fault == "stabiliser")
        assert (r.rolling_mm, r.rolling_deg) == ((0.3, 0.06) if p.fault == "rolling" else (0.0, 0.0))
        assert 0.03 <= r.sensor.shading <= 0.05 or (r.sensor.shading == 0 and p.fault != "shading")
        assert (r.sheet.cockle_mm == 0.3) == (p.fault == "cockle")
        assert (r.sensor.denoise > 0) == (p.fault == "denoise")
        assert (r.sensor.lift_ev > 0) == (p.fault == "tone")
        assert (r.body is not None) == (p.fault == "body")
        assert not r.slips
        assert not p.expected


def test_unknown_faults_are_refused(plans: list[Planned]) -> None:
    with pytest.raises(ValueError, match=r"fault must be one of none, breathing, .*, not 'rain'"):
        with_fault(plans[0].recipe, "rain", np.random.default_rng(0))


def test_files_on_their_way(plans: list[Planned]) -> None:
    bare, sent = stripped(plans[0].recipe).sensor, messenger(plans[0].recipe, 1600).sensor
    assert not bare.exif
    assert bare.sent_px == 0
    assert (sent.exif, sent.sent_px, sent.quality, sent.file_format) == (False, 1600, 75, "jpg")


def _codes(kind: type[AssessorError]) -> set[str]:
    return {kind.code}.union(*(_codes(below) for below in kind.__subclasses__()))


def test_spoiled_captures_name_real_errors_and_meet_every_process() -> None:
    plans = plan_spoiled(13 * 8, 1, small=True)
    assert Counter(p.fault for p in plans) == dict.fromkeys(SPOILED, 8)
    assert {c for p in plans for c in p.expected} <= _codes(AssessorError)
    assert all(p.expected and p.recipe.size_px == (2000, 1500) for p in plans)
    seen = {(p.fault, p.recipe.floor.process) for p in plans}
    assert len(seen) == len(SPOILED) * 8  # without measured shapes there are eight processes
    assert all(p.recipe.name.split("-", 2)[2] == p.fault for p in plans)
