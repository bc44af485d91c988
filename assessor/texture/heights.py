"""Heights in the window from several photos of it (capture kind `angles`).

A surface point at height h above the card plane moves, in a photo rectified to that plane, by
h (x - C_xy) / (C_z - h), away from the camera's foot when raised. So for every point of the window we look for the
height at which all photos agree, in two steps (study.md part 1 compared nine methods; this pair won):

1. plane sweep (Collins 1996): at 0.4 mm, then 0.2 mm spacing, the height with the highest mean correlation of all
   pairs of views in a small window, to sub-step by a parabola;
2. Lucas-Kanade in height space (Lucas & Kanade 1981, along the height line): all views are resampled with the present
   heights and the height change that removes their differences is solved in a Gaussian window. Repeating this is a
   Landweber iteration, so what the window smooths away comes back: after n rounds a wavelength passes with
   1 - (1 - W)^n, W being the window's own transfer. No smoothness prior is used: it would flatten texture.

Two disjoint halves of the capture (for four photos the two opposed pairs, whose baselines are perpendicular; parallel
ones alias, study E2) are refined separately and give two maps of one surface with independent noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from assessor.card.sampling import SquareGrid, pixel_polynomials
from assessor.errors import TooFewPhotos, ViewsTooAlike
from assessor.values import Adjustment, BoolArray, Camera, FloatArray, HeightMap, Photo, Transfer, U8Array


@dataclass(frozen=True, slots=True)
class HeightSettings:
    """Grid, search and gates."""

    half_side_mm: float = 55.0  # one millimetre more than the evaluation area, for the filters' sake
    spacing_mm: float = 0.1
    lowest_mm: float = -26.0  # deepest breaking under a sheet that rests on the peaks
    highest_mm: float = 2.0  # a bowed sheet
    range_margin_mm: float = 0.8  # beyond what the quick look over the whole range found
    coarse_step_mm: float = 0.3
    coarse_window_mm: float = 1.2
    step_penalty: float = 0.03  # correlation that one plane's difference between neighbours must earn
    jump_penalty: float = 0.6
    fine_window_mm: float = 1.0
    steep_relief_mm: float = 1.0  # height range within 2.8 mm; above, flanks lean over 20 degrees
    steep_passes: tuple[tuple[float, float, float], ...] = ((0.4, 2.0, 0.2), (0.2, 1.0, 0.2), (0.2, 0.5, 0.1))
    normalise_mm: float = 1.2  # views are compared after division by their mean over this window
    refine_sigma_px: float = 2.8  # Gaussian window; smaller ones add noise and pass hardly more
    # Spacing and rounds of the refinement of each half. The halves part right after the search: what they
    # shared longer, their covariance would take for texture.
    refinement: tuple[tuple[float, int], ...] = ((0.4, 2), (0.2, 3), (0.1, 3))
    max_move_mm: float = 0.3
    min_correlation: float = 0.3  # share of the capture's median; below, a point counts as not seen
    max_half_ratio: float = 6.0  # halves that differ by more than this many robust standard deviations are a mismatch
    min_photos: int = 4  # three cannot be split into halves, so they cannot check themselves
    min_spread: float = 0.06  # rms of the view directions' tangents: about 5 degrees of tilt


def measure_heights(
    photos: Sequence[Photo], adjustment: Adjustment, settings: HeightSettings | None = None
) -> HeightMap:
    """Measure heights on a 0.1 mm grid over the window from 4-6 photos with their fitted cameras.

    photos run in the order of adjustment.cameras. Raises TooFewPhotos or ViewsTooAlike.
    """
    settings = settings or HeightSettings()
    names = ", ".join(p.name for p in photos)
    if len(photos) < settings.min_photos:
        raise TooFewPhotos(
            f"{len(photos)} usable photos of the spot, at least {settings.min_photos} are needed", file=names
        )
    views = _view_directions(adjustment.cameras)
    spread = float(np.sqrt((views**2).sum(1).mean()))
    halves = split_halves(views)
    weakest = min(_spread_of(views, half) for half in halves)
    if weakest < settings.min_spread:
        raise ViewsTooAlike(
            f"the views differ by only {np.degrees(np.arctan(weakest)):.0f} degrees, at least"
            f" {np.degrees(np.arctan(settings.min_spread)):.0f} degrees to each side are needed",
            file=names,
        )
    stack = [_View(photo, camera, settings) for photo, camera in zip(photos, adjustment.cameras, strict=True)]
    start = _start(stack, settings)
    maps = [_refine([stack[k] for k in half], views[list(half)], start, settings) for half in halves]
    height = (maps[0] + maps[1]) / 2
    correlation = _correlation(stack, height, settings)
    valid = (correlation > settings.min_correlation * float(np.median(correlation))) & _halves_agree(maps, settings)
    return HeightMap(
        height_mm=height,
        valid=valid,
        px_per_mm=1 / settings.spacing_mm,
        x_min_mm=-settings.half_side_mm,
        y_max_mm=settings.half_side_mm,
        halves=(maps[0], maps[1]),
        transfer=_transfer(settings, spread),
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


def split_halves(views: FloatArray) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Split views (P, 2) into two disjoint sets with long, mutually perpendicular baselines."""
    n = len(views)
    best: tuple[float, tuple[int, ...], tuple[int, ...]] | None = None
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
                best = (score, first, second)
    assert best is not None  # four views always split
    return best[1], best[2]


