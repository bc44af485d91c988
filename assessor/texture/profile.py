"""Mean profile depth by ISO 13473-1:2019 on rows and columns of a height map, and texture depth from it.

A profile of 100 mm loses its least-squares line (slope suppression); the mean of the highest points of its
two halves, less the mean level, is its mean segment depth; the average over segments is the mean profile
depth, MPD.

The map is low-passed before (areal Gaussian, named in the result). The standard filters along the profile
only, at about 3 mm; a photo cannot see the waves shorter than that which run across the profile, so the areal
filter keeps the same waves in all directions. The choice lowers MPD, the more the finer the texture.

Source: ISO 13473-1:2019 and ASTM E1845 (domain.md 3.2 and 12 items 7-11; formula and ETD from memory,
verify).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assessor.values import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class ProfileSettings:
    """Baselength and spacing of profiles, mm, and the relation to the sand patch."""

    segment_mm: float = 100.0  # ISO 13473-1 baselength
    profile_every_mm: float = 1.0  # dense enough that its choice moves MPD by under 0.5 %
    most_drop_out: float = 0.10  # ISO 13473-1:2019; from memory, verify
    low_pass_mm: float = (
        2.5  # shortest wavelength the angles capture sees whole; 3.0 reads 5 % lower (study E3)
    )
    etd_per_mpd: float = 1.1  # ISO 13473-1:2019; from memory, verify
    # Scatter of single sand patches about that relation: from memory, verify. Relative and absolute parts;
    # the sand patch itself says little below 0.25 mm.
    etd_scatter: float = 0.15
    etd_scatter_mm: float = 0.03


def segment_depths(
    profiles_mm: FloatArray, spacing_mm: float, segment_mm: float = 100.0, *, slope_suppression: bool = True
) -> FloatArray:
    """Mean segment depth of each whole segment of each profile, (n, segments) in mm.

    profiles_mm (n, samples): low-passed heights along the last axis. Segments lie end to end about the
    middle. ValueError where a profile is shorter than one segment.
    """
    per_half = round(segment_mm / spacing_mm / 2)
    n, samples = profiles_mm.shape
    count = samples // (2 * per_half) if per_half else 0
    if count < 1:
        raise ValueError(f"a profile of {samples * spacing_mm:.4g} mm holds no {segment_mm:g} mm segment")
    start = (samples - count * 2 * per_half) // 2
    used = np.asarray(profiles_mm[:, start : start + count * 2 * per_half], dtype=np.float64)
    used = used.reshape(n, count, 2 * per_half)
    # The least-squares line takes the mean off as well, so peaks count from the mean level either way.
    level = suppress_slope(used) if slope_suppression else used - used.mean(axis=-1, keepdims=True)
    peaks = level.reshape(n, count, 2, per_half).max(axis=-1)
    return np.asarray(peaks.mean(axis=-1))


def suppress_slope(segments_mm: FloatArray) -> FloatArray:
    """Subtract from each segment (last axis) its least-squares line."""
    at = np.linspace(-1.0, 1.0, segments_mm.shape[-1])
    centred = segments_mm - segments_mm.mean(axis=-1, keepdims=True)
    slope = centred @ at / (at @ at)
    return np.asarray(centred - slope[..., None] * at)


def mean_profile_depth(
    low_passed_mm: FloatArray,
    spacing_mm: tuple[float, float],
    settings: ProfileSettings | None = None,
    *,
    valid: BoolArray | None = None,
) -> float:
    """Mean profile depth of a low-passed (H, W) map over rows and columns every millimetre, in mm.

    spacing_mm: (rows, columns).
    Invalid samples hold a smooth filling; a segment with more drop-out than the limit does not count. NaN
    where fewer than half of them are left. ValueError where neither side of the map holds a whole segment.
    """
    use = settings or ProfileSettings()
    known = np.ones(low_passed_mm.shape, dtype=bool) if valid is None else valid
    depths: list[FloatArray] = []
    kept: list[BoolArray] = []
    across_mm, along_mm = spacing_mm
    for side, seen, across, along in (
        (low_passed_mm, known, across_mm, along_mm),
        (low_passed_mm.T, known.T, along_mm, across_mm),
    ):
        if side.shape[1] * along < use.segment_mm * (1 - 1e-6):
            continue
        rows = _every(side.shape[0], across, use.profile_every_mm)
        depths.append(segment_depths(side[rows], along, use.segment_mm))
        kept.append(_segments(seen[rows], depths[-1].shape[1], use, along))
    if not depths:
        raise ValueError(f"the map holds no profile of {use.segment_mm:g} mm")
    good = np.concatenate([part.ravel() for part in kept])
    return (
        float(np.concatenate([part.ravel() for part in depths])[good].mean())
        if good.mean() >= 0.5
        else math.nan
    )


def texture_depth(
    mpd_mm: float, u_mpd_mm: float, settings: ProfileSettings | None = None
) -> tuple[float, float]:
    """Sand-patch-equivalent mean texture depth and its standard uncertainty from MPD, both in mm.

    ETD = 1.1 MPD (ISO 13473-1:2019; from memory, verify), which is zero on a flat floor. The scatter of sand
    patches about the relation is part of the uncertainty.
    """
    use = settings or ProfileSettings()
    depth = use.etd_per_mpd * mpd_mm
    return depth, math.hypot(
        use.etd_per_mpd * u_mpd_mm, math.hypot(use.etd_scatter * depth, use.etd_scatter_mm)
    )


def _segments(seen: BoolArray, count: int, use: ProfileSettings, spacing_mm: float) -> BoolArray:
    """Which segments (n, count) have few enough drop-outs."""
    length = 2 * round(use.segment_mm / spacing_mm / 2)
    start = (seen.shape[1] - count * length) // 2
    share = seen[:, start : start + count * length].reshape(-1, count, length).mean(axis=-1)
    return np.asarray(share >= 1.0 - use.most_drop_out - 1e-9)


def _every(n: int, spacing_mm: float, every_mm: float) -> NDArray[np.intp]:
    """Indices of profiles every `every_mm` over n samples, centred."""
    count = max(int(n * spacing_mm / every_mm + 1e-6), 1)
    at = (np.arange(count) + 0.5) * (n / count)
    return np.minimum(at.astype(np.intp), n - 1)
