"""Where a zone's floor stands out from its own mottle, at every size: the map that patches of overviews grow on.

A finder that was trained on other floors cannot know how stony this one is. The zone can: all over it, the difference
between a disc and what lies round it (two Gaussian means), in brightness, tint and fine texture, scatters by so much,
and stones make the tail of that scatter heavier than a Gaussian's. A place counts by how far it lies outside it in all
channels together, at its best size; its outline is where the channel that shows it best falls to half. Saw cuts and
other straight thin lines are found first and left out. What stands out is a suspicion only; the learned model says
which kind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from scipy import ndimage

from assessor.card.linear import LUMINANCE
from assessor.surface.zone_even import smooth
from assessor.values import BoolArray, FloatArray, FloorImage


@dataclass(frozen=True, slots=True)
class BlobSettings:
    """Sizes and limits, in units of the zone's own scatter."""

    radii_mm: tuple[float, ...] = (5.0, 7.0, 10.0, 15.0, 22.0, 35.0, 60.0, 110.0, 200.0)
    list: float = 5.5  # from which a place is looked at; `zone_weigh` decides what becomes of it
    line_mm: float = 350.0  # straight dark lines at least so long are joints
    line_half_mm: float = 9.0
    rim_mm: float = 12.0
    thin_mm: float = 6.0  # half width of a line at most
    line_aspect: float = 4.5  # and how much longer than wide it is at least
    line_filled: float = 0.9  # of a line that is dark


def blob_map(image: FloorImage, settings: BlobSettings | None = None) -> FloatArray:
    """How far each sample's place lies outside the floor's mottle, (H, W) float32 in scatters; 0 where it doesn't."""
    settings = settings or BlobSettings()
    px = image.px_per_mm
    use = image.valid & ~_joints(image, settings)
    outside = np.zeros(use.shape, np.float32)
    done = np.zeros(use.shape, bool)
    channels = channels_of(image, use)
    peaks = [
        (peak, radius)
        for radius in settings.radii_mm
        for peak in _peaks(channels, use, radius * px, settings)
    ]
    for (z, name, sign, row, column), radius in sorted(peaks, key=lambda one: -one[0][0]):
        if done[row, column]:
            continue
        found = _region(channels[name], use, (row, column), radius * px, sign)
        if found is None:
            continue
        rows, columns, inside = found
        # Beside something strong its own rim stands out again, in texture above all.
        done[rows, columns] |= _grown(inside, settings.rim_mm * px)
        if _is_line(inside, px, settings):
            continue
        part = outside[rows, columns]
        part[inside] = np.maximum(part[inside], np.float32(z))
    return outside


def _grown(mask: BoolArray, by_px: float) -> BoolArray:
    n = 2 * max(round(by_px), 1) + 1
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((n, n), np.uint8)) > 0)


def _is_line(inside: BoolArray, px_per_mm: float, settings: BlobSettings) -> bool:
    """Whether a region is long and thin: what is left of a saw cut, or a crack."""
    rows, columns = np.nonzero(inside)
    if not rows.size:
        return True
    length = float(np.hypot(np.ptp(rows) + 1, np.ptp(columns) + 1)) / px_per_mm
    half = float(cv2.distanceTransform(np.pad(inside, 1).astype(np.uint8), cv2.DIST_L2, 5).max()) / px_per_mm
    return half <= settings.thin_mm and length > settings.line_aspect * 2 * half


def channels_of(image: FloorImage, use: BoolArray) -> dict[str, FloatArray]:
    """Log brightness, log of red over blue, and log of the fine texture's rms."""
    light = np.maximum(image.reflectance, 0.01)
    grey = np.log(light @ LUMINANCE.astype(np.float32)).astype(np.float32)
    tint = np.log(light[..., 0] / light[..., 2]).astype(np.float32)
    fine = smooth(grey, use, 0.7) - smooth(grey, use, 3.0 * image.px_per_mm)
    texture = 0.5 * np.log(np.maximum(smooth(fine**2, use, 3.0 * image.px_per_mm), 1e-6))
    return {"brightness": grey, "tint": tint, "texture": texture.astype(np.float32)}


Peak = tuple[float, str, float, int, int]  # distance, channel that shows it best, its sign, row, column


