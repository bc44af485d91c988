"""Shapes known from outside: measured normal maps of abrasive paper (MIT, ETSim/WearSurfacesDatasets).

The maps have no absolute scale, so only what they can tell is checked: that they are read as the surface they are, and
that 40 grit, rendered under a torch with the amplitudes that FEPA's grain sizes stand to each other (ISO 6344;
domain.md section 4), is read above 120 grit.
"""

from __future__ import annotations

import importlib.util
import sys
from importlib.machinery import SourceFileLoader
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT.parent / "shared" / "data"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not (DATA / "sandpaper_normals").is_dir(),
        reason=f"{DATA}/sandpaper_normals is not there: other people's measurements aren't kept in the repository",
    ),
]


@pytest.fixture(scope="module")
def script() -> ModuleType:
    loader = SourceFileLoader("abrasive_order", str(ROOT / "scripts" / "abrasive_order"))
    spec = importlib.util.spec_from_loader("abrasive_order", loader)
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["abrasive_order"] = module  # its dataclasses look themselves up there
    loader.exec_module(module)
    return module


@pytest.mark.parametrize("grit", [40, 120])
def test_grains_stand_up_and_the_slopes_are_those_of_a_surface(script: ModuleType, grit: int) -> None:
    relief = script.grain_heights(DATA, grit)[1000:3000, 1000:3000].astype(float)
    relief -= relief.mean()
    # Grit stands on a backing, so there are more high peaks than deep pits.
    assert float(np.mean(relief**3) / np.std(relief) ** 3) > 0.1
    along = script.cv2.imread(str(DATA / "sandpaper_normals" / script.MAPS[grit]))[1000:3000, 1000:3000, ::-1]
    normal = along.astype(float) / 127.5 - 1
    rows, cols = np.gradient(relief)
    for made, given in ((cols, -normal[..., 0] / np.maximum(normal[..., 2], 0.15)),
                        (rows, -normal[..., 1] / np.maximum(normal[..., 2], 0.15))):  # fmt: skip
        assert (
            float(np.corrcoef(made.ravel(), given.ravel())[0, 1]) > 0.9
        )  # steep flanks are cut off in the maps


def test_coarser_paper_has_longer_waves(script: ModuleType) -> None:
    # Both maps were taken at one magnification; grains are 3.4 times as large, and nothing here sets that.
    lengths = {}
    for grit in (40, 120):
        relief = script.grain_heights(DATA, grit)[:4000, :4000].astype(float)
        taper = np.hanning(4000)
        power = np.abs(np.fft.rfft2((relief - relief.mean()) * taper[:, None] * taper)) ** 2
        f = np.hypot(np.fft.fftfreq(4000)[:, None], np.fft.rfftfreq(4000)[None, :])
        seen = f > 0
        lengths[grit] = float(np.exp(-np.sum(np.log(f[seen]) * power[seen]) / power[seen].sum()))
    assert 2.0 < lengths[40] / lengths[120] < 5.0


def test_40_grit_reads_above_120_grit(script: ModuleType) -> None:
    rows = []
    for grit in (40, 120):
        sq_mm = 0.12 * script.GRAIN_MM[grit] / script.GRAIN_MM[40]
        capture = script.shoot(DATA, grit, sq_mm)
        rows += script.readings(capture, grit, script.assess(capture))
    told = script.in_order(rows)
    assert script.STATED in told
    assert all(told.values())
    for row in rows:
        if row.band == script.STATED:
            assert row.low90 <= row.true <= row.high90
            assert row.read == pytest.approx(row.true, rel=0.08)


def test_the_order_can_fail(script: ModuleType) -> None:
    def sheet(grit: int, read: float) -> list[object]:
        return [script.Reading(grit, band, 0.1, read, read * 0.9, read * 1.1) for band in script.BANDS]

    assert all(script.in_order([*sheet(40, 0.2), *sheet(120, 0.1)]).values())
    assert not any(script.in_order([*sheet(40, 0.1), *sheet(120, 0.2)]).values())
    # Overlapping intervals tell no order.
    assert not any(script.in_order([*sheet(40, 0.105), *sheet(120, 0.1)]).values())
    nothing = [script.Reading(120, band, 0.1) for band in script.BANDS]
    assert script.in_order([*sheet(40, 0.2), *nothing]) == {}