class _View:
    """One photo's window as normalised brightness at several densities, and where each point of space falls in it."""

    def __init__(self, photo: Photo, camera: Camera, settings: HeightSettings) -> None:
        self.camera, self.settings = camera, settings
        half = settings.half_side_mm + 2
        corners = np.array([[sx * half, sy * half] for sx in (-1, 1) for sy in (-1, 1)])
        deep, high = settings.lowest_mm - 1, settings.highest_mm + 1
        seen = np.concatenate(
            [camera.project(np.column_stack([corners, np.full(4, z)])) for z in (deep, high)]
        )
        low = np.maximum(np.floor(seen.min(0)).astype(int) - 8, 0)
        top = np.minimum(np.ceil(seen.max(0)).astype(int) + 9, photo.size_px)
        self.offset = low
        crop: U8Array = photo.rgb_u8[low[1] : top[1], low[0] : top[0]]
        grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)
        middle = camera.project(np.array([[0.0, 0, 0], [1.0, 0, 0], [0, 1.0, 0]]))
        self.px_per_mm = float(np.sqrt(abs(np.linalg.det(middle[1:] - middle[0]))))
        self.levels: dict[int, FloatArray] = {}
        self._grey = grey.astype(np.float32)
        self._polynomials: dict[float, list[FloatArray]] = {}

    def level(self, spacing_mm: float) -> tuple[FloatArray, int]:
        """Normalised brightness at the density that suits a grid, and the power of two it was reduced by."""
        k = max(0, int(np.floor(np.log2(spacing_mm * self.px_per_mm) + 0.3)))
        if k not in self.levels:
            image: FloatArray = self._grey
            for _ in range(k):
                image = np.asarray(cv2.pyrDown(image), dtype=np.float32)
            window = max(3, round(self.settings.normalise_mm * self.px_per_mm / 2**k)) | 1
            mean = cv2.blur(image, (window, window))
            self.levels[k] = np.asarray(image / (mean + 4.0) - 1.0, dtype=np.float32)
        return self.levels[k], k

    def polynomials(self, z_ref_mm: float) -> list[FloatArray]:
        """Coefficients of (x0, x1, x2, y0, y1, y2): pixel = p0 + d p1 + d^2 p2 with d the height above z_ref."""
        if z_ref_mm not in self._polynomials:
            offset = (float(self.offset[0]), float(self.offset[1]))
            self._polynomials[z_ref_mm] = pixel_polynomials(
                self.camera, self.settings.half_side_mm, z_ref_mm, offset
            )
        return self._polynomials[z_ref_mm]

    def sampler(self, grid: SquareGrid, z_ref_mm: float) -> _Sampler:
        """Resampler of this view on a grid."""
        image, k = self.level(grid.spacing_mm)
        fields = [grid.evaluate(c) / 2**k for c in self.polynomials(z_ref_mm)]
        return _Sampler(image, fields)


