"""Join the height maps of one spot from `angles` (right at long waves) and `torch` (right at short ones).

1. Register: the torch map is moved by what is left of the shift between the two, where their shared waves correlate
   best.
2. Gain: in the band that both pass and see quietly, the ratio of the two from covariances in which noise cancels,
   cov(A, T) / cov(T1, T2) and cov(A1, A2) / cov(A, T); noise in either map would bias a plain regression (Fuller
   1987, "Measurement error models"). Both kinds' scales are then corrected by what that ratio tells, each by its share
   of the doubt (weighted least squares). A ratio that the doubts can't explain is not averaged away: flag
   `kinds-disagree`, the angles' scale stays and the uncertainty reaches to the torch's.
3. Combine wave by wave by the inverse of each kind's error power: noise from the halves' differences, smoothed over an
   octave; doubt of the transfer; and what the halves share and so can't show.

Where only one kind saw the ground, the other's map takes its heights there on its own long waves, before any
transform; the joint map is valid where either is. Halves are joined pairwise, (A1, T1) and (A2, T2), so they stay
independent. Source: design section 4 (torch; noise), study.md part 4 E5.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from assessor.texture.filters import band_weights, fill_invalid, low_pass, remove_plane, spectrum
from assessor.texture.fuse_match import Ratio, find_ratio, find_shift
from assessor.texture.fuse_waves import FuseSettings, Scales, Spectra, bend_power, usual_bend_mm2, weigh_waves
from assessor.texture.view import Z90
from assessor.values import Band, BoolArray, FloatArray, HeightMap

__all__ = ["FuseSettings", "Fused", "fuse_heights"]


@dataclass(frozen=True, eq=False)
class Fused:
    """The joint map, and how the two kinds compared.

    gain: angles' amplitude over the torch's in the shared band, 1 where it couldn't be told; u_gain: its standard
    uncertainty, then infinite. shift_mm: how the torch map was moved, (x, y) in the card frame. sentence: for people.
    """

    heights: HeightMap
    gain: float
    u_gain: float
    shift_mm: tuple[float, float]
    flags: tuple[str, ...]
    sentence: str


@dataclass(frozen=True, eq=False)
class _Kind:
    """One kind's maps over the common area, levelled: (map, half, half); `map_` is the value they came in."""

    maps: tuple[FloatArray, FloatArray, FloatArray]
    valid: BoolArray
    map_: HeightMap

    def spectra(self) -> Spectra:
        one, two, three = (spectrum(part, 1.0 / self.map_.px_per_mm) for part in self.maps)
        return one, two, three


def fuse_heights(angles: HeightMap, torch: HeightMap, settings: FuseSettings | None = None) -> Fused:
    """Join two height maps of one spot, both in the card frame at one px_per_mm, over the area they share.

    ValueError where a map has no halves, the grids differ in density, or the maps share no valid ground.
    """
    use = settings or FuseSettings()
    if angles.halves is None or torch.halves is None:
        raise ValueError("both height maps need halves to be joined")
    if not math.isclose(angles.px_per_mm, torch.px_per_mm, rel_tol=1e-6):
        raise ValueError("both height maps must have one px_per_mm")
    area, torch_area, start = _common(angles, torch)
    shift, known = _shift(angles, torch, (area, torch_area, start), use)
    one, two, level = _levelled(angles, _moved(torch, shift), area, torch_area)
    spectra = one.spectra(), two.spectra()
    ratio = _ratio(one, two, spectra, use)
    scales = _scales(ratio, angles.u_scale, torch.u_scale, use)
    waves = weigh_waves(
        spectra, (angles.transfer, torch.transfer), scales, "torch-uneven" in torch.flags, use
    )
    weights = waves.on(spectra[0][0])
    joint, *halves = (
        (level + a.times(weights[0]).height() + b.times(weights[1]).height()).astype(np.float32)
        for a, b in zip(*spectra, strict=True)
    )
    step = 1.0 / angles.px_per_mm
    # A positive shift means that the torch's surface lies to the right and down: it was moved left and up.
    moved = tuple(
        sign * (now - then) * step for sign, now, then in zip((-1, 1), shift[::-1], start[::-1], strict=True)
    )
    flags = tuple(
        dict.fromkeys((*angles.flags, *torch.flags, *(("kinds-disagree",) if scales.disagree else ())))
    )
    heights = HeightMap(
        height_mm=joint,
        valid=one.valid | two.valid,
        px_per_mm=angles.px_per_mm,
        x_min_mm=angles.x_min_mm + area[1].start * step,
        y_max_mm=angles.y_max_mm - area[0].start * step,
        halves=(halves[0], halves[1]),
        transfer=waves.transfer,
        shortest_trusted_mm=min(angles.shortest_trusted_mm, torch.shortest_trusted_mm),
        u_scale=scales.u_common,
        agreement=ratio.correlation,
        method=f"{angles.method} and {torch.method}, joined wave by wave by their noise",
        flags=flags,
    )
    sentence = _sentence(ratio, scales, moved if known else None)
    return Fused(heights, ratio.value, ratio.u, (moved[0], moved[1]), flags, sentence)


