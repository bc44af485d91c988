"""The sheet lies as its recipe says, and polygons on it cover what they should."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.simulate.imaging import fill_polygon
from assessor.simulate.sheet import SheetRecipe, make_sheet


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_cockle_has_the_rms_asked_for_and_is_80_mm_long(seed: int) -> None:
    z = make_sheet(SheetRecipe(cockle_mm=0.3), np.random.default_rng(seed)).z_mm.astype(float)
    paper = z[7:305, 9:219]
    assert paper.std() == pytest.approx(0.3, rel=0.12)
    # Of waves one way the rms slope is 2 pi / wavelength times the rms height.
    down, along = np.gradient(paper)
    wavelength = 2 * np.pi * paper.std() / np.sqrt((down**2 + along**2).mean())
    assert wavelength == pytest.approx(80.0, rel=0.1)


@pytest.mark.parametrize("size", [40, 400])
@pytest.mark.parametrize("shift", [0.0, 0.3, 0.5])
def test_polygons_cover_their_own_area(size: int, shift: float) -> None:
    # Shoelace area; the larger mask goes the way of large polygons (outline only).
    corners = np.array([[0.13, 0.18], [0.75, 0.24], [0.32, 0.83]]) * size + shift
    mask = np.zeros((size, size + 7), np.uint8)
    fill_polygon(mask, corners, 255)
    (ax, ay), (bx, by) = corners[1] - corners[0], corners[2] - corners[0]
    assert mask.sum() / 255 == pytest.approx(abs(ax * by - ay * bx) / 2, rel=0.004)
    row, col = np.mgrid[0:size, 0 : size + 7]
    middle = [(mask * col).sum() / mask.sum(), (mask * row).sum() / mask.sum()]
    assert middle == pytest.approx(corners.mean(0), abs=0.03)
    fill_polygon(mask, corners[::-1], 0)  # either way round, and out again
    assert mask.max() <= 65
