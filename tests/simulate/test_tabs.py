"""Tab shadows end where trigonometry says, as soft as their light is wide."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.simulate.light import DISC_POINTS, LightRecipe, disc_rays, light_rays, sky_rays, true_lights
from assessor.simulate.scene import light_sheet
from assessor.simulate.sheet import CANVAS_MM, Sheet, SheetRecipe, make_sheet
from assessor.simulate.tabs import cast, shade_floor, shadow_on_sheet, standing_points

HEIGHT_MM, BASE_MM = 14.0, 10.0


@pytest.fixture(scope="module")
def flat_sheet() -> Sheet:
    return make_sheet(SheetRecipe(cockle_mm=0.0, ink_spread_mm=0.0, cut_mm=0.0), np.random.default_rng(0))


@pytest.mark.parametrize(("kind", "azimuth"), [("sun", 25.0), ("sun", 200.0), ("torch", 110.0)])
def test_shadow_triangles_have_the_right_place_and_area(flat_sheet: Sheet, kind: str, azimuth: float) -> None:
    # A tip at height h under elevation e throws its shadow h / tan(e) away; the shadow is the triangle between it
    # and the fold, so its area is base x (the tip's way across the fold) / 2 and its middle the corners' mean.
    light = LightRecipe(kind, azimuth, 35.0, direct=1.0, distance_mm=500.0)
    hidden = shadow_on_sheet(flat_sheet, disc_rays(light), 4.0)
    for tab in flat_sheet.layout.tabs:
        base, top = np.array(tab.base_mm), np.array(tab.tip_mm)
        if light.lamp_mm is None:
            a = np.deg2rad(azimuth)
            tip = top[:2] - HEIGHT_MM / np.tan(np.deg2rad(35.0)) * np.array([np.cos(a), np.sin(a)])
        else:
            lamp = np.array(light.lamp_mm)
            tip = lamp[:2] + (top[:2] - lamp[:2]) * lamp[2] / (lamp[2] - HEIGHT_MM)
        edge, way = base[1] - base[0], tip - base[0]
        area = abs(edge[0] * way[1] - edge[1] * way[0]) / 2
        rows = np.round((CANVAS_MM[1] / 2 - top[1] + np.array([-32, 32])) * 4).astype(int)
        cols = np.round((CANVAS_MM[0] / 2 + top[0] + np.array([-32, 32])) * 4).astype(int)
        rows, cols = np.clip(rows, 0, None), np.clip(cols, 0, None)
        part = hidden[rows[0] : rows[1], cols[0] : cols[1]]
        assert part.sum() / 16 == pytest.approx(area, rel=0.03, abs=0.5)
        y, x = np.mgrid[rows[0] : rows[0] + part.shape[0], cols[0] : cols[0] + part.shape[1]]
        middle = [
            (part * (x + 0.5)).sum() / part.sum() / 4 - CANVAS_MM[0] / 2,
            CANVAS_MM[1] / 2 - (part * (y + 0.5)).sum() / part.sum() / 4,
        ]
        assert middle == pytest.approx((base.sum(0) + tip) / 3, abs=0.25)


@pytest.mark.parametrize("half_angle", [0.27, 2.0])
def test_a_tips_penumbra_is_its_height_over_the_sine_squared(flat_sheet: Sheet, half_angle: float) -> None:
    # d(h / tan e) = h / sin^2(e) de; an even disc of angular radius R has a standard deviation of R / 2 each way.
    light = LightRecipe("sun", 70.0, 40.0, half_angle, direct=1.0)
    tips = standing_points(flat_sheet, flat_sheet.layout.tabs[0])[2:]
    ends = np.concatenate([cast(tips, ray, 0.0) for ray in disc_rays(light, 400)])
    along = np.array([np.cos(np.deg2rad(70.0)), np.sin(np.deg2rad(70.0))])
    across = np.array([-along[1], along[0]])
    spread = np.deg2rad(half_angle) / 2
    sine = np.sin(np.deg2rad(40.0))
    assert (ends @ along).std() == pytest.approx(HEIGHT_MM * spread / sine**2, rel=0.03)
    assert (ends @ across).std() == pytest.approx(HEIGHT_MM * spread / sine, rel=0.03)


def test_sunlit_paper_and_shaded_paper_differ_by_the_direct_share(flat_sheet: Sheet) -> None:
    light = LightRecipe("sun", 45.0, 35.0, direct=0.75, ambient_rgb=(1.0, 1.0, 1.0))
    lit = light_sheet(flat_sheet, light)[..., 1] / flat_sheet.reflectance[..., 1]
    # A quarter of the way up a tab's shadow, well inside it.
    points = standing_points(flat_sheet, flat_sheet.layout.tabs[0])
    tip = cast(points[2:], disc_rays(light)[0], 0.0)[0]
    inside = points[:2, :2].mean(0) * 0.7 + tip * 0.3
    col, row = int((inside[0] + 114) * 10), int((156 - inside[1]) * 10)
    assert lit[row, col] == pytest.approx(0.25, abs=0.06)  # the tab takes a little of the sky too
    assert lit[row + 300, col] == pytest.approx(1.0, abs=0.03)


def test_a_tabs_shadow_reaches_the_floor_in_the_window(flat_sheet: Sheet) -> None:
    low_sun = LightRecipe("sun", 45.0, 18.0, direct=0.8)
    radiance = np.ones((700, 700, 3), np.float32)
    shaded = shade_floor(radiance, 5.0, flat_sheet, low_sun, -1.0)[..., 1]
    points = standing_points(flat_sheet, flat_sheet.layout.tabs[1])
    tip = cast(points[2:], light_rays(low_sun)[1], -1.0)[0]
    inside = points[:2, :2].mean(0) * 0.25 + tip * 0.75
    assert abs(inside).max() < 62
    col, row = int((inside[0] + 70) * 5), int((70 - inside[1]) * 5)
    assert shaded[row, col] == pytest.approx(0.2, abs=0.05)
    assert shaded[300, 300] == 1.0


def test_true_lights_tell_what_the_recipe_shines() -> None:
    assert true_lights(LightRecipe("overcast")) == ()
    (sun,) = true_lights(LightRecipe("sun", 400.0, 30.0, direct=0.8))
    assert (sun.azimuth_deg, sun.elevation_deg, sun.share, sun.half_angle_deg) == (40.0, 30.0, 0.8, 0.27)
    (torch,) = true_lights(LightRecipe("torch", 10.0, 30.0, distance_mm=400.0))
    assert torch.position_mm is not None
    assert np.linalg.norm(torch.position_mm) == pytest.approx(400.0)
    assert torch.half_angle_deg == pytest.approx(np.rad2deg(np.arctan(4 / 400)))
    (window,) = true_lights(LightRecipe("window", 75.0, 35.0))
    assert window.azimuth_deg == pytest.approx(75.0, abs=0.5)
    assert 25 < window.elevation_deg < 50
    assert 0.4 < window.share < 0.9
    assert 15 < window.half_angle_deg < 45


@pytest.mark.parametrize("kind", ["sun", "lamp", "torch"])
def test_pieces_of_a_light_add_up_to_it(kind: str) -> None:
    light = LightRecipe(kind, 33.0, 41.0, 1.5, direct=0.7)
    rays = disc_rays(light)
    assert len(rays) == DISC_POINTS
    assert sum(r.share for r in rays) == pytest.approx(0.7)
    assert sum(r.share for r in sky_rays(light, 12, 5)) == pytest.approx(0.3)
    mean = np.mean([r.toward(np.zeros(3)) for r in rays], axis=0)
    assert np.rad2deg(np.arctan2(mean[1], mean[0])) == pytest.approx(33.0, abs=0.1)
    assert np.rad2deg(np.arcsin(mean[2] / np.linalg.norm(mean))) == pytest.approx(41.0, abs=0.1)
