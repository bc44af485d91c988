"""What goes wrong in single photos shows in that photo, as the geometry says."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from assessor.card.layout import DICTIONARY
from assessor.simulate.camera import Shutter, ViewRecipe
from assessor.simulate.capture import CaptureRecipe, RenderedCapture, render_capture
from assessor.simulate.files import WIDE_LENS
from assessor.simulate.floors import FloorRecipe, make_floor
from assessor.simulate.light import LightRecipe
from assessor.simulate.sheet import SheetRecipe, make_sheet
from assessor.simulate.slips import Slip, lifted_sheet, moved_floor, slipped_light

RECIPE = CaptureRecipe(
    "slip",
    FloorRecipe("flat", 0.0, px_per_mm=4.0),
    sheet=SheetRecipe(serial=777),
    photos=3,
    size_px=(1200, 900),
    focal_px=870.0,
    seed=5,
)


@pytest.fixture(scope="module")
def capture() -> RenderedCapture:
    """An ultra-wide photo, a zoomed one and a plain one, all with a rolling shutter, shrunk to 1100 px."""
    wide = Slip(0, focal_ratio=0.55, k1=-0.12, k2=0.02, lens_model=WIDE_LENS, distance_mm=220.0)
    recipe = replace(
        RECIPE, rolling_mm=1.0, rolling_deg=0.2, slips=(wide, Slip(1, zoom=2.0, distance_mm=650.0))
    )
    return render_capture(replace(recipe, sensor=replace(recipe.sensor, sent_px=1100)))


def test_cameras_are_those_of_the_delivered_files(capture: RenderedCapture) -> None:
    # Outside check: OpenCV's own detector on the finished file.
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    layout = capture.sheet.layout.fixed_markers()
    for camera, motion, data in zip(capture.cameras, capture.motions, capture.photos.values(), strict=True):
        grey = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert grey.shape == (825, 1100)
        corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(grey)
        found = {int(i): c[0] for c, i in zip(corners, ids.ravel(), strict=True) if int(i) in layout}
        assert len(found) >= 24
        # A zoomed picture shows the middle half of the frame time.
        share = 0.5 if camera is capture.cameras[1] else 1.0
        shutter = Shutter(camera, replace(motion, velocity_mm=motion.velocity_mm * share,
                                          turn_rad=motion.turn_rad * share), 825)  # fmt: skip
        off = [
            c.mean(0) - shutter.project(capture.sheet.true_mm(layout[i].corners_mm())).mean(0)
            for i, c in found.items()
        ]
        assert np.sqrt((np.array(off) ** 2).mean()) < 0.3
    focal = [camera.focal_px / (870.0 * 1100 / 1200) for camera in capture.cameras]
    assert focal == pytest.approx([0.55, 2.0, 1.0], rel=0.005)


def test_exif_tells_lens_and_zoom_of_the_photo_that_has_them(capture: RenderedCapture) -> None:
    tags = []
    for data in capture.photos.values():
        with Image.open(io.BytesIO(data)) as image:
            tags.append(image.getexif().get_ifd(0x8769))
    assert tags[0][0xA434] == WIDE_LENS != tags[2][0xA434]
    assert (tags[0][0xA405], tags[1][0xA405], tags[2][0xA405]) == (14, 50, 25)
    assert 0xA404 in tags[1]
    assert 0xA404 not in tags[2]
    assert float(tags[0][0x920A]) == pytest.approx(0.55 * float(tags[2][0x920A]), abs=0.01)


def test_breathing_leaves_exif_alone_and_exposure_does_not() -> None:
    recipe = replace(RECIPE, photos=3, breathing=0.01, exposure_ev=0.3, slips=(Slip(2, no_exif=True),))
    focal, exposure, white = [], [], []
    rendered = render_capture(recipe)
    for camera, data in zip(rendered.cameras, rendered.photos.values(), strict=True):
        with Image.open(io.BytesIO(data)) as image:
            inner = image.getexif().get_ifd(0x8769)
            if not inner:
                continue
            focal.append((float(inner[0x920A]), inner[0xA405]))
            exposure.append(float(inner[0x829A]))
            x, y = camera.project(np.array([-60.0, 112.0, 0.0])).astype(int)
            part = np.asarray(image.convert("L"))[y - 6 : y + 7, x - 6 : x + 7].mean() / 255
            white.append(((part + 0.055) / 1.055) ** 2.4)
    assert len(focal) == 2  # one lost its EXIF
    assert len(set(focal)) == 1
    assert len({camera.focal_px for camera in rendered.cameras}) == 3
    ratio = np.array(white) / exposure
    assert np.ptp(np.log(exposure)) > 0.02
    assert ratio == pytest.approx(np.full(2, ratio.mean()), rel=0.01)


def test_a_card_that_moves_right_sees_the_floor_move_left() -> None:
    floor = make_floor(FloorRecipe("shot", 0.2, px_per_mm=4.0), np.random.default_rng(0))
    moved = moved_floor(floor, (2.0, -1.0))
    # What lay at (10, 20) in the card frame lies at (8, 21) now; rows count down from the largest y.
    col, row = (10 + 70) * 4, (70 - 20) * 4
    assert moved.height_mm[row - 4, col - 8] == floor.height_mm[row, col]
    assert np.array_equal(moved.albedo_linear[row - 4, col - 8], floor.albedo_linear[row, col])


def test_wind_lifts_one_edge_and_leaves_the_window() -> None:
    sheet = make_sheet(SheetRecipe(cockle_mm=0.0), np.random.default_rng(0))
    lifted = lifted_sheet(sheet, Slip(0, lift_mm=20.0, lift_side=-1))
    assert lifted.z_at(np.array([0.0]), np.array([-148.0]))[0] == pytest.approx(20.0, rel=0.03)
    assert lifted.z_at(np.array([0.0, 0.0]), np.array([-40.0, 148.0])) == pytest.approx([0.0, 0.0])


def test_the_phones_lamp_stands_at_the_phone() -> None:
    view = ViewRecipe(130.0, 15.0, 340.0)
    light = slipped_light(LightRecipe("overcast"), Slip(0, phone_light=0.7), view)
    assert (light.kind, light.direct) == ("torch", 0.7)
    flat = 340 * np.sin(np.deg2rad(15))
    place = np.deg2rad(130.0)
    expected = (flat * np.cos(place), flat * np.sin(place), 340 * np.cos(np.deg2rad(15)))
    assert light.lamp_mm == pytest.approx(expected)
    other = LightRecipe("sun", 10.0)
    assert slipped_light(LightRecipe("sun", 60.0), Slip(0, light=other), view) == other