def _common(
    angles: HeightMap, torch: HeightMap
) -> tuple[tuple[slice, slice], tuple[slice, slice], tuple[float, float]]:
    """Rows and columns that both maps cover, in each map's cells, and by what part of a cell the torch's lie off."""
    density = angles.px_per_mm
    own, other, rest = [], [], []
    for offset_mm, n, m in (
        (torch.y_max_mm - angles.y_max_mm, angles.height_mm.shape[0], torch.height_mm.shape[0]),
        (angles.x_min_mm - torch.x_min_mm, angles.height_mm.shape[1], torch.height_mm.shape[1]),
    ):
        whole = round(offset_mm * density)
        first, last = max(0, -whole), min(n, m - whole)
        if last - first < 2:
            raise ValueError("the two height maps share no ground")
        own.append(slice(first, last))
        other.append(slice(first + whole, last + whole))
        rest.append(offset_mm * density - whole)
    return (own[0], own[1]), (other[0], other[1]), (rest[0], rest[1])


def _shift(
    angles: HeightMap,
    torch: HeightMap,
    where: tuple[tuple[slice, slice], tuple[slice, slice], tuple[float, float]],
    use: FuseSettings,
) -> tuple[tuple[float, float], bool]:
    """Cells (rows, columns) by which the torch's surface lies beyond the angles', and whether it was measured."""
    step, short = 1.0 / angles.px_per_mm, use.register_short_mm
    maps = []
    for heights, part in zip((angles, torch), where[:2], strict=True):
        valid = heights.valid[part]
        whole = spectrum(remove_plane(fill_invalid(heights.height_mm[part], valid), valid), step)
        shape = whole.grid_shape(short / 6)
        maps.append(whole.times(band_weights(whole, Band(short, use.shared_long_mm))).height(shape))
    rows, cols = (old * step / new for old, new in zip(whole.shape, shape, strict=True))
    found = find_shift(maps[0], maps[1], use.most_shift_mm / max(rows, cols))
    if found is None or found.u * max(rows, cols) > use.most_u_shift_mm:
        return where[2], False
    expected = (where[2][0] * step / rows, where[2][1] * step / cols)
    # A faint surface places the maps worse than the card did: only a shift that stands out is undone.
    far = [
        (cells - lies) / max(u, 1e-6)
        for cells, lies, u in zip(found.cells, expected, found.u_cells, strict=True)
    ]
    if math.hypot(*far) < use.least_shift_u:
        return where[2], False
    return (found.cells[0] * rows / step, found.cells[1] * cols / step), True


def _moved(heights: HeightMap, cells: tuple[float, float]) -> HeightMap:
    """The map drawn back by `cells` (rows, columns); ground that came from beyond its edge is not valid."""
    if max(abs(part) for part in cells) < 1e-3:
        return heights
    back = tuple(-part for part in cells)

    def moved(height: FloatArray) -> FloatArray:
        # Fifth order: a wave of five cells keeps its height to 0.2 %, where third order takes 1.5 %.
        return np.asarray(ndimage.shift(height, back, order=5, mode="reflect", output=np.float32))

    assert heights.halves is not None
    valid = ndimage.shift(heights.valid.astype(np.uint8), back, order=0, mode="constant", cval=0) > 0
    one, two = heights.halves
    return replace(heights, height_mm=moved(heights.height_mm), valid=valid, halves=(moved(one), moved(two)))


def _levelled(
    angles: HeightMap, torch: HeightMap, area: tuple[slice, slice], torch_area: tuple[slice, slice]
) -> tuple[_Kind, _Kind, FloatArray]:
    """Both kinds over the common area without planes and gaps, and the angles' plane."""
    assert angles.halves is not None and torch.halves is not None
    valid = (angles.valid[area], torch.valid[torch_area])
    both = valid[0] & valid[1]
    pairs = []
    for one, two in zip((angles.height_mm, *angles.halves), (torch.height_mm, *torch.halves), strict=True):
        level = (remove_plane(one[area], both), remove_plane(two[torch_area], both))
        shortest = (angles.shortest_trusted_mm, torch.shortest_trusted_mm)
        pairs.append(_filled(level, valid, shortest, 1.0 / angles.px_per_mm))
    plane = angles.height_mm[area] - remove_plane(angles.height_mm[area], both)
    kinds = [
        _Kind((pairs[0][k], pairs[1][k], pairs[2][k]), valid[k], of) for k, of in enumerate((angles, torch))
    ]
    return kinds[0], kinds[1], plane


