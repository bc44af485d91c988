"""Filters, levelling, filling and cropping."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.card.layout import square
from assessor.texture import filters
from assessor.values import Band
from tests.texture.surfaces import height_map


def test_spectrum_carries_the_mean_square() -> None:
    z = np.random.default_rng(0).standard_normal((30, 44))
    found = filters.spectrum(z, 0.1)
    assert np.sum(found.coefficients**2) / z.size == pytest.approx(np.mean(z**2), rel=1e-5)
    assert found.height() == pytest.approx(z, abs=1e-5)


def test_coarser_grid_samples_the_same_cosine() -> None:
    # cos(pi k x / L) is one bin; on any grid of cell centres it must come back as itself.
    def cosine(cells: int) -> np.ndarray:
        return np.cos(np.pi * 6 * (np.arange(cells) + 0.5) / cells)

    fine = np.outer(cosine(60), cosine(90))
    coarse = filters.spectrum(fine, 0.2).height((20, 45))
    assert coarse == pytest.approx(np.outer(cosine(20), cosine(45)), abs=1e-5)


def test_cut_keeps_low_frequencies_along_each_axis() -> None:
    whole = filters.spectrum(np.random.default_rng(1).standard_normal((40, 60)), (0.5, 0.25))
    kept = whole.cut(0.5)
    along_y, along_x = kept.frequencies
    assert along_y.max() <= 0.5 < along_y.max() + along_y[1, 0]
    assert along_x.max() <= 0.5 < along_x.max() + along_x[0, 1]


def test_plane_goes_to_zero_with_and_without_gaps() -> None:
    rows, cols = np.mgrid[:50, :70]
    plane = 3.0 + 0.02 * rows - 0.05 * cols
    valid = np.random.default_rng(2).random((50, 70)) > 0.4
    assert filters.remove_plane(plane) == pytest.approx(np.zeros_like(plane), abs=1e-10)
    broken = np.where(valid, plane, 99.0)
    level = filters.remove_plane(broken, valid)
    assert level[valid] == pytest.approx(np.zeros(int(valid.sum())), abs=1e-10)


def test_plane_is_the_least_squares_one() -> None:
    rng = np.random.default_rng(3)
    z = rng.standard_normal((21, 33))
    rows, cols = np.mgrid[:21, :33]
    design = np.stack([np.ones(z.size), rows.ravel(), cols.ravel()], axis=1)
    expected = z.ravel() - design @ np.linalg.lstsq(design, z.ravel(), rcond=None)[0]
    assert filters.remove_plane(z).ravel() == pytest.approx(expected, abs=1e-10)


def test_plane_needs_three_samples_off_a_line() -> None:
    valid = np.zeros((10, 12), dtype=bool)
    valid[4, :] = True
    with pytest.raises(ValueError, match="too few valid samples"):
        filters.remove_plane(np.zeros((10, 12)), valid)


def test_fill_keeps_valid_samples_and_bridges_gaps_smoothly() -> None:
    rows, cols = np.mgrid[:80, :110]
    slope = (100.0 + 0.05 * rows + 0.02 * cols).astype(np.float32)
    valid = np.ones(slope.shape, dtype=bool)
    valid[30:45, 50:70] = False
    valid[::7, ::5] = False
    filled = filters.fill_invalid(np.where(valid, slope, np.nan), valid)
    assert np.array_equal(filled[valid], slope[valid])
    # A gap of 15 x 20 cells on a slope of 0.05 a cell spans 1.1; the filling stays near the slope.
    assert np.abs(filled - slope)[~valid].max() < 0.35
    assert np.abs(np.diff(filled, axis=0)).max() < 0.4


def test_fill_refuses_an_empty_map() -> None:
    with pytest.raises(ValueError, match="no valid sample"):
        filters.fill_invalid(np.zeros((4, 5)), np.zeros((4, 5), dtype=bool))


def test_spectrum_refuses_gaps() -> None:
    with pytest.raises(ValueError, match="fill invalid samples first"):
        filters.spectrum(np.array([[0.0, np.nan], [1.0, 2.0]]), 0.1)


def test_band_must_run_upward() -> None:
    with pytest.raises(ValueError, match="from a short to a longer"):
        filters.band_pass(np.zeros((8, 8)), 1.0, Band(25.0, 2.5))


def test_evaluation_area_is_the_middle_108_mm() -> None:
    rows, cols = filters.evaluation_area(height_map(np.zeros((600, 580))), square(54.0))
    assert (rows.start, rows.stop) == (30, 570)
    assert (cols.start, cols.stop) == (20, 560)


def test_evaluation_area_takes_what_there_is_of_a_small_map() -> None:
    rows, cols = filters.evaluation_area(height_map(np.zeros((400, 600))), square(54.0))
    assert (rows.stop - rows.start, cols.stop - cols.start) == (400, 540)


def test_transposing_the_map_transposes_the_band() -> None:
    z = np.random.default_rng(4).standard_normal((60, 90))
    band = Band(1.0, 5.0)
    turned = filters.band_pass(z.T, (0.3, 0.2), band).T
    assert filters.band_pass(z, (0.2, 0.3), band) == pytest.approx(turned, abs=1e-6)
