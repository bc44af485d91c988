"""Lay of the texture and its strength, from the autocorrelation of one band.

Str is the distance to the fastest decay of the autocorrelation to 0.2 over that to the slowest (ISO
25178-2:2021, 4.3; s = 0.2 by ISO 25178-3). The lay is the long axis of the region inside the 0.2 line: along
ridges and grooves, 0-180 degrees from the card's +x, counter-clockwise. Std, the peak of the angular
amplitude density of the Fourier transform (ISO 25178-2:2021, 4.3.4), points across the ridges, 90 degrees
away from the lay; both are reported.

The correlation is taken between two halves of a capture, so noise, which they do not share, leaves no spike
at zero lag. It is the linear one (zero-padded, each lag divided by its overlap), out to half of the shorter
side.

Rasters run downward (row 0 at the largest y), so a lag of +1 row is a lag of -1 step in y.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.fft import fft2, irfft2, next_fast_len, rfft2
from scipy.ndimage import map_coordinates

from assessor.values import Direction, FloatArray


@dataclass(frozen=True, slots=True)
class DirectionSettings:
    """Where the autocorrelation counts as decayed, and when a texture has no lay."""

    decay: float = 0.2  # ISO 25178-3 default s
    no_lay_above_str: float = 0.5  # design section 8: undefined where Str > 0.5
    grid_mm: float = 0.5  # enough for the 2.5 mm band and quick
    u_least_deg: float = 1.0  # how straight the card lies and how round its pixels are
    u_least_str: float = 0.02  # grid and interpolation


@dataclass(frozen=True, slots=True)
class Anisotropy:
    """Str, its standard uncertainty, lay and Std of one pair of maps.

    open_ended: the slowest decay lies beyond the lags at hand, so Str is an upper bound.
    """

    str_: float
    u_str: float
    open_ended: bool
    lay_deg: float
    u_lay_deg: float
    std_deg: float


def anisotropy(
    one: FloatArray, two: FloatArray, spacing: tuple[float, float], settings: DirectionSettings | None = None
) -> Anisotropy | None:
    """Str, lay and Std of a surface seen in two (H, W) maps of one band (the same twice where there is one).

    spacing: (rows, columns), any length unit. The uncertainty of the lay comes from its spread over the four
    quarters of the map and from the noise between the two maps. None where the two maps have nothing in
    common.
    """
    use = settings or DirectionSettings()
    shared = correlation(one, two)
    whole = _decay(shared, spacing, use.decay)
    if whole is None:
        return None
    half_y, half_x = one.shape[0] // 2, one.shape[1] // 2
    parts = [
        _decay(correlation(one[rows, cols], two[rows, cols]), spacing, use.decay)
        for rows in (slice(None, half_y), slice(half_y, None))
        for cols in (slice(None, half_x), slice(half_x, None))
    ]
    quarters = [part for part in parts if part is not None]
    u_lay = _axis_spread([q.lay_deg for q in quarters]) / math.sqrt(max(len(quarters), 1))
    u_str = 0.5
    if len(quarters) > 1:
        u_str = float(np.std([q.str_ for q in quarters], ddof=1)) / math.sqrt(len(quarters))
    if two is not one:
        # Half the difference of the maps' own correlations carries noise like that of the shared one.
        error = (correlation(one, one) - correlation(two, two)) / 2
        moved = [_decay(shared + sign * error, spacing, use.decay) for sign in (1, -1)]
        if moved[0] is not None and moved[1] is not None:
            u_lay = math.hypot(u_lay, axis_difference(moved[0].lay_deg, moved[1].lay_deg) / 2)
            u_str = math.hypot(u_str, (moved[0].str_ - moved[1].str_) / 2)
    return Anisotropy(
        str_=whole.str_,
        u_str=math.hypot(u_str, use.u_least_str),
        open_ended=whole.open_ended,
        lay_deg=whole.lay_deg,
        u_lay_deg=math.hypot(u_lay, use.u_least_deg),
        std_deg=spectral_direction(one, two, spacing),
    )


def as_direction(found: Anisotropy | None, settings: DirectionSettings | None = None) -> Direction:
    """The lay as a result: no angle where Str exceeds the limit; strength is 1 - Str (0 none, 1 pure)."""
    use = settings or DirectionSettings()
    if found is None:
        return Direction(lay_deg=None, u_deg=None, strength=0.0)
    if found.str_ > use.no_lay_above_str:
        return Direction(lay_deg=None, u_deg=None, strength=1.0 - found.str_)
    return Direction(found.lay_deg, found.u_lay_deg, 1.0 - found.str_, std_deg=found.std_deg)


def axis_difference(one_deg: float, two_deg: float) -> float:
    """Angle between two undirected axes, 0-90 degrees."""
    apart = abs(one_deg - two_deg) % 180.0
    return min(apart, 180.0 - apart)


def correlation(one: FloatArray, two: FloatArray) -> FloatArray:
    """Linear cross-correlation of two (H, W) maps about their means, even in the lag, zero lag in the middle.

    Returns (H', W') over lags to half of each side; each lag is the mean over its overlap.
    """
    height, width = one.shape
    lag_y, lag_x = height // 2, width // 2
    size = (next_fast_len(height + lag_y, real=True), next_fast_len(width + lag_x, real=True))
    first = rfft2(np.asarray(one - one.mean(), dtype=np.float64), size, workers=1)
    other = first if two is one else rfft2(np.asarray(two - two.mean(), dtype=np.float64), size, workers=1)
    # The real part of the cross-spectrum is that of the even part of the correlation.
    raw = irfft2((first * other.conj()).real, size, workers=1)
    rows, cols = np.arange(-lag_y, lag_y + 1), np.arange(-lag_x, lag_x + 1)
    overlap = np.outer(height - np.abs(rows), width - np.abs(cols))
    return np.asarray(raw[np.ix_(rows, cols)] / overlap)


def spectral_direction(one: FloatArray, two: FloatArray, spacing: tuple[float, float]) -> float:
    """Std: direction of the largest angular amplitude density, 0-180 degrees from +x, counter-clockwise.

    From the cross-spectrum of the two maps under a Hann window (ISO asks for none; without it the map's edges
    shine along the axes), smoothed over 5 degrees, refined to the centroid of the peak.
    """
    height, width = one.shape
    window = np.outer(np.hanning(height), np.hanning(width))
    cross = (fft2((one - one.mean()) * window) * fft2((two - two.mean()) * window).conj()).real
    fy, fx = np.fft.fftfreq(height, spacing[0])[:, None], np.fft.fftfreq(width, spacing[1])[None, :]
    angle = np.mod(np.rad2deg(np.arctan2(-fy, fx)), 180.0)
    amplitude = np.sqrt(np.maximum(cross, 0.0))
    density = np.bincount(np.minimum(angle, 179.999).astype(np.intp).ravel(), amplitude.ravel(), 180)
    # Bins hold unequal numbers of frequencies; the density is per frequency.
    count = np.bincount(np.minimum(angle, 179.999).astype(np.intp).ravel(), minlength=180)
    kernel = np.exp(-0.5 * (np.minimum(np.arange(180), 180 - np.arange(180)) / 5.0) ** 2)
    smooth = [np.fft.irfft(np.fft.rfft(part) * np.fft.rfft(kernel), 180) for part in (density, count)]
    ratio = smooth[0] / smooth[1]
    near = (np.arange(-15, 16) + int(np.argmax(ratio))) % 180
    weight = np.maximum(ratio[near] - ratio.min(), 0.0)
    phase = np.sum(weight * np.exp(2j * np.deg2rad(near + 0.5)))
    return float(np.rad2deg(np.angle(phase)) / 2 % 180.0)


@dataclass(frozen=True, slots=True)
class _Decay:
    str_: float
    lay_deg: float
    open_ended: bool


def _decay(lagged: FloatArray, spacing: tuple[float, float], decay: float) -> _Decay | None:
    """Rays from zero lag to the first fall below `decay`, every two degrees: their ratio and long axis."""
    centre = (lagged.shape[0] // 2, lagged.shape[1] // 2)
    peak = float(lagged[centre])
    if peak <= 0:
        return None
    farthest = min(centre[0] * spacing[0], centre[1] * spacing[1])
    step = min(spacing)
    radii = np.arange(0, int(farthest / step) + 1) * step
    angles = np.deg2rad(np.arange(0.0, 180.0, 2.0))
    at_row = centre[0] - np.outer(np.sin(angles), radii) / spacing[0]
    at_col = centre[1] + np.outer(np.cos(angles), radii) / spacing[1]
    along = map_coordinates(lagged / peak, [at_row, at_col], order=3, mode="nearest")
    below = along < decay
    open_ended = ~below.any(axis=1)
    first = np.where(open_ended, len(radii) - 1, np.maximum(below.argmax(axis=1), 1))
    ray = np.arange(len(angles))
    high, low = along[ray, first - 1], along[ray, first]
    fraction = np.where(open_ended, 1.0, (high - decay) / np.where(high > low, high - low, 1.0))
    length = (first - 1 + np.clip(fraction, 0.0, 1.0)) * step
    # Second moments of the region inside the line: its area element brings the fourth power of the ray.
    axis = np.sum(length**4 * np.exp(2j * angles))
    return _Decay(
        str_=float(length.min() / length.max()),
        lay_deg=float(np.rad2deg(np.angle(axis)) / 2 % 180.0),
        open_ended=bool(open_ended.any()),
    )


def _axis_spread(angles_deg: list[float]) -> float:
    """Standard deviation of undirected axes, degrees (45 where they say nothing)."""
    if len(angles_deg) < 2:
        return 45.0
    length = abs(np.mean(np.exp(2j * np.deg2rad(angles_deg))))
    n = len(angles_deg)
    variance = -2.0 * math.log(max(float(length), 1e-3)) * n / (n - 1)
    return min(math.degrees(math.sqrt(max(variance, 0.0))) / 2, 45.0)
