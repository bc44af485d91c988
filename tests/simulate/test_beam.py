"""A torch's light: the inverse square and the cosine, its beam, and that sheet, floor and tabs get the same of it."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.simulate.beam import Beam
from assessor.simulate.light import LightRecipe, disc_rays, light_floor, light_rays, sky_seen, true_lights
from assessor.simulate.scene import build_torch_scene
from assessor.simulate.sheet import CANVAS_MM, CANVAS_PX_PER_MM, SheetRecipe, make_sheet
from tests.simulate.conftest import PX_PER_MM, floor_of

N = round(140 * PX_PER_MM)
ROOM = LightRecipe("ceiling", 70.0, 65.0, ambient_rgb=(1.0, 1.0, 1.0))
BEAM = Beam(aim_mm=(12.0, -20.0), power=3.0, ring=0.1, spot=0.2, turn_deg=30.0)
TORCH = LightRecipe(
    "torch", 35.0, 24.0, direct=0.7, distance_mm=380.0, ambient_rgb=(1.0, 1.0, 1.0), bounce=0.0, beam=BEAM, room=ROOM
)  # fmt: skip


def _points() -> np.ndarray:
    x, y = np.meshgrid([-50.0, -5.0, 40.0], [-45.0, 10.0, 55.0])
    return np.stack([x, y, np.full_like(x, -1.0)], -1)


def test_a_plain_cosine_power_falls_off_with_the_angle_from_the_axis() -> None:
    # cos^n of the angle between the axis and the line to a point: written out by hand for points of one plane.
    beam, lamp = Beam(power=2.7), (300.0, 0.0, 150.0)
    assert beam.gain(lamp, np.zeros(3)) == pytest.approx(1.0)
    for x in (-60.0, 80.0, 200.0):
        angle = abs(np.arctan2(150.0, 300.0) - np.arctan2(150.0, 300.0 - x))
        assert beam.gain(lamp, np.array([x, 0.0, 0.0])) == pytest.approx(np.cos(angle) ** 2.7)


def test_ring_and_spot_are_fixed_in_the_torchs_own_frame() -> None:
    lamp, aimed = (300.0, 0.0, 150.0), {"power": 0.0, "ring": 0.0, "spot": 0.5, "spot_deg": 8.0}
    side = np.array([0.0, 47.0, 0.0])  # 8 degrees beside the axis, as the torch sees it
    right = Beam(turn_deg=0.0, **aimed).gain(lamp, np.stack([side, -side]))
    left = Beam(turn_deg=180.0, **aimed).gain(lamp, np.stack([side, -side]))
    assert np.allclose(right, left[::-1])
    assert max(right) == pytest.approx(1.5, abs=0.01)
    # Aimed elsewhere, the same angles give the same light.
    ring = Beam(aim_mm=(0.0, 40.0), power=0.0, ring=0.3, ring_deg=10.0)
    off = np.array([0.0, 40.0, 0.0])
    axis = off - np.array(lamp)
    turned = np.array(lamp) + np.linalg.norm(axis) * (
        np.cos(np.deg2rad(10)) * axis / np.linalg.norm(axis)
        + np.sin(np.deg2rad(10)) * np.cross(axis, [0, 0, 1]) / np.linalg.norm(np.cross(axis, [0, 0, 1]))
    )
    assert ring.gain(lamp, turned) == pytest.approx(1.3)
    assert ring.gain(lamp, off) == pytest.approx(1.0 + 0.3 * 2.0 ** -((10 / 6) ** 2))


def test_a_floor_gets_inverse_square_cosine_and_beam() -> None:
    # E = I cos(i) / r^2 (Lambert 1760), I as the beam has it; 1 at the window's centre.
    lit = light_floor(
        np.full((N, N), -1.0, np.float32), np.ones((N, N, 3), np.float32), PX_PER_MM,
        LightRecipe(**{**_fields(TORCH), "direct": 1.0}), window_half_mm=60.0,
    )[..., 1]  # fmt: skip
    lamp = np.array(TORCH.lamp_mm)
    for point in _points().reshape(-1, 3):
        line = lamp - point
        square, zero = float(line @ line), np.zeros(3)
        expected = (line[2] / lamp[2]) * (380.0**2 / square) ** 1.5
        expected *= BEAM.gain(TORCH.lamp_mm, point) / BEAM.gain(TORCH.lamp_mm, zero)
        row, col = int((70 - point[1]) * PX_PER_MM), int((point[0] + 70) * PX_PER_MM)
        assert lit[row, col] == pytest.approx(expected, rel=0.006)


def _fields(light: LightRecipe) -> dict[str, object]:
    return {name: getattr(light, name) for name in LightRecipe.__dataclass_fields__}


def test_sheet_and_floor_get_the_same_light() -> None:
    floor = floor_of(np.zeros((N, N), np.float32), 0.85)
    recipe = SheetRecipe(cockle_mm=0.0, paper_white=0.85, tabs_up=False, ink_spread_mm=0.0)
    sheet = make_sheet(recipe, np.random.default_rng(1))
    alone = LightRecipe(**{**_fields(TORCH), "direct": 1.0})
    parts = [
        light_floor(floor.height_mm, floor.albedo_linear, PX_PER_MM, light, window_half_mm=60.0)
        for light in (alone, LightRecipe(**{**_fields(ROOM), "bounce": 0.0}))
    ]
    scene = build_torch_scene(floor, sheet, parts[0], parts[1], TORCH)
    for x, y in ((-64.5, 10.0), (64.5, -30.0)):  # white paper beside the window, and the floor just inside it
        inward = x - np.sign(x) * 6.0
        row, col = (
            int((CANVAS_MM[1] / 2 - y) * CANVAS_PX_PER_MM),
            int((x + CANVAS_MM[0] / 2) * CANVAS_PX_PER_MM),
        )
        paper = float(np.median(scene.sheet_radiance[row - 8 : row + 8, col - 4 : col + 4, 1]))
        at_row = int((70 - y) * PX_PER_MM)
        inside, deep = (
            float(scene.floor.radiance[at_row, int((at + 70) * PX_PER_MM), 1])
            for at in (inward, 2 * inward - x)
        )
        assert paper == pytest.approx(2 * inside - deep, rel=0.015)


def test_every_piece_of_the_disc_carries_the_beam() -> None:
    points = _points()
    (whole,) = (ray for ray in light_rays(TORCH) if ray.direct)
    pieces = disc_rays(TORCH)
    assert all(piece.beam == BEAM for piece in pieces)
    assert sum(piece.strength(points) for piece in pieces) == pytest.approx(whole.strength(points), rel=0.002)


def test_a_torch_has_its_rooms_sky_and_its_own_direction() -> None:
    sky = [ray for ray in light_rays(TORCH) if not ray.direct]
    alone = light_rays(ROOM)
    assert [ray.share for ray in sky] == pytest.approx([0.3 * ray.share for ray in alone])
    (true,) = true_lights(TORCH)
    assert (true.azimuth_deg, true.elevation_deg, true.share) == (35.0, 24.0, 0.7)
    with pytest.raises(
        ValueError, match="a torch's room must be one of overcast, window, ceiling, not 'sun'"
    ):
        light_rays(LightRecipe("torch", room=LightRecipe("sun")))


def test_light_between_flanks_needs_the_sky_that_they_hide() -> None:
    at = np.arange(N) / PX_PER_MM
    ridges = np.broadcast_to(-2.0 + 1.0 * np.sin(2 * np.pi * at / 5.0), (N, N)).astype(np.float32)
    seen = sky_seen(ridges, PX_PER_MM, window_half_mm=60.0)
    middle = seen[N // 3 : -N // 3, N // 3 : -N // 3]
    assert 0.5 < middle.min() < 0.9 < middle.max() <= 1.0
    albedo, how = np.full((N, N, 3), 0.5, np.float32), {"window_half_mm": 60.0}
    alone = LightRecipe(**{**_fields(TORCH), "direct": 1.0, "bounce": 0.8})
    dark = light_floor(ridges, albedo, PX_PER_MM, alone, **how)
    lit = light_floor(ridges, albedo, PX_PER_MM, alone, open_sky=seen, **how)
    assert (lit >= dark).all()
    assert float((lit - dark)[N // 2, N // 2 - 50 : N // 2 + 50].max()) > 0.005
