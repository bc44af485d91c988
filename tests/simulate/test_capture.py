"""A whole rendered capture: protocol, repeatability, and what the card shows in the finished JPEG."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from assessor.card.layout import DICTIONARY
from assessor.simulate.capture import CaptureRecipe, RenderedCapture, plan_views, render_capture
from assessor.simulate.catalogue import LEVELS_MM, LIGHTS, plan_set
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import LightRecipe
from assessor.simulate.sheet import SheetRecipe

RECIPE = CaptureRecipe(
    "demo",
    FloorRecipe("shot", 0.1, px_per_mm=5.0),
    LightRecipe("sun", 60.0, 40.0),
    SheetRecipe(serial=777, scale_x=0.985, scale_y=0.99),
    photos=2,
    size_px=(1600, 1200),
    focal_px=1160.0,
    seed=11,
)


@pytest.fixture(scope="module")
def capture() -> RenderedCapture:
    return render_capture(RECIPE)


def test_views_come_from_all_four_sides() -> None:
    views = plan_views(replace(RECIPE, photos=4), np.random.default_rng(3))
    sides = [round(v.azimuth_deg / 90) % 4 for v in views]
    assert sorted(sides) == [0, 1, 2, 3]
    assert all(12 <= v.tilt_deg <= 18 and 300 <= v.distance_mm <= 420 for v in views)
    assert len({v.focal_px for v in views}) == 4


def test_card_corners_of_the_jpeg_agree_with_the_camera(capture: RenderedCapture) -> None:
    # Outside check: OpenCV's detector on the finished file. On tone-mapped bytes its corners shrink by some
    # tenths of a pixel (study part 1, section 2), which the mean over each marker cancels.
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    layout = capture.sheet.layout.fixed_markers()
    for camera, data in zip(capture.cameras, capture.photos.values(), strict=True):
        grey = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
        corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(grey)
        found = {int(i): c[0] for c, i in zip(corners, ids.ravel(), strict=True)}
        shared = set(found) & set(layout)
        assert len(shared) >= 28
        middles = [
            found[i].mean(0) - camera.project(capture.sheet.true_mm(layout[i].corners_mm())).mean(0)
            for i in shared
        ]
        assert np.sqrt((np.array(middles) ** 2).mean()) < 0.3


def test_the_serial_can_be_read_off_the_photo(capture: RenderedCapture) -> None:
    data = next(iter(capture.photos.values()))
    grey = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary, cv2.aruco.DetectorParameters()).detectMarkers(grey)
    high, low = divmod(777, 256)
    assert {300 + high, 300 + low} <= set(ids.ravel().tolist())


def test_tabs_stand_where_they_are_drawn(capture: RenderedCapture) -> None:
    """Seen from two sides, the same tip lies apart by what 14 mm of height make at 15 degrees."""
    tab = capture.sheet.layout.tabs[0]
    flat = np.array([*tab.tip_mm[:2], 0.0])
    for camera, data in zip(capture.cameras, capture.photos.values(), strict=True):
        assert np.linalg.norm(camera.project(np.array(tab.tip_mm)) - camera.project(flat)) > 10
        image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
        base = np.array(tab.base_mm).mean(0)
        col, row = camera.project(np.array([base[0] * 0.985, base[1] * 0.99, 6.0])).astype(int)
        sheet_col, sheet_row = camera.project(np.array([-60.0, 112.0, 0.0])).astype(int)
        # The tab is plain paper, upright: never as dark as ink nor brighter than sunlit sheet by half.
        assert 60 < image[row, col] < 1.25 * float(image[sheet_row, sheet_col])


def test_same_recipe_same_bytes_and_honest_labels(capture: RenderedCapture) -> None:
    again = render_capture(RECIPE)
    assert list(again.photos) == ["demo-1.jpg", "demo-2.jpg"]
    assert again.photos == capture.photos
    assert b"Rendered" in capture.photos["demo-1.jpg"][:400]
    truth = {row.quantity: row.value for row in capture.truth() if row.band_short_mm == 2.5}
    assert truth["Sq"] == pytest.approx(0.1, rel=0.01)


def test_the_check_set_spans_processes_levels_and_lights(tmp_path_factory: pytest.TempPathFactory) -> None:
    (tmp_path_factory.mktemp("data") / "concrete_albedo").mkdir()
    data = tmp_path_factory.getbasetemp() / "data0"
    plans = plan_set(200, seed=5, data_dir=data)
    assert plans == plan_set(200, seed=5, data_dir=data)
    assert plans != plan_set(200, seed=6, data_dir=data)
    seen = {(p.recipe.floor.process, p.recipe.light.kind) for p in plans}
    assert seen == {(process, light) for process in LEVELS_MM for light in LIGHTS}
    assert all(0.02 <= p.recipe.floor.sq_mm <= 1.4 for p in plans)
    along = np.array([p.measured_bars_mm[0] / (250 * p.recipe.sheet.scale_y) for p in plans])
    assert np.abs(along - 1).max() < 0.004
    assert 0.0003 < along.std() < 0.0015
    scales = np.array([p.recipe.sheet.scale_x for p in plans])
    assert 0.96 < scales.min() < 0.97
    assert 1.01 < scales.max() < 1.02
