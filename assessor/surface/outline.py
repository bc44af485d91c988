"""From soft masks to outlines in mm: components, area with its uncertainty, what lies inside and round about."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from assessor.values import BoolArray, FloatArray, freeze

RING_MM = (2.0, 14.0)  # the floor round a patch, past its own soft edge


@dataclass(frozen=True, eq=False)
class Region:
    """One connected part: inside (h, w) and ring about it on a crop at row, col of the whole grid."""

    inside: BoolArray
    ring: BoolArray
    row: int
    col: int
    area_mm2: float
    u_area_mm2: float

    def __post_init__(self) -> None:
        freeze(self.inside)
        freeze(self.ring)

    def of(self, field: Any) -> Any:
        """The part of a whole field (..., H, W) that this region's crop shows."""
        height, width = self.inside.shape
        return field[..., self.row : self.row + height, self.col : self.col + width]


def regions(
    chance: FloatArray, other: BoolArray, px_per_mm: float, *, seed: float, grow: float, least_mm2: float
) -> list[Region]:
    """Connected parts of chance (H, W) over `grow` that reach `seed` somewhere and cover least_mm2.

    other: samples that are no plain floor, so that rings leave them out. The area's uncertainty is half of what lies
    between a stricter and a looser outline, and half a sample round the rim.
    """
    body = cv2.morphologyEx(
        (chance > grow).astype(np.uint8), cv2.MORPH_CLOSE, _disc(max(round(1.5 * px_per_mm), 1))
    )
    count, labels, stats, _ = cv2.connectedComponentsWithStats(body, connectivity=8)
    found = []
    for k in range(1, count):
        area = stats[k, cv2.CC_STAT_AREA] / px_per_mm**2
        if area < least_mm2:
            continue
        left, top, width, height = (int(v) for v in stats[k, :4])
        reach = int(np.ceil(RING_MM[1] * px_per_mm)) + 1
        r0, c0 = max(top - reach, 0), max(left - reach, 0)
        r1, c1 = min(top + height + reach, chance.shape[0]), min(left + width + reach, chance.shape[1])
        part = labels[r0:r1, c0:c1] == k
        own = chance[r0:r1, c0:c1]
        if not (own[part] > seed).any():
            continue
        inner, outer = (int((own[part] > level).sum()) for level in (0.7, 0.3))
        loose = int((cv2.dilate(part.astype(np.uint8), _disc(1)) > 0).sum() - part.sum())
        u_area = float(np.hypot((outer - inner) / 2, loose / 4) / px_per_mm**2)
        found.append(Region(part, _ring(part, other[r0:r1, c0:c1], px_per_mm), r0, c0, float(area), u_area))
    return found


def _ring(part: BoolArray, other: BoolArray, px_per_mm: float) -> BoolArray:
    """Plain floor 2 to 14 mm from a part; nearer where there is none."""
    away = cv2.distanceTransform((~part).astype(np.uint8), cv2.DIST_L2, 5) / px_per_mm
    ring = (away > RING_MM[0]) & (away < RING_MM[1]) & ~other
    if ring.sum() < 40:
        ring = (away > 0.5) & (away < 2 * RING_MM[1]) & ~other
    return np.asarray(ring)


def trace(region: Region, px_per_mm: float, x_min_mm: float, y_max_mm: float) -> FloatArray:
    """Outer outline (N, 2) in mm, simplified to a quarter of a millimetre or half a sample."""
    padded = np.pad(region.inside.astype(np.uint8), 1)
    lines, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    line = max(lines, key=cv2.contourArea)
    line = cv2.approxPolyDP(line, max(0.25 * px_per_mm, 0.5), True)[:, 0, :].astype(float) - 1
    x = x_min_mm + (line[:, 0] + region.col + 0.5) / px_per_mm
    y = y_max_mm - (line[:, 1] + region.row + 0.5) / px_per_mm
    return np.stack([x, y], 1)


def distance_to(outline_mm: FloatArray, centres_mm: FloatArray) -> float:
    """From the nearest of some centres (N, 2) to the outline's nearest point, mm; 0 inside."""
    line = np.asarray(outline_mm, np.float32)[:, None]
    signed = [cv2.pointPolygonTest(line, (float(x), float(y)), True) for x, y in centres_mm]
    return float(max(0.0, min(-value for value in signed)))


def _disc(radius: int) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    return np.asarray(
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)), np.uint8
    )