def _peaks(
    channels: dict[str, FloatArray], use: BoolArray, radius_px: float, settings: BlobSettings
) -> list[Peak]:
    """Places where a disc of this size stands out most among its neighbours, in all channels together."""
    step = max(int(radius_px / 5), 1)  # larger discs need fewer samples
    rows, columns = use.shape[0] // step * step, use.shape[1] // step * step
    size = (columns // step, rows // step)
    weight = cv2.resize(use[:rows, :columns].astype(np.float32), size, interpolation=cv2.INTER_AREA)
    good = weight > 0.5
    sd = radius_px / step
    half = max(round(0.6 * sd), 1)
    inner = cv2.erode(good.astype(np.uint8), np.ones((2 * half + 1,) * 2, np.uint8), borderValue=0) > 0
    if inner.sum() < 50:
        return []
    every = {}
    for name, field in channels.items():
        cut = np.where(use, field, 0)[:rows, :columns].astype(np.float32)
        small = np.where(
            good, cv2.resize(cut, size, interpolation=cv2.INTER_AREA) / np.maximum(weight, 1e-3), 0
        )
        off = smooth(small, good, 0.55 * sd) - smooth(small, good, 1.8 * sd)
        every[name] = np.where(inner, off / _scale(np.abs(off[inner]), *_GAUSS), 0)
    total = np.sqrt(sum(z * z for z in every.values()))
    # Back to the scale of one channel, so that one limit serves: three have a longer tail.
    total = np.where(inner, total / _scale(total[inner], *_CHI3), 0)
    top = total >= ndimage.maximum_filter(total, size=2 * max(round(sd), 1) + 1)
    found = []
    for r, c in np.argwhere(top & (total >= settings.list)):
        name = max(every, key=lambda one: abs(float(every[one][r, c])))
        sign = float(np.sign(every[name][r, c]))
        found.append((float(total[r, c]), name, sign, int(r * step + step // 2), int(c * step + step // 2)))
    return found


_GAUSS, _CHI3 = (
    (0.6745, 2.576),
    (1.538, 3.368),
)  # median and 99th percentile of |normal| and of chi with 3 degrees


def _scale(values: FloatArray, median: float, far: float) -> float:
    """Scale of a floor's own differences, the larger of middle and tail; marks hardly reach 3 % of it."""
    return max(float(np.median(values)) / median, float(np.percentile(values, 97)) / far, 1e-4)


def _region(
    field: FloatArray, use: BoolArray, at: tuple[int, int], radius_px: float, sign: float
) -> tuple[slice, slice, BoolArray] | None:
    """Window and mask of what belongs to a peak: where the field falls to half of its difference from the ring."""
    reach = int(3.2 * radius_px) + 6
    rows = slice(max(at[0] - reach, 0), min(at[0] + reach + 1, use.shape[0]))
    columns = slice(max(at[1] - reach, 0), min(at[1] + reach + 1, use.shape[1]))
    seen = use[rows, columns]
    soft = sign * smooth(field[rows, columns], seen, float(np.clip(0.25 * radius_px, 1.5, 12)))
    r, c = at[0] - rows.start, at[1] - columns.start
    y, x = np.ogrid[: soft.shape[0], : soft.shape[1]]
    distance = np.hypot(y - r, x - c)
    core, ring = (
        seen & (distance < 0.5 * radius_px + 1),
        seen & (distance > 1.9 * radius_px) & (distance < reach),
    )
    if core.sum() < 2 or ring.sum() < 10:
        return None
    base = float(np.median(soft[ring]))
    top = float(np.percentile(soft[core], 60))
    if top <= base:
        return None
    over = seen & (soft > base + 0.5 * (top - base)) & (distance < reach)
    labels, _ = ndimage.label(over)
    near = labels[core]
    near = near[near > 0]
    if not near.size:
        return None
    return rows, columns, ndimage.binary_fill_holes(labels == np.bincount(near).argmax()) & seen


def _joints(image: FloorImage, settings: BlobSettings) -> BoolArray:
    """Samples on long straight dark lines, as saw cuts are, and within their blur."""
    px = image.px_per_mm
    grey = np.log(np.maximum(image.reflectance @ LUMINANCE.astype(np.float32), 0.01))
    off = smooth(grey, image.valid, 1.5 * px) - smooth(grey, image.valid, 8.0 * px)
    off[~image.valid] = 0
    scale = 1.4826 * float(np.median(np.abs(off[image.valid]))) if image.valid.any() else 1.0
    dark = (off < -max(3.0 * scale, 0.1)).astype(np.uint8)
    lines: Any = cv2.HoughLinesP(
        dark * 255, 1, np.pi / 720, threshold=round(0.4 * settings.line_mm * px),
        minLineLength=settings.line_mm * px, maxLineGap=15 * px,
    )  # fmt: skip
    near = cv2.dilate(dark, np.ones((3, 3), np.uint8))
    mask = np.zeros(image.valid.shape, np.uint8)
    for x0, y0, x1, y1 in np.asarray(lines).reshape(-1, 4) if lines is not None else ():
        n = int(max(abs(x1 - x0), abs(y1 - y0))) + 1
        along = near[np.linspace(y0, y1, n).round().astype(int), np.linspace(x0, x1, n).round().astype(int)]
        # A saw cut is dark all along; ridges and stones only happen to line up.
        if along.mean() >= settings.line_filled:
            cv2.line(
                mask, (int(x0), int(y0)), (int(x1), int(y1)), 1, max(round(2 * settings.line_half_mm * px), 1)
            )
    return np.asarray(mask > 0)