@dataclass(frozen=True)
class _Sampler:
    image: FloatArray
    fields: list[FloatArray]

    def normalised(self, window_px: int) -> _Sampler:
        """The same with brightness of local mean 0 and standard deviation 1, for correlation."""
        return _Sampler(_unit(self.image, window_px), self.fields)

    def at(self, above_mm: FloatArray | float) -> FloatArray:
        """The view as seen from straight above if the surface had these heights over the reference plane."""
        x0, x1, x2, y0, y1, y2 = self.fields
        if isinstance(above_mm, float):
            x: FloatArray = x0 + above_mm * (x1 + above_mm * x2)
            y: FloatArray = y0 + above_mm * (y1 + above_mm * y2)
        else:
            x, y = _at_height((x0, x1, x2), above_mm), _at_height((y0, y1, y2), above_mm)
        return np.asarray(cv2.remap(self.image, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT))


def _at_height(parts: tuple[FloatArray, FloatArray, FloatArray], above_mm: FloatArray) -> FloatArray:
    """p0 + h p1 + h^2 p2 without temporary arrays."""
    p0, p1, p2 = parts
    out = np.asarray(cv2.multiply(p2, above_mm), dtype=np.float32)
    cv2.add(out, p1, dst=out)
    cv2.multiply(out, above_mm, dst=out)
    cv2.add(out, p0, dst=out)
    return out


def _unit(image: FloatArray, window_px: int) -> FloatArray:
    """Image with local mean 0 and standard deviation 1."""
    size = (window_px, window_px)
    mean = cv2.blur(image, size)
    spread = cv2.sqrBoxFilter(image, cv2.CV_32F, size) - mean * mean
    # Where there is nothing but noise to match, noise must not be raised to a match.
    spread += np.float32(max(1e-4, 0.1 * float(np.median(spread))))
    return np.asarray((image - mean) / np.sqrt(np.maximum(spread, 1e-6)), dtype=np.float32)


def _agreement(views: Sequence[FloatArray], window_px: int) -> FloatArray:
    """Mean correlation over all pairs of normalised views, in a window."""
    total = np.sum(views, axis=0)
    own = np.sum([v * v for v in views], axis=0)
    n = len(views)
    return np.asarray(cv2.blur((total * total - own) / (n * (n - 1)), (window_px, window_px)))


def _peak(costs: FloatArray, heights: FloatArray) -> FloatArray:
    """Height of the best plane (Z, H, W), to sub-step by a parabola; heights must be evenly spaced."""
    best = costs.argmax(0)
    inner = np.clip(best, 1, len(heights) - 2)
    below, at, above = (np.take_along_axis(costs, (inner + d)[None], 0)[0] for d in (-1, 0, 1))
    curve = np.minimum(below - 2 * at + above, -1e-6)
    shift = np.clip(0.5 * (below - above) / curve, -0.6, 0.6)
    shift = np.where(best == inner, shift, best - inner)
    return np.asarray(heights[0] + (inner + shift) * (heights[1] - heights[0]), dtype=np.float32)


def _sweep(stack: Sequence[_View], settings: HeightSettings) -> FloatArray:
    """First heights at 0.4 mm spacing over the whole range."""
    grid = SquareGrid(settings.half_side_mm, 0.4)
    window = max(3, round(settings.coarse_window_mm / grid.spacing_mm)) | 1
    low, high = _range(stack, settings)
    heights = np.arange(low, high + settings.coarse_step_mm, settings.coarse_step_mm)
    costs = np.empty((grid.n, len(heights), grid.n), np.float32)
    reference = float(heights.mean())
    samplers = [view.sampler(grid, reference).normalised(window) for view in stack]
    for k, z in enumerate(heights):
        costs[:, k] = _agreement([s.at(float(z - reference)) for s in samplers], window)
    support = _along_paths(costs, settings)
    return np.asarray(cv2.medianBlur(_peak(support.transpose(1, 0, 2), heights), 3))


