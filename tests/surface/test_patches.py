"""Patches from a segmentation made by hand: outlines, contrast, shadows that move, what is never said."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from assessor.surface.gloss import gloss_between
from assessor.surface.outline import distance_to, regions
from assessor.surface.patches import find_patches, joined, without_shadow
from assessor.surface.segment import channels, load_segmenter, resample, segment
from assessor.values import PATCH_KINDS, FloatArray, FloorImage, Segments

N, D = 224, 2.0  # samples a side and per mm, as the packaged network has them


def disc(x_mm: float, y_mm: float, radius_mm: float) -> FloatArray:
    at = (np.arange(N) + 0.5) / D - N / D / 2
    x, y = np.meshgrid(at, -at)
    return np.asarray(np.clip((radius_mm - np.hypot(x - x_mm, y - y_mm)) * D + 0.5, 0, 1), np.float32)


def floor(reflectance: FloatArray, *, flat: bool = False, name: str = "photo.jpg") -> FloorImage:
    rgb = np.repeat(np.asarray(reflectance, np.float32)[..., None], 3, 2)
    return FloorImage(name, rgb, np.ones((N, N), bool), D, -N / D / 2, N / D / 2, flat)


def segments(mask: FloatArray, kind: str, sure: float = 0.95) -> Segments:
    kinds = np.full((len(PATCH_KINDS) + 1, N, N), 0.002, np.float32)
    kinds[1 + PATCH_KINDS.index(kind)] += sure * mask  # type: ignore[arg-type]
    kinds[0] = 1 - kinds[1:].sum(0)
    return Segments(kinds, None, None, None, D, -N / D / 2, N / D / 2, "by hand")


def grain(seed: int = 1) -> FloatArray:
    rng = np.random.default_rng(seed)
    return np.asarray(0.3 * np.exp(0.03 * rng.normal(size=(N, N))), np.float32)


def test_a_disc_has_the_area_contrast_and_distance_it_was_made_with() -> None:
    mask = disc(20, -10, 12)
    image = floor(grain() * np.exp(-0.5 * mask))
    found = find_patches([image], segments=[segments(mask, "oil")]).found
    assert len(found) == 1
    patch = found[0]
    assert patch.area_mm2 == pytest.approx(math.pi * 144, rel=0.03)
    assert abs(cv2.contourArea(np.asarray(patch.outline_mm, np.float32))) == pytest.approx(
        math.pi * 144, rel=0.06
    )
    assert patch.centre_mm == pytest.approx((20, -10), abs=0.6)
    assert patch.contrast == pytest.approx(-0.5, abs=0.02)
    assert abs(patch.contrast + 0.5) < 3 * patch.u_contrast + 0.01
    assert patch.distance_mm == pytest.approx(math.hypot(20, 10) - 12, abs=0.5)
    assert patch.kind == "oil" and patch.look == "dark" and patch.sure
    assert sum(patch.probabilities) == pytest.approx(1)


def test_light_patches_are_listed_like_dark_ones() -> None:
    mask = disc(0, 0, 12)
    found = find_patches([floor(grain() * np.exp(0.4 * mask))], segments=[segments(mask, "dust")]).found
    assert [patch.look for patch in found] == ["light"]


def test_a_shadow_in_one_of_two_photos_is_no_stain_and_a_stain_in_both_stays() -> None:
    shade, stain = disc(-25, 0, 12), disc(25, 0, 12)
    both = np.maximum(shade, stain)
    image = floor(grain())
    wrong = segments(both, "oil", 0.8)  # the first photo takes the shadow for oil
    right = segments(stain, "oil", 0.8)
    found = find_patches([image, image], segments=[wrong, right], light_moved=True).found
    assert len(found) == 1 and found[0].centre_mm[0] > 0
    alone = find_patches([image], segments=[wrong]).found
    assert len(alone) == 2


def test_a_shadow_that_stays_while_the_light_moves_is_less_of_a_shadow() -> None:
    kinds = segments(disc(0, 0, 12), "shadow", 0.7).kinds
    still = joined([kinds, kinds], light_moved=False)
    moved = joined([kinds, kinds], light_moved=True)
    place = 1 + PATCH_KINDS.index("shadow")
    assert moved[place].max() < 0.5 * still[place].max()
    np.testing.assert_allclose(moved.sum(0), 1, atol=1e-5)


def test_albedo_of_a_torch_has_no_shadows() -> None:
    shade = segments(disc(0, 0, 12), "shadow")
    assert not find_patches([floor(grain(), flat=True)], segments=[shade]).found
    assert find_patches([floor(grain())], segments=[shade]).found
    assert without_shadow(shade.kinds)[1 + PATCH_KINDS.index("shadow")].max() == 0


def test_a_shadow_that_touches_a_stain_is_cut_off_it() -> None:
    stain, shade = disc(-12, 0, 13), disc(12, 0, 13)
    one, two = segments(stain, "oil").kinds, segments(np.where(stain > 0, 0, shade), "shadow").kinds
    mixed = np.where(stain > 0.5, one, two)
    seen = replace(segments(stain, "oil"), kinds=np.asarray(mixed))
    found = find_patches([floor(grain())], segments=[seen]).found
    assert sorted(patch.kind for patch in found) == ["oil", "shadow"]


def test_a_kind_that_is_not_clear_is_unknown() -> None:
    mask = disc(0, 0, 12)
    a, b, c = (segments(mask, kind, 0.3).kinds for kind in ("oil", "damp", "rubber"))
    mixed = np.concatenate([1 - 0.9 * mask[None], (a + b + c)[1:]])
    seen = replace(segments(mask, "oil"), kinds=np.asarray(mixed, np.float32))
    found = find_patches([floor(grain() * np.exp(-0.4 * mask))], segments=[seen]).found
    assert [patch.kind for patch in found] == ["unknown"]


def test_specks_below_the_limit_are_not_listed() -> None:
    assert not find_patches([floor(grain())], segments=[segments(disc(0, 0, 2), "oil")]).found


def test_gloss_is_never_judged_from_one_photo() -> None:
    patches = find_patches([floor(grain())], segments=[segments(disc(0, 0, 12), "oil")], gloss_why="why")
    assert patches.gloss == "cannot-tell" and patches.gloss_why == "why"


def test_a_film_that_only_shines_is_listed_and_one_that_does_not_is_not() -> None:
    mask = disc(10, 10, 14)
    base, bare = floor(grain(1)), segments(0 * mask, "oil")
    low = floor(grain(2) * np.exp(0.5 * mask), name="low.jpg")
    found = find_patches([base], segments=[bare], gloss=gloss_between([base], [low])).found
    assert len(found) == 1 and found[0].look == "glossy" and found[0].kind == "coating"
    assert found[0].area_mm2 == pytest.approx(math.pi * 196, rel=0.25)
    dull = find_patches([base], segments=[bare], gloss=gloss_between([base], [floor(grain(3))]))
    assert dull.gloss == "judged" and not dull.found


def test_shine_among_sides_moves_and_colour_does_not() -> None:
    mask, colour = disc(-15, 5, 12), np.exp(-0.6 * disc(25, -20, 12))
    sides = [floor(grain(k) * colour * np.exp((0.4 if k == 2 else 0.0) * mask)) for k in range(4)]
    gloss = gloss_between(sides, [])
    assert gloss is not None and len(gloss.regions) == 1
    assert gloss.excess[round(N / 2 - 5 * D), round(N / 2 - 15 * D)] > 0.3
    assert gloss_between(sides[:2], []) is None


def test_a_window_that_shines_all_over_is_said() -> None:
    base = floor(grain(1))
    gloss = gloss_between([base], [floor(2.0 * grain(2))])
    assert gloss is not None and gloss.all_over and not gloss.regions
    patches = find_patches([base], segments=[segments(disc(0, 0, 0.1), "oil")], gloss=gloss)
    assert patches.flags == ("floor-shines",)


def test_regions_leave_other_patches_out_of_the_ring() -> None:
    one, two = disc(-15, 0, 10), disc(11, 0, 10)
    chance = np.maximum(one, two)
    found = regions(chance, chance > 0.3, D, seed=0.5, grow=0.5, least_mm2=50)
    assert len(found) == 2
    for part in found:
        assert part.of(chance)[part.ring].max() <= 0.3


def test_distance_is_zero_inside_and_to_the_nearest_centre() -> None:
    square = np.array([[0.0, 0], [10, 0], [10, 10], [0, 10]])
    assert distance_to(square, np.array([[5.0, 5.0], [100, 100]])) == 0
    assert distance_to(square, np.array([[-30.0, 5.0], [14.0, 13.0]])) == pytest.approx(5)


def test_the_packaged_network_runs_on_any_size_and_scale_and_in_tiles() -> None:
    rng = np.random.default_rng(3)
    image = FloorImage(
        "x", rng.uniform(0.2, 0.3, (500, 300, 3)).astype(np.float32), np.ones((500, 300), bool), 4.0, 0, 125
    )
    seen = segment(image, "window-surface")
    assert seen.kinds.shape == (11, 250, 150) and seen.px_per_mm == 2.0
    np.testing.assert_allclose(seen.kinds.sum(0), 1, atol=1e-4)
    large = segment(resample(image, 8.0), "overview-surface")
    assert large.visible is None and large.y_max_mm == 125


def test_tiles_are_joined_without_seams(monkeypatch: pytest.MonkeyPatch) -> None:
    image = floor(np.tile(grain(), (1, 1)))
    whole = segment(image, "window-surface").kinds
    monkeypatch.setattr("assessor.surface.segment.TILE", 160)
    parts = segment(image, "window-surface").kinds
    assert np.abs(parts - whole)[:, 20:-20, 20:-20].mean() < 0.02


def test_channels_are_relative_and_absolute() -> None:
    log_rgb = np.log(np.full((16, 16, 3), 0.3, np.float32))
    made = channels(log_rgb)
    assert np.abs(made[:3]).max() == 0 and made[3, 0, 0] == pytest.approx(math.log(0.3) + 1.2, abs=1e-6)
    assert load_segmenter("window-surface").title.startswith("window-surface ")
