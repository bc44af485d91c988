"""Heights in the window from several photos of it (capture kind `angles`).

A surface point at height h above the card plane moves, in a photo rectified to that plane, by
h (x - C_xy) / (C_z - h), away from the camera's foot when raised. So for every point of the window we look for the
height at which all photos agree, in two steps (study.md part 1 compared nine methods; this pair won):

1. plane sweep (Collins 1996) at 0.4 mm spacing: the height with the highest mean correlation of all pairs of views
   in a small window, supported along rows and columns, to sub-step by a parabola; repeated around itself, with
   windows that lean with the surface, where flanks are steep;
2. Lucas-Kanade in height space (Lucas & Kanade 1981, along the height line): all views are resampled with the present
   heights and the height change that removes their differences is solved in a Gaussian window. Repeating this is a
   Landweber iteration: what the window smooths away comes back. No smoothness prior is used: it would flatten
   texture. What is still lost at short wavelengths is stated as the transfer.

Two disjoint halves of the capture (for four photos the two opposed pairs, whose baselines are perpendicular; parallel
ones alias, study E2) are refined separately and give two maps of one surface with independent noise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

import cv2
import numpy as np

from assessor.card.layout import WINDOW_MM, Rectangle, square
from assessor.card.sampling import Grid
from assessor.errors import HeightsDisagree, TooFewPhotos, ViewsTooAlike
from assessor.texture.filters import SIGMA_PER_CUTOFF, remove_plane
from assessor.texture.stereo_view import HeightSettings, View, agreement, resize_to, unit
from assessor.texture.sweep import find_start
from assessor.values import Adjustment, BoolArray, Camera, FloatArray, HeightMap, Photo, Transfer

__all__ = ["HeightSettings", "measure_heights", "split_halves"]

_SCHARR = np.array([[-3, -10, -3], [0, 0, 0], [3, 10, 3]]) / 32  # derivative along the rows' direction


def measure_heights(
    photos: Sequence[Photo],
    adjustment: Adjustment,
    settings: HeightSettings | None = None,
    *,
    edge_width_mm: Sequence[float] = (),
    window: Rectangle | None = None,
) -> HeightMap:
    """Measure heights on a 0.1 mm grid over the window from 4-6 photos with their fitted cameras.

    photos run in the order of adjustment.cameras. edge_width_mm: how wide each photo's black-white edges are on the
    card (`CardSighting.edge_width_mm`), which the transfer depends on; without them an ordinary phone's is taken
    with more doubt. window: the sheet's (`designs.window_of`), the window card's where None. Raises TooFewPhotos,
    ViewsTooAlike or HeightsDisagree.
    """
    settings = settings or HeightSettings()
    names = ", ".join(p.name for p in photos)
    if len(photos) < settings.min_photos:
        raise TooFewPhotos(
            f"{len(photos)} usable photos of the spot, at least {settings.min_photos} are needed", file=names
        )
    views = _view_directions(adjustment.cameras)
    halves, crossing = split_halves(views)
    weakest = min(_spread_of(views, half) for half in halves) * min(1.0, crossing / settings.min_crossing)
    if weakest < settings.min_spread:
        raise ViewsTooAlike(
            f"the views span only {np.degrees(np.arctan(weakest)):.0f} degrees in one direction, at least"
            f" {np.degrees(np.arctan(settings.min_spread)):.0f} degrees to each side are needed",
            file=names,
        )
    area = (window or square(WINDOW_MM / 2)).less(settings.inset_mm)
    stack = [
        View(photo, camera, area, settings) for photo, camera in zip(photos, adjustment.cameras, strict=True)
    ]
    start = find_start(stack, settings)
    maps = [_refine([stack[k] for k in half], views[list(half)], start, settings) for half in halves]
    height = (maps[0] + maps[1]) / 2
    correlation = _correlation(stack, height, settings)
    valid = (correlation > settings.min_correlation * float(np.median(correlation))) & _halves_agree(
        maps, settings
    )
    _check_match(float(np.median(correlation)), settings, names)
    _check_agreement(height, maps, valid, settings, names)
    return HeightMap(
        height_mm=height,
        valid=valid,
        px_per_mm=1 / settings.spacing_mm,
        x_min_mm=area.x_min_mm,
        y_max_mm=area.y_max_mm,
        halves=(maps[0], maps[1]),
        transfer=transfer_of(edge_width_mm, settings),
        shortest_trusted_mm=0.8,
        u_scale=float(
            np.hypot(max(adjustment.print_scale.u_x, adjustment.print_scale.u_y), adjustment.u_gain)
        ),
        agreement=float(np.median(correlation)),
        method="angles: plane sweep and height-space Lucas-Kanade",
    )


def _view_directions(cameras: Sequence[Camera]) -> FloatArray:
    """(P, 2) horizontal over vertical distance of each camera from the window, less their mean."""
    positions = np.stack([c.position_mm for c in cameras])
    views = positions[:, :2] / positions[:, 2:]
    return np.asarray(views - views.mean(0))


def _spread_of(views: FloatArray, members: Sequence[int]) -> float:
    chosen = views[list(members)]
    return float(np.linalg.svd(chosen - chosen.mean(0), compute_uv=False)[0] / np.sqrt(len(members)))


def split_halves(views: FloatArray) -> tuple[tuple[tuple[int, ...], tuple[int, ...]], float]:
    """Split views (P, 2) into two disjoint sets with long, mutually perpendicular baselines.

    Returns the sets and the sine of the angle between their baselines (1 = perpendicular).
    """
    n = len(views)
    best: tuple[float, tuple[int, ...], tuple[int, ...], float] | None = None
    for size in {n // 2, n - n // 2}:
        for first in combinations(range(n), size):
            second = tuple(k for k in range(n) if k not in first)
            if len(first) < 2 or len(second) < 2:
                continue
            axes = []
            for half in (first, second):
                chosen = views[list(half)] - views[list(half)].mean(0)
                axes.append(np.linalg.svd(chosen, full_matrices=False)[2][0])
            crossing = float(abs(axes[0][0] * axes[1][1] - axes[0][1] * axes[1][0]))
            score = min(_spread_of(views, first), _spread_of(views, second)) * (0.2 + crossing)
            if best is None or score > best[0] + 1e-12:
                best = (score, first, second, crossing)
    assert best is not None  # four views always split
    return (best[1], best[2]), best[3]


def _refine(
    stack: Sequence[View], views: FloatArray, start: FloatArray, settings: HeightSettings
) -> FloatArray:
    """Heights of one half of the views on the 0.1 mm grid."""
    height, area = start, stack[0].area
    for spacing_mm, rounds in settings.refinement:
        if spacing_mm >= area.size_mm[1] / len(start) * 1.5:
            continue  # coarser than the start already is
        grid = Grid(area, spacing_mm)
        height = _lucas_kanade(stack, views, resize_to(height, grid), grid, rounds=rounds, settings=settings)
    return height


def _halves_agree(maps: Sequence[FloatArray], settings: HeightSettings) -> BoolArray:
    """False where the halves differ far more than elsewhere: a mismatch that each refined its own way."""
    size = (7, 7)  # 0.7 mm, about the refinement's window
    # Small errors of the poses tilt the halves against each other; every parameter is taken after levelling each.
    smooth = np.asarray(cv2.blur(maps[0] - maps[1], size), dtype=np.float32)
    difference = np.abs(remove_plane(smooth))
    limit = settings.max_half_ratio * 1.4826 * float(np.median(difference))
    # On high relief what fills a gap may be off by all of it: only differences that count there are cut out.
    relief = float(np.std(maps[0][::4, ::4]))
    wrong = (difference > max(limit, settings.max_half_share * relief, 0.02)).astype(np.uint8)
    return np.asarray(cv2.dilate(wrong, np.ones((9, 9), np.uint8)) == 0)


def _check_match(agreement_median: float, settings: HeightSettings, names: str) -> None:
    """Refuse photos that do not show one floor at these heights.

    The halves part after a common search, so where nothing matches they can agree on what it made up: a card that
    was pushed between photos fits its own markers perfectly.
    """
    if not agreement_median >= settings.min_agreement:
        raise HeightsDisagree(
            f"the photos match each other by {agreement_median:.2f} of 1 on the floor, at least"
            f" {settings.min_agreement:g} is needed; the card or the light may have moved between photos",
            file=names,
        )


def _check_agreement(
    height: FloatArray, maps: Sequence[FloatArray], valid: BoolArray, settings: HeightSettings, names: str
) -> None:
    """Refuse gross failures: halves that see different surfaces over much of the window, or in most of the relief.

    Both are judged after a low-pass of 2.5 mm: finer differences are ordinary noise, which is reported, not refused.
    """
    share = float(valid.mean())
    if share < settings.min_valid_fraction:
        raise HeightsDisagree(
            f"only {share:.0%} of the window could be measured, at least {settings.min_valid_fraction:.0%} is needed",
            file=names,
        )
    every = slice(None, None, 2)
    seen = valid[every, every]
    sigma = SIGMA_PER_CUTOFF * 2.5 / (2 * settings.spacing_mm)
    difference = remove_plane((maps[0] - maps[1])[every, every] / 2, seen)
    noise = cv2.GaussianBlur(difference, (0, 0), sigma)[seen]
    relief = cv2.GaussianBlur(height[every, every], (0, 0), sigma)[seen]
    spread, noise_mm = float(relief.std()), float(noise.std())
    if noise_mm > max(settings.max_noise_mm, settings.max_noise_ratio * spread):
        raise HeightsDisagree(
            f"two halves of the photos give surfaces that differ by {noise_mm:.2f} mm on a relief of {spread:.2f} mm",
            file=names,
        )


def _lucas_kanade(
    stack: Sequence[View],
    views: FloatArray,
    height: FloatArray,
    grid: Grid,
    *,
    rounds: int,
    settings: HeightSettings,
) -> FloatArray:
    """Refine heights so that all views agree; views (P, 2) are the directions, any constant in them cancels."""
    reference = float(np.median(height[::4, ::4]))
    samplers = [view.sampler(grid, reference) for view in stack]
    # A raised point moves away from the camera's foot: dx/dh = -(C_xy / C_z); rows run against y.
    moves = -(views - views.mean(0)) * (1, -1) / grid.spacing_mm
    slopes = [(x * _SCHARR.T + y * _SCHARR).astype(np.float32) for x, y in moves]
    sigma = settings.refine_sigma_px
    size = (2 * round(2.5 * sigma) + 1,) * 2
    above = height - np.float32(reference)
    for _ in range(rounds):
        seen = [s.at(above) for s in samplers]
        mean = np.asarray(sum(seen[1:], seen[0].copy()) / np.float32(len(seen)), dtype=np.float32)
        numerator, energy = np.zeros_like(mean), np.zeros_like(mean)
        for view, slope in zip(seen, slopes, strict=True):
            along = cv2.filter2D(mean, cv2.CV_32F, slope)
            cv2.accumulateProduct(along, cv2.subtract(mean, view), numerator)
            cv2.accumulateSquare(along, energy)
        numerator = np.asarray(cv2.GaussianBlur(numerator, size, sigma))
        weight = np.asarray(cv2.GaussianBlur(energy, size, sigma), dtype=np.float32)
        weight += np.float32(0.02 * float(weight.mean()) + 1e-9)
        move = np.asarray(cv2.divide(numerator, weight), dtype=np.float32)
        # What the window passes of a height change is what it makes of this move; the rest is added without
        # resampling the photos again.
        cv2.multiply(energy, move, dst=energy)
        passed = cv2.divide(cv2.GaussianBlur(energy, size, sigma), weight)
        move += np.float32(settings.restore) * (move - passed)
        np.clip(move, -settings.max_move_mm, settings.max_move_mm, out=move)
        above += move
    return np.asarray(above + np.float32(reference), dtype=np.float32)


def _correlation(stack: Sequence[View], height: FloatArray, settings: HeightSettings) -> FloatArray:
    """Mean correlation of all pairs at the final heights, on the height map's grid."""
    grid = Grid(stack[0].area, 0.2)
    window = max(3, round(settings.fine_window_mm / grid.spacing_mm)) | 1
    half = cv2.resize(height, grid.shape[::-1], interpolation=cv2.INTER_AREA)
    reference = float(np.median(half[::4, ::4]))
    above = half - np.float32(reference)
    seen = [unit(v.sampler(grid, reference).linear().at(above), window) for v in stack]
    correlation = agreement(seen, window)
    size = height.shape[::-1]
    return np.asarray(cv2.resize(correlation, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def transfer_of(edge_width_mm: Sequence[float], settings: HeightSettings | None = None) -> Transfer:
    """Share of each wavelength's amplitude that the method passes: 1 / (1 + (w / wavelength)^3.5).

    The half-way wavelength w, 1.0 mm for an ordinary phone, grows with the width of the photos' edges: what lens and
    hand blur, no window brings back. Fitted to 150 rendered captures of five processes (scripts/judge_set --count
    240 --seed 31; edges explain over half of the scatter of w); the uncertainty is what remains. Standing aggregate,
    whose colour edges fall on its height edges, passes less than other floors (w about 1.3 mm).
    """
    s = settings or HeightSettings()
    known = [width for width in edge_width_mm if math.isfinite(width)]
    edge = math.exp(sum(math.log(width) for width in known) / len(known)) if known else s.usual_edge_mm
    half_way = min(max(s.half_way_sharp_mm + s.half_way_per_edge * edge, 0.7), 1.8)
    wavelength = np.geomspace(0.3, 40, 60)
    amplitude = 1 / (1 + (half_way / wavelength) ** 3.5)
    # dT for an error of w: 3.5 T (1 - T) u(w) / w.
    u_half_way = s.u_half_way if known else 1.5 * s.u_half_way
    spread = 0.01 + 3.5 * amplitude * (1 - amplitude) * u_half_way / half_way
    return Transfer(
        wavelength, amplitude, spread, "from the width of the card's edges, fitted to rendered captures"
    )