def _range(stack: Sequence[_View], settings: HeightSettings) -> tuple[float, float]:
    """Lowest and highest height worth searching, from a quick look at 0.8 mm spacing over all that is possible."""
    grid = SquareGrid(settings.half_side_mm, 0.8)
    heights = np.arange(settings.lowest_mm, settings.highest_mm, 2 * settings.coarse_step_mm)
    reference = float(heights.mean())
    samplers = [view.sampler(grid, reference).normalised(3) for view in stack]
    costs = np.stack([_agreement([s.at(float(z - reference)) for s in samplers], 3) for z in heights])
    best = _peak(costs, heights)
    sure = costs.max(0) > float(np.percentile(costs.max(0), 30))
    low, high = np.percentile(best[sure], [0.5, 99.5])
    return float(low) - settings.range_margin_mm, float(high) + settings.range_margin_mm


def _along_paths(agreement: FloatArray, settings: HeightSettings) -> FloatArray:
    """Semi-global support (Hirschmueller 2008) of a volume (rows, planes, columns) along its four grid directions.

    Only for the start: what it smooths, the refinement brings back; what it saves is ridges whose flanks are too
    steep for any window.
    """
    total = np.zeros_like(agreement)
    for volume, out in ((agreement, total), (agreement.transpose(2, 1, 0), total.transpose(2, 1, 0))):
        for order in (range(len(volume)), range(len(volume) - 1, -1, -1)):
            before: FloatArray | None = None
            for row in order:
                if before is None:
                    now = volume[row].copy()
                else:
                    best = before.max(0)
                    near = np.maximum(before, best - settings.jump_penalty)
                    for reach in (1, 2):
                        lowered = before - settings.step_penalty * reach
                        np.maximum(near[reach:], lowered[:-reach], out=near[reach:])
                        np.maximum(near[:-reach], lowered[reach:], out=near[:-reach])
                    now = volume[row] + near - best
                out[row] += now
                before = now
    return total


def _start(stack: Sequence[_View], settings: HeightSettings) -> FloatArray:
    """Heights good to a tenth of a millimetre, from all views."""
    coarse = _sweep(stack, settings)
    kernel = np.ones((7, 7), np.uint8)
    relief = float(np.percentile(cv2.dilate(coarse, kernel) - cv2.erode(coarse, kernel), 90))
    if relief < settings.steep_relief_mm:
        return coarse
    # Steep flanks: windows have to lean with the surface, so the search is repeated around what was found.
    height: FloatArray = np.asarray(cv2.GaussianBlur(coarse, (0, 0), 2.0), dtype=np.float32)
    for spacing_mm, reach_mm, step_mm in settings.steep_passes:
        grid = SquareGrid(settings.half_side_mm, spacing_mm)
        height = _search_around(stack, _resize_to(height, grid), grid, (reach_mm, step_mm), settings)
        height = np.asarray(cv2.GaussianBlur(height, (0, 0), 1.0), dtype=np.float32)
    return height


def _refine(
    stack: Sequence[_View], views: FloatArray, start: FloatArray, settings: HeightSettings
) -> FloatArray:
    """Heights of one half of the views on the 0.1 mm grid."""
    height = start
    for spacing_mm, rounds in settings.refinement:
        if spacing_mm >= 2 * settings.half_side_mm / len(start) * 1.5:
            continue  # coarser than the start already is
        grid = SquareGrid(settings.half_side_mm, spacing_mm)
        height = _lucas_kanade(stack, views, _resize_to(height, grid), grid, rounds, settings)
    return height


def _search_around(
    stack: Sequence[_View],
    centre: FloatArray,
    grid: SquareGrid,
    reach: tuple[float, float],
    settings: HeightSettings,
) -> FloatArray:
    """Best height within +-reach[0] of `centre` in steps of reach[1]; the windows follow the centre's slopes."""
    window = max(3, round(settings.fine_window_mm / grid.spacing_mm)) | 1
    reference = float(np.median(centre))
    offsets = np.linspace(-reach[0], reach[0], 2 * round(reach[0] / reach[1]) + 1)
    samplers = [view.sampler(grid, reference).normalised(window) for view in stack]
    costs = np.empty((len(offsets), grid.n, grid.n), np.float32)
    for k, offset in enumerate(offsets):
        above = centre + np.float32(offset - reference)
        costs[k] = _agreement([s.at(above) for s in samplers], window)
    return np.asarray(cv2.medianBlur((centre + _peak(costs, offsets)).astype(np.float32), 5))


