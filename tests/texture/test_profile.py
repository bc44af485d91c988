"""Mean profile depth on profiles and maps."""

from __future__ import annotations

import math

import numpy as np
import pytest

from assessor.texture import profile


def test_slope_suppression_is_the_least_squares_line() -> None:
    z = np.random.default_rng(0).standard_normal((3, 2, 41))
    at = np.arange(41)
    expected = np.array([[row - np.polyval(np.polyfit(at, row, 1), at) for row in part] for part in z])
    assert profile.suppress_slope(z) == pytest.approx(expected, abs=1e-10)


def test_short_profile_is_refused_in_mm() -> None:
    with pytest.raises(ValueError, match="profile of 60 mm holds no 100 mm segment"):
        profile.segment_depths(np.zeros((2, 120)), 0.5)


def test_long_profile_gives_one_depth_a_segment() -> None:
    assert profile.segment_depths(np.zeros((2, 700)), 0.5).shape == (2, 3)


def test_segments_lie_about_the_middle() -> None:
    z = np.zeros((1, 240))
    z[0, :18] = 50.0  # the first 9 mm of 120 mm lie outside the middle 100 mm
    assert profile.segment_depths(z, 0.5) == pytest.approx(np.zeros((1, 1)), abs=1e-12)


def test_map_of_ridges_counts_rows_and_columns_alike() -> None:
    x = (np.arange(216) + 0.5) * 0.5
    across = np.tile(np.cos(2 * np.pi * x / 10), (216, 1))
    # Along the ridges a profile is flat, across them its depth is the amplitude.
    assert profile.mean_profile_depth(across, (0.5, 0.5)) == pytest.approx(0.5, rel=0.02)
    assert profile.mean_profile_depth(across.T, (0.5, 0.5)) == pytest.approx(0.5, rel=0.02)


def test_only_the_side_that_holds_a_segment_is_read() -> None:
    x = (np.arange(432) + 0.5) * 0.25
    wide = np.tile(np.cos(2 * np.pi * x / 10), (100, 1))
    assert profile.mean_profile_depth(wide, (0.5, 0.25)) == pytest.approx(1.0, rel=0.02)
    with pytest.raises(ValueError, match="no profile of 100 mm"):
        profile.mean_profile_depth(wide[:, :300], (0.5, 0.25))


def test_profiles_with_much_drop_out_do_not_count() -> None:
    x = (np.arange(216) + 0.5) * 0.5
    rough = np.tile(np.cos(2 * np.pi * x / 10), (216, 1))
    valid = np.ones(rough.shape, dtype=bool)
    broken, valid[:40] = rough.copy(), False
    broken[:40] = 9.0
    # The 40 broken rows go; each column keeps more than 90 % only in its middle 200 samples.
    settings = profile.ProfileSettings(most_drop_out=0.2)
    found = profile.mean_profile_depth(broken, (0.5, 0.5), settings, valid=valid)
    assert found > 0.4
    assert math.isnan(profile.mean_profile_depth(broken, (0.5, 0.5), valid=np.zeros_like(valid)))


def test_texture_depth_vanishes_on_a_flat_floor_but_keeps_its_scatter() -> None:
    depth, u = profile.texture_depth(0.0, 0.0)
    assert depth == 0.0
    assert u == pytest.approx(0.03)
    assert profile.texture_depth(1.0, 0.1)[1] == pytest.approx(math.hypot(0.11, 0.165, 0.03))
