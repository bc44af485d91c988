"""Drop shapes against hand-worked cases and textbook limits."""

import math

import numpy as np
import pytest

from assessor.surface.drop_shape import (
    CAPILLARY_MM,
    cap_angle_deg,
    cap_volume_mm3,
    contact_angle,
    drop_profile,
)


def test_a_hemisphere_by_hand():
    # Half a sphere of diameter D: V = pi D^3 / 12. D = 6 mm: 56.549 mm3.
    assert cap_volume_mm3(6, 90) == pytest.approx(math.pi * 216 / 12)
    assert cap_volume_mm3(6, 90) == pytest.approx(56.549, abs=1e-3)
    assert cap_angle_deg(56.549, 6) == pytest.approx(90, abs=0.01)


def test_caps_by_the_height_formula():
    # Another way to the same volume: pi h (3 a^2 + h^2) / 6 with a = D / 2 and h = a tan(t / 2).
    for width, angle in [(4, 30), (6, 60), (5, 120), (20, 2)]:
        a = width / 2
        h = a * math.tan(math.radians(angle) / 2)
        assert cap_volume_mm3(width, angle) == pytest.approx(math.pi * h * (3 * a * a + h * h) / 6, rel=1e-9)
        assert cap_angle_deg(cap_volume_mm3(width, angle), width) == pytest.approx(angle, rel=1e-6)


def test_tiny_drops_are_caps():
    for angle in (20, 60, 90, 140):
        profile = drop_profile(0.02, angle)
        assert profile.volume_mm3 == pytest.approx(0.02, rel=2e-3)
        foot = 2 * profile.radius_mm[-1]
        assert cap_volume_mm3(foot, angle) == pytest.approx(0.02, rel=0.02)


def test_large_puddles_reach_the_textbook_height():
    # de Gennes, Brochard-Wyart and Quere, "Capillarity and Wetting Phenomena", section 2.2: e = 2 l sin(t / 2), of a
    # puddle much wider than the capillary length l.
    for angle, volume in ((30, 1000), (60, 3000), (90, 4000)):
        expected = 2 * CAPILLARY_MM * math.sin(math.radians(angle) / 2)
        # A round puddle stands a little higher than the endless one of the book, by the pull of its rim.
        assert 1.0 < drop_profile(volume, angle).height_mm / expected < 1.08


def test_pressure_balances_weight_at_the_foot():
    # The whole drop's balance, not the equation solved: weight = pressure on the foot - pull of the contact line.
    # In capillary units: V = pi R^2 (2 b + h) - 2 pi R sin t, with b the curvature on top.
    profile = drop_profile(50, 90)
    r, z = profile.radius_mm / CAPILLARY_MM, profile.depth_mm / CAPILLARY_MM
    # Near the top z = b r^2 / 2.
    near = slice(2, 8)
    b = float(np.mean(2 * z[near] / r[near] ** 2))
    foot = r[-1]
    force = math.pi * foot**2 * (2 * b + z[-1]) - 2 * math.pi * foot * 1.0
    assert force == pytest.approx(50 / CAPILLARY_MM**3, rel=0.01)


def test_angle_comes_back_with_its_uncertainty():
    for volume, angle in [(50, 30), (50, 70), (30, 95), (100, 50)]:
        width = drop_profile(volume, angle).width_mm
        read = contact_angle(volume, width, 0.1 * volume, 0.2)
        assert read.deg == pytest.approx(angle, abs=0.5)
        assert 1.5 < read.u_deg < 20
        assert not read.at_limit
        assert read.cap_deg < angle  # weight spreads the drop


def test_wider_is_flatter_and_less_known_is_less_sure():
    narrow, wide = contact_angle(50, 6, 5, 0.2), contact_angle(50, 12, 5, 0.2)
    assert narrow.deg > wide.deg + 40
    assert contact_angle(50, 6, 20, 0.2).u_deg > 1.5 * narrow.u_deg


def test_impossible_drops_are_at_the_limit():
    assert contact_angle(50, 3, 5, 0.2).at_limit  # a ball of 50 mm3 is 4.6 mm wide
    assert contact_angle(50, 60, 5, 0.2).at_limit


@pytest.mark.parametrize("bad", [(0, 5), (5, 0), (-1, 5)])
def test_nonsense_is_refused(bad):
    with pytest.raises(ValueError, match="over 0"):
        cap_angle_deg(*bad)