def _halves_agree(maps: Sequence[FloatArray], settings: HeightSettings) -> BoolArray:
    """False where the halves differ far more than elsewhere: a mismatch that each refined its own way."""
    size = (7, 7)  # 0.7 mm, about the refinement's window
    difference = np.abs(cv2.blur(maps[0] - maps[1], size))
    limit = settings.max_half_ratio * 1.4826 * float(np.median(difference))
    wrong = (difference > max(limit, 0.02)).astype(np.uint8)
    return np.asarray(cv2.dilate(wrong, np.ones((9, 9), np.uint8)) == 0)


def _resize_to(height: FloatArray, grid: SquareGrid) -> FloatArray:
    return np.asarray(cv2.resize(height, (grid.n, grid.n), interpolation=cv2.INTER_CUBIC), dtype=np.float32)


def _lucas_kanade(
    stack: Sequence[_View],
    views: FloatArray,
    height: FloatArray,
    grid: SquareGrid,
    rounds: int,
    settings: HeightSettings,
) -> FloatArray:
    """Refine heights so that all views agree; views (P, 2) are the directions, any constant in them cancels."""
    reference = float(np.median(height))
    samplers = [view.sampler(grid, reference) for view in stack]
    # A raised point moves away from the camera's foot: dx/dh = -(C_xy / C_z); rows run against y.
    moves = -(views - views.mean(0)) * (1, -1) / grid.spacing_mm
    xx, yy, xy = (moves[:, 0] ** 2).sum(), (moves[:, 1] ** 2).sum(), (moves[:, 0] * moves[:, 1]).sum()
    above = height - np.float32(reference)
    for _ in range(rounds):
        seen = [s.at(above) for s in samplers]
        mean = np.asarray(sum(seen[1:], seen[0].copy()) / len(seen), dtype=np.float32)
        gx = cv2.Scharr(mean, cv2.CV_32F, 1, 0, scale=1 / 32)
        gy = cv2.Scharr(mean, cv2.CV_32F, 0, 1, scale=1 / 32)
        ex = sum((m * v for m, v in zip(moves[:, 0].astype(np.float32), seen, strict=True)), np.float32(0))
        ey = sum((m * v for m, v in zip(moves[:, 1].astype(np.float32), seen, strict=True)), np.float32(0))
        numerator = gx * ex + gy * ey
        denominator = gx * gx * np.float32(xx) + gy * gy * np.float32(yy) + gx * gy * np.float32(2 * xy)
        numerator = cv2.GaussianBlur(numerator, (0, 0), settings.refine_sigma_px)
        denominator = cv2.GaussianBlur(denominator, (0, 0), settings.refine_sigma_px)
        floor = np.float32(0.02 * denominator.mean() + 1e-9)
        move = np.clip(-numerator / (denominator + floor), -settings.max_move_mm, settings.max_move_mm)
        above = above + move
    return np.asarray(above + np.float32(reference), dtype=np.float32)


def _correlation(
    stack: Sequence[_View], height: FloatArray, settings: HeightSettings
) -> BoolArray | FloatArray:
    """Mean correlation of all pairs at the final heights, on the height map's grid."""
    grid = SquareGrid(settings.half_side_mm, 0.2)
    window = max(3, round(settings.fine_window_mm / grid.spacing_mm)) | 1
    half = cv2.resize(height, (grid.n, grid.n), interpolation=cv2.INTER_AREA)
    reference = float(np.median(half))
    seen = [_unit(v.sampler(grid, reference).at(half - np.float32(reference)), window) for v in stack]
    correlation = _agreement(seen, window)
    size = height.shape[::-1]
    return np.asarray(cv2.resize(correlation, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _transfer(settings: HeightSettings, spread: float) -> Transfer:
    """Transfer of the refinement: 1 - (1 - W)^n with W the window's own (see module text)."""
    wavelength = np.geomspace(0.3, 40, 60)
    sigma_mm = settings.refine_sigma_px * settings.spacing_mm
    window = np.exp(-2 * (np.pi * sigma_mm / wavelength) ** 2)
    rounds = settings.refinement[-1][1]
    amplitude = 1 - (1 - window) ** rounds
    return Transfer(wavelength, amplitude, 0.1 * (1 - amplitude) + 0.01, "model")