def _filled(
    maps: tuple[FloatArray, FloatArray],
    valid: tuple[BoolArray, BoolArray],
    shortest_mm: tuple[float, float],
    step_mm: float,
) -> tuple[FloatArray, FloatArray]:
    """Two levelled maps, each with its gaps filled by the other's waves where that one saw the ground."""
    either = valid[0] | valid[1]
    if valid[0].all() and valid[1].all():
        return maps
    between = fill_invalid(maps[0] - maps[1], valid[0] & valid[1])
    out = []
    for own, other, sign in ((0, 1, 1), (1, 0, -1)):
        filled = maps[own]
        if not valid[own].all():
            # Only waves that the lender is trusted in: what is shorter is its noise.
            lent = low_pass(fill_invalid(maps[other], valid[other]), step_mm, shortest_mm[other])
            filled = fill_invalid(np.where(valid[own], maps[own], lent + sign * between), either)
        out.append(filled)
    return out[0], out[1]


def _ratio(one: _Kind, two: _Kind, spectra: tuple[Spectra, Spectra], use: FuseSettings) -> Ratio:
    """Angles' amplitude over the torch's in the shared band, the doubt of both transfers included."""
    whole = spectra[0][0]
    band = Band(use.shared_short_mm, use.shared_long_mm)
    weights, wavelength = band_weights(whole, band), 1.0 / np.maximum(whole.radial(), 1e-9)
    shape = whole.grid_shape(band.short_mm / 4)
    maps, doubts = [], []
    for kind, (mean, first, second) in zip((one, two), spectra, strict=True):
        passed = np.maximum(kind.map_.transfer.at(wavelength), use.least_transfer)
        a, b, c = (of.times(weights / passed).height(shape) for of in (mean, first, second))
        maps.append((a, b, c))
        power = np.square(weights * mean.coefficients, dtype=np.float64)
        doubts.append(
            float(np.sum(power * kind.map_.transfer.u_at(wavelength) / passed) / max(power.sum(), 1e-30))
        )
    usual = usual_bend_mm2("torch-uneven" in two.map_.flags, use)
    bend = np.sum(bend_power(whole.radial(), whole, usual, use) * weights**2)
    shared = (use.angles_shared_mm, math.sqrt(float(bend) / math.prod(whole.shape)))
    seen = (
        ndimage.zoom(
            (one.valid & two.valid).astype(np.float32),
            [n / m for n, m in zip(shape, whole.shape, strict=True)],
            order=1,
        )
        > 0.99
    )
    ratio = find_ratio(maps[0], maps[1], None if seen.all() else seen, shared)
    return replace(ratio, u=math.hypot(ratio.u, ratio.value * math.hypot(*doubts)))


def _scales(ratio: Ratio, u_angles: float, u_torch: float, use: FuseSettings) -> Scales:
    """Correct both scales by what their ratio tells, or say that they disagree."""
    log, u = math.log(ratio.value), ratio.u / ratio.value
    total = u_angles**2 + u_torch**2 + u**2
    beyond = abs(log) > use.disagree_u * math.sqrt(total)
    if ratio.seen and (beyond or abs(log) > max(use.disagree_share, 2.0 * u)):
        # 90 % of a normal distribution lie within Z90 u: the interval reaches to the torch's own reading.
        far = abs(1.0 / ratio.value - 1.0) / Z90
        return Scales(1.0, 1.0 / ratio.value, math.hypot(u_angles, far), 0.0, u, disagree=True)
    if not math.isfinite(u) or total <= 0:
        pulls, spreads = (0.0, 0.0), (u_angles, u_torch)
    else:
        pulls = (log * u_angles**2 / total, -log * u_torch**2 / total)
        spreads = (
            u_angles * math.sqrt((u_torch**2 + u**2) / total),
            u_torch * math.sqrt((u_angles**2 + u**2) / total),
        )
    # Both hang on one card and its tape readings: the pair is never surer than the surer of the two.
    least = min(u_angles, u_torch)
    a, t = (max(part, least) for part in spreads)
    common = min(a, t)
    own = [math.sqrt(part**2 - common**2) for part in (a, t)]
    return Scales(math.exp(pulls[0]), math.exp(pulls[1]), common, own[0], own[1], disagree=False)


def _sentence(ratio: Ratio, scales: Scales, moved_mm: tuple[float, ...] | None) -> str:
    """What was found, in words."""
    if not ratio.seen:
        gain = "The surface is too faint to compare angles and torch, so each keeps its own scale"
    elif scales.disagree:
        gain = (
            f"Angles and torch disagree: the angles' heights are {ratio.value:.2f} times the torch's"
            f" (u {ratio.u:.2f}); the angles' scale is kept and the interval reaches to the torch's"
        )
    else:
        gain = (
            f"Angles' heights are {ratio.value:.3f} times the torch's (u {ratio.u:.3f}): angles divided by"
            f" {scales.angles:.3f}, torch by {scales.torch:.3f}"
        )
    if moved_mm is None:
        return f"{gain}; no shift between them stands out."
    return f"{gain}; the torch map was moved by {moved_mm[0]:+.2f} mm across and {moved_mm[1]:+.2f} mm up."
