"""Mean profile depth and texture depth against worked figures: domain.md section 12, items 7-12.

Item 7: ASTM E1845 definition and formula from memory, verify; 8, 9: derived; 10-12: from memory, verify.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from assessor.texture.measure import exact_texture
from assessor.texture.profile import mean_profile_depth, segment_depths, texture_depth


def test_item_7_two_peaks_over_a_mean_level() -> None:
    # 200 samples of 0.5 mm: peaks 1.2 and 0.8, the rest such that the mean level is 0.3.
    profile = np.full((1, 200), (0.3 * 200 - 1.2 - 0.8) / 198)
    profile[0, 40], profile[0, 150] = 1.2, 0.8
    assert segment_depths(profile, 0.5, slope_suppression=False)[0, 0] == pytest.approx(0.70)


def test_item_8_tilt_counts_only_without_slope_suppression() -> None:
    rise = np.arange(2001)[None, :] * 0.05 * 0.01
    assert segment_depths(rise, 0.05, slope_suppression=False)[0, 0] == pytest.approx(0.25, abs=2e-3)
    assert segment_depths(rise, 0.05)[0, 0] == pytest.approx(0.0, abs=1e-12)


def test_item_9_sine_gives_its_amplitude() -> None:
    x = (np.arange(200) + 0.5) * 0.5
    sine, cosine = 0.8 * np.sin(2 * np.pi * x / 10)[None, :], 0.8 * np.cos(2 * np.pi * x / 10)[None, :]
    assert segment_depths(sine, 0.5, slope_suppression=False)[0, 0] == pytest.approx(0.8, rel=0.02)
    assert segment_depths(cosine, 0.5)[0, 0] == pytest.approx(0.8, rel=0.02)
    # Ten whole sines have a least-squares slope of their own, -6 A / (10 pi) over half the length, which
    # lifts the outer peaks: 2 % more.
    assert segment_depths(sine, 0.5)[0, 0] == pytest.approx(0.8 * 1.02, rel=0.01)


def test_item_9_through_the_whole_path() -> None:
    # 10 mm waves across a known map; the areal low-pass of 2.5 mm passes 95.8 % of them (item 21), half of
    # the profiles run along the ridges, and slope suppression adds up to 2 % with the phase.
    x = (np.arange(540) + 0.5) * 0.2
    wave = np.tile(0.8 * np.cos(2 * np.pi * x / 10.0), (540, 1))
    mpd = exact_texture(wave, 5.0).get("MPD")
    assert mpd is not None
    assert mpd.value == pytest.approx(0.8 * 0.9576 / 2 * 1.01, rel=0.015)
    assert mean_profile_depth(wave, (0.2, 0.2)) == pytest.approx(0.4 * 1.01, rel=0.015)


@pytest.mark.parametrize(("mpd", "etd"), [(1.0, 1.10), (0.5, 0.55), (0.0, 0.0)])
def test_item_11_relation_of_2019(mpd: float, etd: float) -> None:
    assert texture_depth(mpd, 0.0)[0] == pytest.approx(etd)


def test_items_10_and_11_cross_at_two_thirds_and_the_old_offset_is_gone() -> None:
    # ISO 13473-1:1997: 0.2 + 0.8 MPD (1.0 -> 1.00, 0.5 -> 0.60, 0 -> 0.20); equal to 1.1 MPD at 0.6667 mm.
    assert texture_depth(2 / 3, 0.0)[0] == pytest.approx(0.2 + 0.8 * 2 / 3, abs=1e-9)
    assert texture_depth(0.0, 0.0)[0] == 0.0


@pytest.mark.parametrize(("mpd", "mtd"), [(1.0, 1.016), (0.5, 0.5425)])
def test_item_12_stated_scatter_holds_the_circular_meter_relation(mpd: float, mtd: float) -> None:
    # CT meter, ASTM E2157: MTD = 0.947 MPD + 0.069: another instrument's line lies within our stated scatter.
    etd, u = texture_depth(mpd, 0.0)
    assert abs(etd - mtd) < u < 0.2 * etd + 0.03


def test_scatter_is_relative_for_rough_and_absolute_for_smooth_floors() -> None:
    assert texture_depth(2.0, 0.0)[1] / 2.2 == pytest.approx(0.15, rel=0.01)
    assert texture_depth(0.01, 0.0)[1] == pytest.approx(0.03, rel=0.01)
    assert texture_depth(1.0, 0.2)[1] == pytest.approx(math.sqrt(0.22**2 + 0.165**2 + 0.03**2))
