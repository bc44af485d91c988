"""True texture of a simulated floor, as rows of a truth table.

This is the judge's side, so it shares no code with `assessor.texture`: plain Gaussian convolution with
reflecting ends on the heights the photos were rendered from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.fft import dctn, idctn
from scipy.ndimage import gaussian_filter

from assessor.simulate.floors import Floor
from assessor.simulate.true_grade import true_grade
from assessor.values import FloatArray, Kind

EVALUATION_MM = 108.0  # the window less 6 mm a side
# Gaussian filter with 50 % transmission at the cut-off (ISO 16610-21 and -61): sigma = sqrt(ln 2 / 2) / pi
# x cut-off.
SIGMA_PER_CUTOFF = math.sqrt(math.log(2) / 2) / math.pi
AREAL_BANDS_MM = ((2.5, 25.0), (0.8, 25.0))
TORCH_BANDS_MM = ((0.5, 8.0), (0.5, 25.0), (2.5, 25.0))
QUICK_BAND_MM = (0.8, 25.0)
MPD_LOW_PASS_MM, MPD_SEGMENT_MM = 2.5, 100.0


@dataclass(frozen=True, slots=True)
class TruthRow:
    """One true number: quantity in `unit` within the band short-long (mm, S and L cut-off); a grade has no band."""

    quantity: str
    unit: str
    band_short_mm: float | None
    band_long_mm: float | None
    value: float


def truth_rows(floor: Floor, kind: Kind = "angles") -> list[TruthRow]:
    """True values of a floor on the evaluation area (the middle 108 mm square).

    Sq, Sa per areal band, Ssk in the first (ISO 25178-2), for torch and fused captures in their own bands and Sdq
    too; MPD (not for a torch alone) with a 2.5 mm Gaussian low-pass and 100 mm segments (ISO 13473-1); direction_deg
    where the process has a lay.
    """
    area = evaluation_heights(floor)
    if kind in ("torch", "fused"):
        whole = _whole_rows(area, floor, TORCH_BANDS_MM[0])
        # A torch sees no waves long enough for profile depths.
        return [*_torch_rows(area, floor), *(r for r in whole if kind == "fused" or r.quantity != "MPD")]
    rows = []
    for short, long in AREAL_BANDS_MM:
        band = band_heights(area, floor.px_per_mm, short, long)
        rows.append(TruthRow("Sq", "mm", short, long, float(np.sqrt((band**2).mean()))))
        rows.append(TruthRow("Sa", "mm", short, long, float(np.abs(band).mean())))
        if short == AREAL_BANDS_MM[0][0] and floor.recipe.process != "flat":
            rows.append(TruthRow("Ssk", "1", short, long, float((band**3).mean() / (band**2).mean() ** 1.5)))
    return [*rows, *_whole_rows(area, floor, AREAL_BANDS_MM[0])]


def quick_rows(floor: Floor) -> list[TruthRow]:
    """What a quick capture (one photo, or two with a torch) is held against: Sq in QUICK_BAND_MM, the grade, the lay.

    direction_deg where the process has one; grade as `true_grade` defines it.
    """
    sq_mm = true_sq(floor, *QUICK_BAND_MM)
    rows = [TruthRow("Sq", "mm", *QUICK_BAND_MM, sq_mm)]
    grade = true_grade(sq_mm, floor.recipe.process)
    if grade is not None:
        rows.append(TruthRow("grade", "", None, None, float(grade)))
    if floor.lay_deg is not None:
        rows.append(TruthRow("direction_deg", "deg", *QUICK_BAND_MM, floor.lay_deg))
    return rows


def true_sq(floor: Floor, short_mm: float, long_mm: float) -> float:
    """Sq of a floor's evaluation area between S- and L-filter, mm."""
    band = band_heights(evaluation_heights(floor), floor.px_per_mm, short_mm, long_mm)
    return float(np.sqrt((band**2).mean()))


def _whole_rows(area_mm: FloatArray, floor: Floor, first: tuple[float, float]) -> list[TruthRow]:
    """MPD, and the lay in the first band."""
    depth = mean_profile_depth(area_mm, floor.px_per_mm)
    rows = [TruthRow("MPD", "mm", MPD_LOW_PASS_MM, MPD_SEGMENT_MM, depth)]
    if floor.lay_deg is not None:
        rows.append(TruthRow("direction_deg", "deg", *first, floor.lay_deg))
    return rows


