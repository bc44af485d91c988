"""Torch captures: what the photos hold and tell, their truth, and the plans that the sets are made of."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from assessor.card.decode import decode_photo
from assessor.errors import AssessorError
from assessor.simulate.capture import CaptureRecipe, RenderedCapture, plan_shots, render_capture
from assessor.simulate.catalogue import shrink_recipe
from assessor.simulate.floors import FloorRecipe, make_floor
from assessor.simulate.light import ROOMS, LightRecipe
from assessor.simulate.sensor import SensorRecipe
from assessor.simulate.torch_catalogue import (
    FUSED_FAULTS,
    TORCH_FAULTS,
    TORCH_LEVELS_MM,
    TORCH_SPOILED,
    plan_fused,
    plan_torch,
    plan_torch_spoiled,
)
from assessor.simulate.torchlight import TorchRecipe
from assessor.simulate.truth import (
    SIGMA_PER_CUTOFF,
    TORCH_BANDS_MM,
    evaluation_heights,
    fine_band,
    truth_rows,
)

PLAIN = SensorRecipe(psf_px=0.5, snr_db=50.0, sharpen=0.0, vignette=0.0, quality=95)
RECIPE = shrink_recipe(
    CaptureRecipe(
        "t", FloorRecipe("flush", 0.05, band_mm=(0.5, 8.0), sealed=0.2), photos=0, seed=4, sensor=PLAIN,
        light=LightRecipe("window", 40.0, 30.0), torch=TorchRecipe(lights=2, share=0.6),
    )
)  # fmt: skip


@pytest.fixture(scope="module")
def capture() -> RenderedCapture:
    return render_capture(RECIPE)


def _linear(data: bytes) -> np.ndarray:
    encoded = decode_photo(data, "x.jpg").rgb_u8.astype(float) / 255
    return np.asarray(np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4))


def test_the_last_photo_is_dark_and_the_exposure_locked(capture: RenderedCapture) -> None:
    assert [light.kind for light in capture.lights] == ["torch", "torch", "window"]
    exifs = [decode_photo(data, name).exif for name, data in capture.photos.items()]
    assert len({exif.exposure_s for exif in exifs}) == 1
    assert exifs[0].exposure_s is not None
    assert [exif.flash_fired for exif in exifs] == [False] * 3
    times = [datetime.fromisoformat(exif.taken_at or "") for exif in exifs]
    assert all(4 <= (b - a).total_seconds() <= 11 for a, b in pairwise(times))
    levels = [float(np.median(_linear(data)[..., 1])) for data in capture.photos.values()]
    assert levels[2] < 0.75 * min(levels[:2])


def test_what_a_torch_adds_has_the_share_that_the_recipe_asks_for(capture: RenderedCapture) -> None:
    shares = [light.direct for light in capture.lights[:2]]
    parts = [share / (1 - share) for share in shares]  # torch over room
    assert np.mean(parts) / (1 + np.mean(parts)) == pytest.approx(0.6)
    # Median of the window over that of the dark photo: 1 / (1 - share) where the light is that of the middle.
    windows = []
    for camera, data in zip(capture.cameras, capture.photos.values(), strict=True):
        x, y = camera.project(np.array([0.0, 0.0, -1.0]))
        windows.append(_linear(data)[int(y) - 90 : int(y) + 90, int(x) - 90 : int(x) + 90, 1].mean())
    for window, share in zip(windows, shares, strict=False):
        assert window / windows[2] == pytest.approx(1 / (1 - share), rel=0.12)


def test_the_same_recipe_gives_the_same_bytes() -> None:
    small = replace(
        RECIPE,
        torch=replace(RECIPE.torch or TorchRecipe(), dark=False),
        floor=FloorRecipe("flat", px_per_mm=6),
    )
    one, other = render_capture(small), render_capture(small)
    assert one.photos == other.photos
    assert len(one.photos) == 2


def test_the_hand_moves_a_little_between_photos() -> None:
    recipe = replace(RECIPE, torch=TorchRecipe(lights=16))
    views = [view for view, _ in plan_shots(recipe, np.random.default_rng(0))]
    assert len(views) == 17
    aims = np.array([view.aim_mm for view in views])
    assert 0.5 < aims.std(0).mean() < 5.0
    assert 0.3 < np.std([view.roll_deg for view in views]) < 2.0
    assert max(view.tilt_deg for view in views) < 10.0
    assert all(300 < view.distance_mm < 420 for view in views)


def test_an_unlocked_exposure_and_balance_are_told_or_seen() -> None:
    recipe = replace(RECIPE, torch=TorchRecipe(lights=4, share=0.5, locked=False, white_held=False))
    slips = [slip for _, slip in plan_shots(recipe, np.random.default_rng(0))]
    raws = [(slip.exposure or 0.0) * slip.brightness for slip in slips]
    assert all(0.45 < raw < 0.56 for raw in raws)  # each photo as bright as the other
    assert slips[-1].exposure > 1.5 * slips[0].exposure  # type: ignore[operator]
    assert slips[0].white_rgb != slips[-1].white_rgb


def test_angles_photos_of_a_fused_capture_are_what_they_are_without_a_torch() -> None:
    alone = replace(RECIPE, photos=4, torch=None)
    both = replace(RECIPE, photos=4)
    assert (alone.kind, both.kind, RECIPE.kind) == ("angles", "fused", "torch")
    shots = plan_shots(both, np.random.default_rng(1))
    assert shots[:4] == plan_shots(alone, np.random.default_rng(1))
    assert [slip.photo for _, slip in shots] == list(range(7))
    # One camera: what exposures tell of the room's brightness agrees between the two parts.
    assert shots[-1][1].brightness == 1.0


def test_impossible_torches_are_refused() -> None:
    with pytest.raises(ValueError, match="a torch capture has 2 to 16 lights, not 1"):
        TorchRecipe(lights=1)
    with pytest.raises(ValueError, match="the torch's share of the light lies between 0 and 1, not 1"):
        TorchRecipe(share=1.0)


def test_flush_stones_are_colour_without_height() -> None:
    floor = make_floor(
        FloorRecipe("flush", 0.05, band_mm=(0.5, 8.0), px_per_mm=8.0, contrast=0.3), np.random.default_rng(2)
    )
    stone = floor.stones.labels > 0
    assert 0.2 < stone.mean() < 0.55
    paste = np.median(floor.albedo_linear[~stone][:, 1])
    low, high = np.percentile(floor.albedo_linear[stone][:, 1] / paste, (5, 95))
    assert low < 0.45 < 1.5 < high
    assert abs(floor.height_mm[stone].mean() - floor.height_mm[~stone].mean()) < 0.2 * floor.height_mm.std()


def test_sealed_patches_shine_on_part_of_the_floor() -> None:
    recipe = FloorRecipe("flat", px_per_mm=6.0, sealed=0.25, gloss=1.2)
    floor = make_floor(recipe, np.random.default_rng(3))
    assert floor.gloss is not None
    assert floor.gloss.max() == pytest.approx(1.2)
    assert (floor.gloss > 0.6).mean() == pytest.approx(0.25, abs=0.03)


def test_truth_rows_of_a_torch_capture(capture: RenderedCapture) -> None:
    rows = truth_rows(capture.floor, "torch")
    assert replace(capture, recipe=replace(capture.recipe, torch=TorchRecipe(lights=6))).truth() == rows
    found = {(row.quantity, row.band_short_mm, row.band_long_mm): row for row in rows}
    assert {(q, *band) for q in ("Sq", "Sa", "Sdq") for band in TORCH_BANDS_MM} <= set(found)
    assert found[("Sq", 0.5, 8.0)].value == pytest.approx(0.05, rel=0.02)
    assert found[("Sdq", 0.5, 8.0)].unit == "1"
    assert not [row for row in rows if row.quantity == "MPD"]
    fused = replace(capture, recipe=replace(capture.recipe, photos=4)).truth()
    assert [row.quantity for row in fused if row not in rows] == ["MPD"]


def test_two_lights_are_a_pair_and_held_against_what_is_estimated(capture: RenderedCapture) -> None:
    rows = {row.quantity: row for row in capture.truth()}
    assert set(rows) == {"Sq", "grade"}
    assert (rows["Sq"].band_short_mm, rows["Sq"].band_long_mm) == (0.8, 25.0)
    assert 0.04 < rows["Sq"].value < 0.1  # 0.05 in 0.5-8 mm, and the waves above


def test_the_fine_band_is_that_of_plain_convolution() -> None:
    # scipy's Gaussian filter with reflecting ends is the definition; a cosine's gradient is known.
    field = np.random.default_rng(1).standard_normal((300, 300))
    field = gaussian_filter(field, 1.5)
    band, _ = fine_band(field, 10.0, 0.5, 8.0)
    smooth = gaussian_filter(field, SIGMA_PER_CUTOFF * 0.5 * 10, truncate=8)
    wanted = smooth - gaussian_filter(smooth, SIGMA_PER_CUTOFF * 8.0 * 10, truncate=8)
    assert np.allclose(band, wanted, atol=2e-3 * wanted.std())
    at = (np.arange(1000) + 0.5) / 10
    wave = np.broadcast_to(np.cos(2 * np.pi * at / 2.0), (1000, 1000))
    amplitude = np.exp(-np.log(2) * (0.5 / 2.0) ** 2) * (1 - np.exp(-np.log(2) * (8.0 / 2.0) ** 2))
    band, slope = fine_band(wave, 10.0, 0.5, 8.0)
    assert band.std() == pytest.approx(amplitude / np.sqrt(2), rel=1e-3)
    assert slope == pytest.approx(np.pi * amplitude / np.sqrt(2), rel=1e-3)


@pytest.mark.parametrize("process", ["ground", "shot", "flush", "fractal"])
def test_planned_floors_have_waves_down_to_three_tenths(process: str) -> None:
    plan = next(p for p in plan_torch(12, 1) if p.recipe.floor.process == process)
    area = evaluation_heights(make_floor(plan.recipe.floor, np.random.default_rng(1)))
    spectrum = np.abs(np.fft.rfft2(area * np.outer(*[np.hanning(len(area))] * 2))) ** 2
    per_mm = np.hypot(np.fft.fftfreq(len(area), 0.05)[:, None], np.fft.rfftfreq(len(area), 0.05))
    power = {wave: spectrum[(per_mm > 0.9 / wave) & (per_mm < 1.1 / wave)].mean() for wave in (0.3, 0.6, 1.2)}
    # Rougher surfaces than q^-5 in power have slopes that fine waves still matter for.
    assert power[0.3] > power[1.2] * (0.3 / 1.2) ** 5
    assert power[0.6] > power[1.2] * (0.6 / 1.2) ** 5


def test_plans_cover_processes_levels_faults_and_lights(tmp_path: Path) -> None:
    plans = plan_torch(210, 3, data_dir=tmp_path)
    assert {p.recipe.floor.process for p in plans} == set(TORCH_LEVELS_MM)
    assert set(Counter(p.fault for p in plans)) == set(TORCH_FAULTS)
    lights = Counter(p.recipe.torch.lights for p in plans if p.recipe.torch)
    assert set(lights) == {4, 6, 8}
    assert min(lights[4], lights[8]) > 70
    assert {p.recipe.light.kind for p in plans} == set(ROOMS)
    for plan in plans:
        torch, sensor = plan.recipe.torch, plan.recipe.sensor
        assert torch is not None
        assert plan.recipe.kind == "torch"
        assert 0.4 <= torch.share <= 0.95
        assert sensor.local == 0
        assert 0 <= sensor.s_curve <= 0.35
        assert 0 <= sensor.lift_ev <= 0.3
        assert 0.01 <= plan.recipe.floor.sq_mm <= 0.5
        assert not plan.expected
    assert plan_torch(60, 3, data_dir=tmp_path)[:20] == plan_torch(20, 3, data_dir=tmp_path)


def test_coarse_floors_are_lit_from_higher_up() -> None:
    for plan in plan_torch(100, 2):
        torch = plan.recipe.torch
        assert torch is not None
        if plan.recipe.floor.sq_mm > 0.2:
            assert torch.elevation_deg == (30.0, 40.0)
        if plan.recipe.floor.sq_mm < 0.05:
            assert torch.elevation_deg == (18.0, 30.0)


def test_fused_plans_have_both_kinds() -> None:
    plans = plan_fused(40, 2)
    assert {p.recipe.kind for p in plans} == {"fused"}
    assert {p.fault for p in plans} == set(FUSED_FAULTS)
    assert all(p.recipe.photos == 4 and p.recipe.floor.band_mm == (2.5, 25.0) for p in plans)


def _codes(kind: type[AssessorError]) -> set[str]:
    return {kind.code}.union(*(_codes(below) for below in kind.__subclasses__()))


def test_spoiled_torch_captures_name_real_errors() -> None:
    plans = plan_torch_spoiled(5 * len(TORCH_SPOILED), 1)
    assert Counter(p.fault for p in plans) == dict.fromkeys(TORCH_SPOILED, 5)
    assert {code for p in plans for code in p.expected} <= _codes(AssessorError)
    by = {p.fault: p.recipe for p in plans}
    assert 0.15 <= by["relit"].sensor.local <= 0.25
    assert by["weak"].torch is not None
    assert by["weak"].torch.share <= 0.25
    assert by["one-side"].torch is not None
    assert by["one-side"].torch.arc_deg < 90
    assert not by["tabs-down"].sheet.tabs_up


def test_a_flat_floor_has_no_texture_at_all() -> None:
    recipe = FloorRecipe("flat", px_per_mm=4.0)
    floor = make_floor(recipe, np.random.default_rng(1))
    assert {row.value for row in truth_rows(floor, "torch")} == {0.0}
