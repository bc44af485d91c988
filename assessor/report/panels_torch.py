"""The panels that a torch adds to the one-page picture: where it stood, the colour without shading, fine heights.

Same rules as `panels`: dark on white, one map for heights, no meaning that rests on colour alone.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Wedge

from assessor.card.designs import common_design, window_of
from assessor.card.layout import PAPERS_MM
from assessor.card.linear import srgb_from_linear
from assessor.report.panels import HALO, INK, PALE, levelled, scale_bar, title
from assessor.report.schema import CaptureRecord
from assessor.report.schema_base import FINE_BAND, BandRecord
from assessor.report.words import band_words
from assessor.texture.filters import band_pass, fill_invalid
from assessor.values import Band, CaptureResult, FloatArray, HeightMap, SlopeMap, Torches, U8Array

LOW_DEG, HIGH_DEG = 15.0, 40.0  # where a torch should stand (guide); shown as a pale ring
_RIM_MM = 330.0  # drawn distance of a torch on the floor itself; the sheet's corner lies at 182
_SHEET_PX_PER_MM = 2.0


def shown_band(record: CaptureRecord) -> BandRecord | None:
    """The band to show the heights in: the widest from 0.5 mm that was quoted; None without a torch."""
    if record.slopes is None or record.texture is None:
        return None
    bands = [
        q.band for q in record.texture.quantities if q.name == "Sq" and q.band.short_mm == FINE_BAND.short_mm
    ]
    return max(bands, key=lambda band: band.long_mm, default=FINE_BAND)


def in_band(heights: HeightMap, band: BandRecord | None) -> FloatArray:
    """Heights for display, (H, W) mm, NaN where not measured: in a band, or less their plane without one."""
    level = levelled(heights)
    known = np.isfinite(level)
    if band is None or not known.any():
        return level
    filled = fill_invalid(np.nan_to_num(level), known)
    kept = band_pass(filled, 1.0 / heights.px_per_mm, Band(band.short_mm, band.long_mm))
    return np.where(known, kept, np.nan)


def draw_torches(axes: Axes, result: CaptureResult, torches: Torches) -> None:
    """The sheet from above, upright, and round it the torch of every photo, numbered in the order of the photos.

    Direction is the torch's; the distance from the middle shows how low it was held (the rim: level with the floor).
    """
    first = torches.photo_names[0]
    paper_w, paper_h = PAPERS_MM["a4"]
    ring = Wedge(
        (0, 0), _radius(LOW_DEG), 0, 360, width=_radius(LOW_DEG) - _radius(HIGH_DEG), color=PALE, lw=0
    )
    axes.add_patch(ring)
    axes.add_patch(Circle((0, 0), _RIM_MM, fill=False, ec=INK, lw=0.8, ls=(0, (4, 3))))
    axes.imshow(
        sheet_from_above(result, first),
        extent=(-paper_w / 2, paper_w / 2, -paper_h / 2, paper_h / 2),
        zorder=2,
    )
    window = window_of(common_design(result.sightings))
    x, y = [window.x_min_mm, window.x_max_mm], [window.y_min_mm, window.y_max_mm]
    axes.plot([x[0], x[1], x[1], x[0], x[0]], [y[0], y[0], y[1], y[1], y[0]], color=INK, lw=1.2, zorder=3)
    size = 9 if len(torches.lights) <= 9 else 6.5
    for n, light in enumerate(torches.lights, start=1):
        turn, radius = math.radians(light.azimuth_deg), _radius(light.elevation_deg)
        at, toward = (radius * math.cos(turn), radius * math.sin(turn)), 0.62
        axes.annotate(
            "", (at[0] * toward, at[1] * toward), at, zorder=4, annotation_clip=False,
            arrowprops={"arrowstyle": "->", "color": INK, "lw": 1.2, "path_effects": HALO},
        )  # fmt: skip
        box = {"boxstyle": "circle,pad=0.25", "fc": INK, "ec": "white", "lw": 1.0}
        axes.text(
            *at, str(n), ha="center", va="center", size=size, weight="bold", color="white", bbox=box, zorder=5
        )
    ring_words = f"grey: {LOW_DEG:.0f}-{HIGH_DEG:.0f}° up, as it should be"
    axes.text(0, -1.1 * _RIM_MM, ring_words, size=8, ha="center", va="top")
    axes.set_xlim(-_RIM_MM * 1.06, _RIM_MM * 1.06)
    axes.set_ylim(-_RIM_MM * 1.06, _RIM_MM * 1.06)
    axes.set_aspect("equal")
    axes.set_axis_off()
    title(axes, "1  Where the torch stood")


def draw_albedo(axes: Axes, slopes: SlopeMap) -> None:
    """The window as if lit evenly: its own colour, free of shading, white as the card's paper."""
    rows, cols = slopes.albedo_rgb.shape[:2]
    step = 1.0 / slopes.albedo_px_per_mm
    x0, y1 = slopes.x_min_mm, slopes.y_max_mm
    extent = (x0, x0 + cols * step, y1 - rows * step, y1)
    axes.imshow(
        np.clip(srgb_from_linear(np.clip(np.nan_to_num(slopes.albedo_rgb), 0.0, 1.0)), 0.0, 1.0),
        extent=extent,
        interpolation="antialiased",
    )
    scale_bar(axes, extent)
    axes.set_xticks([])
    axes.set_yticks([])
    title(axes, "2  Colour without shading")
    axes.set_xlabel("stones and stains; no relief", fontsize=8)


def sheet_from_above(result: CaptureResult, photo_name: str) -> U8Array:
    """The A4 sheet of one photo as seen from straight above, top up; (H, W, 3) sRGB bytes at 2 px per mm."""
    sighting = next((s for s in result.sightings if s.photo_name == photo_name), result.sightings[0])
    photo = next((p for p in result.photos if p.name == sighting.photo_name), result.photos[0])
    shrink = min(1.0, _SHEET_PX_PER_MM / sighting.px_per_mm)
    small = cv2.resize(photo.rgb_u8, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    # Pixel centres lie at whole numbers, so a resize moves them by half a pixel less half a new one.
    shrunk = np.array([[shrink, 0, (shrink - 1) / 2], [0, shrink, (shrink - 1) / 2], [0, 0, 1.0]])
    paper_w, paper_h = PAPERS_MM["a4"]
    step = 1.0 / _SHEET_PX_PER_MM
    mm_from_out = np.array([[step, 0, (step - paper_w) / 2], [0, -step, (paper_h - step) / 2], [0, 0, 1.0]])
    size = (round(paper_w / step), round(paper_h / step))
    warp = shrunk @ np.asarray(sighting.px_from_mm) @ mm_from_out
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpPerspective(small, warp, size, flags=flags, borderValue=(255, 255, 255)), np.uint8
    )


def heights_label(band: BandRecord | None, *, in_mm: bool = True) -> str:
    """What the colour bar of the height map measures."""
    if not in_mm:
        return "relief without a scale"
    return "height, mm (plane removed)" if band is None else f"height, mm (waves of {band_words(band)})"


def _radius(elevation_deg: float) -> float:
    return _RIM_MM * (1.0 - elevation_deg / 90.0)