def _torch_rows(area_mm: FloatArray, floor: Floor) -> list[TruthRow]:
    """Sq, Sa and Sdq in each of TORCH_BANDS_MM, Ssk in the first."""
    rows = []
    for short, long in TORCH_BANDS_MM:
        band, slope = fine_band(area_mm, floor.px_per_mm, short, long)
        if floor.recipe.process == "flat":
            band, slope = np.zeros_like(band), 0.0  # not the transform's rounding
        rms = float(np.sqrt((band**2).mean()))
        rows.append(TruthRow("Sq", "mm", short, long, rms))
        rows.append(TruthRow("Sa", "mm", short, long, float(np.abs(band).mean())))
        rows.append(TruthRow("Sdq", "1", short, long, slope))
        if short == TORCH_BANDS_MM[0][0] and long == TORCH_BANDS_MM[0][1] and rms > 0:
            rows.append(TruthRow("Ssk", "1", short, long, float((band**3).mean() / rms**3)))
    return rows


def fine_band(
    area_mm: FloatArray, px_per_mm: float, short_mm: float, long_mm: float
) -> tuple[FloatArray, float]:
    """Heights between S- and L-filter at full density, and the rms gradient Sdq of the continuous surface there.

    The cosine transform (type II) of a map is that of its reflection, in which a Gaussian convolution is a product and
    a gradient is exact, where differences over 0.05-0.1 mm lose a tenth of the shortest waves.
    """
    spectrum = dctn(area_mm, norm="ortho")
    rows, cols = (np.arange(n) * px_per_mm / (2 * n) for n in area_mm.shape)  # cycles per mm
    square = rows[:, None] ** 2 + cols**2
    short, long = (
        np.exp(-2 * np.pi**2 * (SIGMA_PER_CUTOFF * cut) ** 2 * square) for cut in (short_mm, long_mm)
    )
    spectrum = spectrum * short * (1 - long)
    slope = 2 * np.pi * np.sqrt((spectrum**2 * square).sum() / area_mm.size)
    return np.asarray(idctn(spectrum, norm="ortho")), float(slope)


def evaluation_heights(floor: Floor) -> FloatArray:
    """Heights of the evaluation area with their least-squares plane taken out, (n, n) float64 mm."""
    n = floor.height_mm.shape[0]
    half = round(EVALUATION_MM / 2 * floor.px_per_mm)
    middle = floor.height_mm[n // 2 - half : n // 2 + half, n // 2 - half : n // 2 + half].astype(np.float64)
    return without_plane(middle)


def band_heights(area_mm: FloatArray, px_per_mm: float, short_mm: float, long_mm: float) -> FloatArray:
    """Heights between S- and L-filter, reflecting ends; at half of px_per_mm where that is above 10."""
    smooth = gaussian_filter(area_mm, SIGMA_PER_CUTOFF * short_mm * px_per_mm, mode="reflect")
    if px_per_mm > 10:
        # The S-filter left nothing a 0.1 mm grid could miss, and the L-filter's 400 taps cost a quarter
        # there.
        smooth = 0.25 * (smooth[::2, ::2] + smooth[1::2, ::2] + smooth[::2, 1::2] + smooth[1::2, 1::2])
        px_per_mm /= 2
    return np.asarray(
        smooth - gaussian_filter(smooth, SIGMA_PER_CUTOFF * long_mm * px_per_mm, mode="reflect")
    )


def mean_profile_depth(area_mm: FloatArray, px_per_mm: float) -> float:
    """MPD in mm: every row and column, 1 mm apart, one 100 mm segment in the middle of each.

    Per segment: least-squares line taken out, highest peak of each half, mean of both (ISO 13473-1).
    """
    smooth = gaussian_filter(area_mm, SIGMA_PER_CUTOFF * MPD_LOW_PASS_MM * px_per_mm, mode="reflect")
    n, count = smooth.shape[0], round(MPD_SEGMENT_MM * px_per_mm)
    start, step = (n - count) // 2, max(round(px_per_mm), 1)
    depths = []
    for field in (smooth, smooth.T):
        segments = field[step // 2 :: step, start : start + count]
        at = np.arange(count) - (count - 1) / 2
        slope = segments @ at / (at @ at)
        level = segments - segments.mean(1, keepdims=True) - slope[:, None] * at
        depths.append((level[:, : count // 2].max(1) + level[:, count // 2 :].max(1)) / 2)
    return float(np.concatenate(depths).mean())


def without_plane(height_mm: FloatArray) -> FloatArray:
    """Heights (rows, columns) less their least-squares plane, mm."""
    rows, cols = height_mm.shape
    design = np.stack(
        [np.ones(height_mm.size), *(g.ravel() for g in np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j])],
        axis=1,
    )
    plane, *_ = np.linalg.lstsq(design.T @ design, design.T @ height_mm.ravel(), rcond=None)
    return np.asarray(height_mm - (design @ plane).reshape(rows, cols))
