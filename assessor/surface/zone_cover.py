"""Which part of a zone was seen well enough, and where the rest lies."""

from __future__ import annotations

import cv2
import numpy as np
from scipy import ndimage

from assessor.values import BoolArray, FloatArray
from assessor.values.overview import Coverage, Gap, Mosaic, ZoneArea, ZoneFit

LEAST_GAP_M2 = 0.02  # 14 x 14 cm; less is the seam's frayed rim


def cover_zone(mosaic: Mosaic, zone: ZoneArea | None, fit: ZoneFit) -> Coverage:
    """Covered area, and of the zone its share and gaps; what lies under a sheet is not covered, but no gap either."""
    image = mosaic.image
    sample_m2 = 1e-6 / image.px_per_mm**2
    inside = _inside(mosaic, zone)
    covered = float((image.valid & inside).sum()) * sample_m2
    hidden = float((mosaic.hidden & inside).sum()) * sample_m2
    u_place = max((sheet.u_mm for sheet in fit.sheets), default=0.0)
    # The rim of what was seen moves with the places; the area goes with the square of the print's scale.
    rim_m = 4 * np.sqrt(max(covered, 0.01))
    u_covered = float(np.hypot(2 * fit.u_scale * covered, rim_m * u_place / 1000))
    method = f"samples with at least the limit's pixels per mm, sheets left out ({hidden:.2f} m2)"
    if zone is None:
        return Coverage(covered, u_covered, hidden, None, None, None, (), method)
    zone_m2 = zone.length_mm * zone.width_mm / 1e6
    # A person's zone is read off a tape; its corner is where the sheet lies: 10 mm each.
    u_share = float(np.hypot(u_covered / zone_m2, 0.01 * (zone.length_mm + zone.width_mm) / 1000 / zone_m2))
    return Coverage(
        covered, u_covered, hidden, zone_m2, min(covered / max(zone_m2 - hidden, 1e-9), 1.0), u_share,
        _gaps(inside & ~image.valid & ~mosaic.hidden, mosaic), method,
    )  # fmt: skip


def _inside(mosaic: Mosaic, zone: ZoneArea | None) -> BoolArray:
    image = mosaic.image
    shape = image.valid.shape
    if zone is None:
        return np.ones(shape, bool)
    x, _ = image.place(np.zeros(1), np.arange(shape[1], dtype=float))
    _, y = image.place(np.arange(shape[0], dtype=float), np.zeros(1))
    across = (x >= zone.x_mm) & (x <= zone.x_mm + zone.length_mm)
    along = (y >= zone.y_mm) & (y <= zone.y_mm + zone.width_mm)
    return np.asarray(along[:, None] & across[None])


def _gaps(missing: BoolArray, mosaic: Mosaic) -> tuple[Gap, ...]:
    """Connected parts that were not seen, largest first."""
    image = mosaic.image
    labels, count = ndimage.label(missing)
    gaps = []
    for k, box in enumerate(ndimage.find_objects(labels, count), start=1):
        part = labels[box] == k
        area = float(part.sum()) * 1e-6 / image.px_per_mm**2
        if area < LEAST_GAP_M2:
            continue
        outline = outline_of(part, box[0].start, box[1].start, mosaic)
        low, high = outline.min(0), outline.max(0)
        centre = (low + high) / 2
        size = (float(high[0] - low[0]) / 1000, float(high[1] - low[1]) / 1000)
        gaps.append(Gap(outline, area, (float(centre[0]), float(centre[1])), size))
    return tuple(sorted(gaps, key=lambda gap: -gap.area_m2))


def outline_of(part: BoolArray, row: int, column: int, mosaic: Mosaic) -> FloatArray:
    """The longest outline (N, 2) in mm of a mask whose first sample is (row, column) of the mosaic."""
    contours, _ = cv2.findContours(part.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    longest = max(contours, key=len)
    points = np.asarray(cv2.approxPolyDP(longest, 2.0, True), dtype=float).reshape(-1, 2)
    x, y = mosaic.image.place(points[:, 1] + row, points[:, 0] + column)
    return np.stack([x, y], -1)
