"""Marker corners to a few hundredths of a pixel, and the blur of the card's own edges.

Short profiles run along pixel rows or columns (whichever crosses the side more squarely) from a marker's black border
out into white paper. They are the camera's own pixels, decoded to linear light and not interpolated. Where a profile
crosses halfway between its own black and white level is a point of the edge; a robust line through these points gives
the side, neighbouring sides intersect in the corner. Levels taken per profile keep shadows and gradients from moving
the edge; profiles cut by a shadow or dirt drop out of the line.

Why this way: corner refinement by gradients on coded bytes errs 0.4 px, line fits on linear light 0.01 (study.md part
1, section 2). Lens distortion bends a side by up to 0.1 px; the caller passes that `sag` so that straight lines fit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from assessor.card.linear import linear_of_byte
from assessor.values import BoolArray, FloatArray, freeze


@dataclass(frozen=True, slots=True)
class CornerSettings:
    """How the profiles lie and when a side counts."""

    profiles: int = 24  # more gain little: neighbours share the same pixels
    first: float = 0.12  # of the side; nearer, the neighbouring side's blur comes in
    reach_px: float = 12.0  # at most; less where the blur is known (`sharpened`)
    blur_px: float = 2.0  # 10-90 % width to keep clear of when levels are read
    inside_cells: float = 0.65  # the black border is one cell wide; then bits may be white
    outside_mm: float = 1.85  # plain white ends here, where the check bar is next; less for its blur
    white_from: float = 0.45  # of the reach outside: paper free of the edge's blur
    black_from: float = 0.6  # of the reach inside: ink free of it
    pooled: int = 9  # profiles that share one slope of the light: one alone is too noisy
    min_contrast: float = 0.25  # (white - black) / white; a finger or a dark stain has less
    min_uneven: float = (
        0.06  # a white that strays more, and 3 x the usual, is cut by a shadow, a finger or dirt
    )
    min_profiles: int = 9
    min_span: float = 0.45  # of the side that the kept profiles must cover
    floor_px: float = 0.02  # residual scale below which all profiles count in full
    sd_factor: float = 1.3  # levels shared along a side err together, which the line's scatter does not show
    rounds: int = 6


def sharpened(settings: CornerSettings, edge_width_px: float) -> CornerSettings:
    """Settings for edges this wide (10-90 %): profiles end 3-4 px beyond the blur, so that light varies less."""
    if not np.isfinite(edge_width_px):
        return settings
    reach = float(np.clip(1.25 * edge_width_px + 5.0, 6.0, settings.reach_px))
    return replace(settings, reach_px=reach, blur_px=edge_width_px)


@dataclass(frozen=True, eq=False)
class CornerFit:
    """What the edges of M markers say.

    corners_px (M, 4, 2) and corner_sd_px (M, 4), per coordinate; usable (M,) False where a side could not be fitted
    (values are then the start values); edge_width_px (M, 2): 10-90 % width across the horizontal and across the
    upright sides as printed, NaN if unknown; across_px (M, 2): the marker's size across the same sides;
    white, black (M, 4, N): linear levels at the edge, 0..1, NaN where cut by the frame; kept (M, 4, N): profiles that
    carry the line.
    """

    corners_px: FloatArray
    corner_sd_px: FloatArray
    usable: BoolArray
    edge_width_px: FloatArray
    across_px: FloatArray
    white: FloatArray
    black: FloatArray
    kept: BoolArray

    def __post_init__(self) -> None:
        for array in (self.corners_px, self.corner_sd_px, self.usable, self.edge_width_px, self.across_px):
            freeze(array)
        for array in (self.white, self.black, self.kept):
            freeze(array)


def fit_corners(
    grey_u8: NDArray[np.uint8],
    start_px: FloatArray,
    side_mm: FloatArray,
    sag_px: FloatArray | None = None,
    settings: CornerSettings | None = None,
) -> CornerFit:
    """Fit the corners of markers near their start positions.

    grey_u8 (H, W): sRGB-coded luma of the photo. start_px (M, 4, 2): corners good to a third of a cell,
    clockwise as seen in the photo; side_mm (M,) their printed sides. sag_px (M, 4): how far the middle of each side
    bulges outward from its chord.
    """
    settings = settings or CornerSettings()
    lines = _Lines(np.asarray(start_px, dtype=float), np.asarray(side_mm, dtype=float), settings)
    values = lines.sample(grey_u8)
    white, black, level = lines.levels(values)
    crossing = lines.crossings(level)
    if sag_px is not None:
        crossing = crossing - 4 * np.asarray(sag_px)[:, :, None] * (0.25 - lines.s**2)
    intercept, slope, weight, end_variance = lines.robust_lines(crossing)
    kept = weight > 0.1
    good = lines.side_counts(kept)
    corners, sd = lines.intersect(intercept, slope, end_variance)
    usable = np.asarray(good.all(1) & np.isfinite(corners).all((1, 2)))
    width = lines.edge_width(level, intercept, slope, kept & good[:, :, None])
    return CornerFit(
        corners_px=np.where(usable[:, None, None], corners, lines.start),
        corner_sd_px=np.where(usable[:, None], sd, np.inf),
        usable=usable,
        edge_width_px=width,
        across_px=lines.cell.reshape(-1, 2, 2).mean(1) * 8,
        white=white,
        black=black,
        kept=kept,
    )


class _Lines:
    """Profiles across the four sides of every marker; arrays are (M, 4, N profiles, K samples)."""

    def __init__(self, start: FloatArray, side_mm: FloatArray, settings: CornerSettings) -> None:
        self.start, self.settings = start, settings
        chord = np.roll(start, -1, axis=1) - start
        self.length = np.maximum(np.linalg.norm(chord, axis=2), 1e-6)
        self.along = chord / self.length[..., None]
        # Clockwise in a picture with y down: outward is to the left of the walk.
        self.outward = np.stack([self.along[..., 1], -self.along[..., 0]], axis=-1)
        cell = self.cell = self._cell()
        self.inner = np.minimum(settings.inside_cells * cell, settings.reach_px)
        white_px = settings.outside_mm * cell * 8 / side_mm[:, None]
        self.outer = np.clip(white_px - 0.75 * settings.blur_px, 0.5 * white_px, settings.reach_px)

    def _cell(self) -> FloatArray:
        """Size of a marker's cell across each side, (M, 4): an eighth of the neighbouring sides' mean."""
        before, after = np.roll(self.length, 1, axis=1), np.roll(self.length, -1, axis=1)
        sine = np.abs(np.sum(np.roll(self.along, -1, axis=1) * self.outward, axis=2))
        return np.asarray((before + after) / 16 * np.maximum(sine, 0.1))

    def sample(self, grey_u8: NDArray[np.uint8]) -> FloatArray:
        """Linear light on all profiles, (M, 4, N, K) float32; NaN outside the frame or beyond the white reach.

        Sets `offset` (M, 4, N, K), px outward from the start chord, and `s` (M, 4, N), -0.5..0.5 along it.
        """
        upright = np.abs(self.outward[..., 0]) >= np.abs(self.outward[..., 1])  # crossed by pixel rows
        n_across = np.where(upright, self.outward[..., 0], self.outward[..., 1])[..., None]
        along = np.where(upright[..., None], self.along, self.along[..., ::-1])  # (across, line) components
        start = np.where(upright[..., None], self.start, self.start[..., ::-1])
        span = np.linspace(self.settings.first, 1 - self.settings.first, self.settings.profiles)
        line = np.rint(start[..., 1:] + (self.length * along[..., 1])[..., None] * span)  # whole pixel lines
        run = (line - start[..., 1:]) / along[..., 1:]
        chord = start[..., :1] + run * along[..., :1]
        way = np.sign(n_across)
        first = way * np.ceil(way * chord - (self.inner[..., None] / np.abs(n_across)))
        reach = float(np.max((self.inner + self.outer) / np.abs(n_across[..., 0]), initial=2.0))
        pixel = first[..., None] + way[..., None] * np.arange(int(np.ceil(reach)) + 1)
        self.offset = ((pixel - chord[..., None]) * n_across[..., None]).astype(np.float32)
        self.s = run / self.length[..., None] - 0.5
        self.s_per_offset = along[..., :1] / n_across / self.length[..., None]
        height, width = grey_u8.shape
        column = np.where(upright[..., None, None], pixel, line[..., None]).astype(np.int64)
        row = np.where(upright[..., None, None], line[..., None], pixel).astype(np.int64)
        inside = (column >= 0) & (row >= 0) & (column < width) & (row < height)
        light: FloatArray = linear_of_byte()[
            grey_u8[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)]
        ]
        light[~inside | (self.offset > self.outer.astype(np.float32)[..., None, None])] = np.nan
        return light

    def levels(self, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """White and black at the edge for each profile (M, 4, N), and the profiles scaled to 0..1 between them.

        Light that changes across the edge (penumbra, near lamp) would move the halfway level: its slope, read from the
        white and pooled over neighbouring profiles, is divided out first.
        """
        settings = self.settings
        clear = 0.85 * settings.blur_px
        white_from = np.clip(clear, settings.white_from * self.outer, 0.75 * self.outer).astype(np.float32)
        black_from = np.clip(clear, settings.black_from * self.inner, 0.75 * self.inner).astype(np.float32)
        in_white = self.offset >= white_from[..., None, None]
        in_black = self.offset <= -black_from[..., None, None]
        slope = _relative_slope(self.offset, values, in_white)
        values = values / np.maximum(1 + _pooled(slope, settings.pooled)[..., None] * self.offset, 0.2)
        black, white = _mean_of(values, in_black), _mean_of(values, in_white)
        with np.errstate(invalid="ignore", divide="ignore"):
            contrast = (white - black) / white
            level = (values - black[..., None]) / (white - black)[..., None]
            uneven = np.where(in_white & np.isfinite(level), np.abs(level - 1), 0).max(-1)
            usual = float(np.median(uneven)) if uneven.size else 0.0
            usable = (contrast > settings.min_contrast) & (uneven < max(3 * usual, settings.min_uneven))
        level[~usable] = np.nan
        return white, black, level

    def crossings(self, level: FloatArray) -> FloatArray:
        """Offset of the 50 % crossing nearest to the start line, (M, 4, N) px outward; NaN where there is none.

        Between the two pixels about the crossing the normal quantile of the level is interpolated: a blurred edge is
        nearly the normal integral, and with pixels as coarse as the blur a straight line would err 0.04 px.
        """
        with np.errstate(invalid="ignore"):
            rises = (level[..., :-1] < 0.5) & (level[..., 1:] >= 0.5)
        middle = np.where(rises, np.abs(self.offset[..., :-1] + self.offset[..., 1:]), np.inf)
        k = middle.argmin(-1)[..., None]
        below, above = (
            ndtri(np.clip(np.take_along_axis(level, k + i, -1)[..., 0].astype(float), 0.005, 0.995))
            for i in (0, 1)
        )
        at, after = (np.take_along_axis(self.offset, k + i, -1)[..., 0].astype(float) for i in (0, 1))
        found = np.take_along_axis(rises, k, -1)[..., 0]
        with np.errstate(invalid="ignore", divide="ignore"):
            crossing = np.where(found, at - below / (above - below) * (after - at), np.nan)
        # The profile runs along a pixel line, not along the normal: the point lies a little further along the side.
        self.s = self.s + np.nan_to_num(crossing) * self.s_per_offset
        return np.asarray(crossing)

    def robust_lines(self, crossing: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Lines offset = a + b s with s = -0.5..0.5 along the side.

        Returns a, b (M, 4), weights (M, 4, N) and the variance of the line at its two ends (M, 4, 2).
        """
        half = crossing.shape[-1] // 2
        seen = np.isfinite(crossing)
        t = np.where(seen, crossing, 0.0)
        first, second = _median_where(crossing[..., :half]), _median_where(crossing[..., half:])
        apart = np.abs(self.s[..., half:].mean(-1) - self.s[..., :half].mean(-1))
        slope: FloatArray = np.nan_to_num((second - first) / np.maximum(apart, 0.05))
        intercept: FloatArray = np.nan_to_num((first + second) / 2)
        weight: FloatArray = seen.astype(float)
        for _ in range(self.settings.rounds):
            residual = np.where(seen, t - intercept[..., None] - slope[..., None] * self.s, np.nan)
            scale = np.maximum(
                1.4826 * np.nan_to_num(_median_where(np.abs(residual))), self.settings.floor_px
            )
            u = np.nan_to_num(residual / (4.0 * scale[..., None]), nan=2.0)
            weight = np.where(np.abs(u) < 1, (1 - u * u) ** 2, 0.0)
            intercept, slope, middle, spread, total = _weighted_line(self.s, t, weight)
        residual = t - intercept[..., None] - slope[..., None] * self.s
        variance = (weight * residual**2).sum(-1) / np.maximum(total - 2, 1)
        ends = np.array([-0.5, 0.5])
        lever = 1 / total[..., None] + (ends - middle[..., None]) ** 2 / spread[..., None]
        return intercept, slope, weight, variance[..., None] * lever

    def side_counts(self, kept: BoolArray) -> BoolArray:
        """(M, 4) True where enough profiles over enough of the side carry the line."""
        low = np.where(kept, self.s, 1.0).min(-1)
        high = np.where(kept, self.s, -1.0).max(-1)
        enough = kept.sum(-1) >= self.settings.min_profiles
        return np.asarray(enough & (high - low >= self.settings.min_span))

    def intersect(
        self, intercept: FloatArray, slope: FloatArray, end_variance: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Corners (M, 4, 2) where side i - 1 meets side i, and their standard deviation per coordinate (M, 4)."""
        middle = self.start + 0.5 * self.length[..., None] * self.along
        point = middle + intercept[..., None] * self.outward
        way = self.length[..., None] * self.along + slope[..., None] * self.outward
        way = way / np.linalg.norm(way, axis=-1, keepdims=True)
        normal = np.stack([way[..., 1], -way[..., 0]], axis=-1)
        before_point, before_way = np.roll(point, 1, axis=1), np.roll(way, 1, axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            sine = (before_way * normal).sum(-1)
            run = ((point - before_point) * normal).sum(-1) / sine
            corners = before_point + run[..., None] * before_way
            both = end_variance[..., 0] + np.roll(end_variance[..., 1], 1, axis=1)
            sd = self.settings.sd_factor * np.sqrt(both / 2) / np.abs(sine)
        return corners, sd

    def edge_width(
        self, level: FloatArray, intercept: FloatArray, slope: FloatArray, kept: BoolArray
    ) -> FloatArray:
        """10-90 % width in px, mean over opposite sides, (M, 2): across horizontal, across upright sides."""
        line = intercept[..., None] + slope[..., None] * self.s
        at = self.offset - line[..., None]
        step, half = 0.25, 64
        bins = np.rint(at / step).astype(int) + half
        use = kept[..., None] & np.isfinite(level) & (bins >= 0) & (bins <= 2 * half)
        n_side, n_bin = level.shape[0] * 4, 2 * half + 1
        index = np.arange(n_side).reshape(level.shape[0], 4)[..., None, None] * n_bin + bins
        count, place, height = (
            np.bincount(index[use], weights=w, minlength=n_side * n_bin).reshape(n_side, n_bin).astype(float)
            for w in (np.ones(int(use.sum())), at[use], level[use])
        )
        widths = _width_of(place, height, count).reshape(-1, 2, 2)
        return np.asarray(_median_where(np.swapaxes(widths, 1, 2)))


def _width_of(place: FloatArray, height: FloatArray, count: FloatArray) -> FloatArray:
    """10-90 % widths in px of averaged edges (n, bins), given sums over each bin; NaN where not covered."""
    n, bins = count.shape
    seen = count > 0
    at, edge = place / np.maximum(count, 1), height / np.maximum(count, 1)
    index = np.arange(bins)
    # Neighbouring bins with data, above and below each bin.
    above = np.minimum.accumulate(np.where(seen, index, bins - 1)[:, ::-1], axis=1)[:, ::-1]
    below = np.maximum.accumulate(np.where(seen, index, 0), axis=1)
    low = np.where(seen & (edge <= 0.1) & (at < 0), index, -1).max(1)
    high = np.where(seen & (edge >= 0.9) & (at > 0), index, bins).min(1)
    covered = (low >= 0) & (high < bins)
    low, high = np.clip(low, 0, bins - 2), np.clip(high, 1, bins - 1)
    rows = np.arange(n)

    def between(i: NDArray[np.int_], j: NDArray[np.int_], level: float) -> FloatArray:
        rise = edge[rows, j] - edge[rows, i]
        share = (level - edge[rows, i]) / np.where(rise > 0, rise, 1.0)
        return np.asarray(at[rows, i] + share * (at[rows, j] - at[rows, i]))

    start = between(low, above[rows, low + 1], 0.1)
    end = between(below[rows, high - 1], high, 0.9)
    return np.where(covered, end - start, np.nan)


def _weighted_line(
    s: FloatArray, t: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Weighted least-squares line over the last axis: intercept, slope, mean s, sum of squares of s, sum of weights."""
    total = np.maximum(weight.sum(-1), 1e-9)
    middle = (weight * s).sum(-1) / total
    mean = (weight * t).sum(-1) / total
    off = s - middle[..., None]
    spread = np.maximum((weight * off**2).sum(-1), 1e-9)
    slope = (weight * off * t).sum(-1) / spread
    return mean - slope * middle, slope, middle, spread, total


def _mean_of(values: FloatArray, where: BoolArray) -> FloatArray:
    """Mean of each profile's samples in `where` that lie in the frame; NaN where there is none."""
    use = where & np.isfinite(values)
    count = use.sum(-1)
    return np.asarray(np.where(count > 0, np.where(use, values, 0).sum(-1) / np.maximum(count, 1), np.nan))


def _relative_slope(at: FloatArray, values: FloatArray, where: BoolArray) -> FloatArray:
    """Least-squares slope of each profile's samples in `where` over their mean, per px; NaN if there are under 3."""
    use = where & np.isfinite(values)
    count = np.maximum(use.sum(-1), 1)
    mean_at = np.where(use, at, 0).sum(-1) / count
    mean = np.where(use, values, 0).sum(-1) / count
    off = np.where(use, at - mean_at[..., None], 0)
    power = (off * off).sum(-1)
    slope = np.where(use, off * values, 0).sum(-1) / np.maximum(power, 1e-6)
    # Relative to the light at the edge itself, where the slope is applied.
    edge = mean - slope * mean_at
    return np.where((use.sum(-1) >= 3) & (edge > 0.2 * mean), slope / np.where(edge > 0, edge, 1.0), np.nan)


def _pooled(values: FloatArray, n: int) -> FloatArray:
    """Median over n neighbours along the last axis (ends repeat), shrunk to 0 where it is within its noise."""
    half = n // 2
    padded = np.pad(values, [(0, 0)] * (values.ndim - 1) + [(half, half)], mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, n, axis=-1)
    middle = np.nan_to_num(_median_where(windows))
    noise = 1.85 * np.nan_to_num(_median_where(np.abs(windows - middle[..., None]))) / np.sqrt(n)
    shrink = 1 - 6 * noise**2 / np.maximum(middle**2, 1e-12)
    return np.asarray(middle * np.clip(shrink, 0.0, 1.0), dtype=np.float32)


def _median_where(values: FloatArray) -> FloatArray:
    """Median over the last axis, ignoring NaN; NaN where nothing is left."""
    ordered = np.sort(values, axis=-1)  # NaN sorts last
    n = np.isfinite(values).sum(-1)
    low = np.take_along_axis(ordered, np.maximum((n - 1) // 2, 0)[..., None], -1)[..., 0]
    high = np.take_along_axis(ordered, np.minimum(n // 2, values.shape[-1] - 1)[..., None], -1)[..., 0]
    return np.asarray(np.where(n > 0, (low + high) / 2, np.nan))
