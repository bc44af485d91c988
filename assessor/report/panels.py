"""The panels of the one-page picture, each drawn on axes it is given.

Read in sunlight and by colour-blind eyes: dark on white, one single-hue-like map (cividis, Nunez et al. 2018,
made for colour vision deficiency), and no meaning that rests on colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.font_manager import findfont, get_font
from matplotlib.patches import Rectangle as Box
from matplotlib.patheffects import withStroke

from assessor.card.designs import common_design, design_layout, window_of
from assessor.card.layout import Rectangle
from assessor.report.schema import SuggestionRecord
from assessor.report.words import percent
from assessor.values import BoolArray, CaptureResult, CardSighting, FloatArray, HeightMap, U8Array

INK, PALE = "#111111", "#c9c9c9"
HALO = [withStroke(linewidth=3.5, foreground="white")]
_MAP_SIDE_PX = 600


@dataclass(frozen=True, eq=False)
class Profile:
    """One line of heights across the window: positions and heights in mm (NaN where not measured)."""

    along_mm: FloatArray
    height_mm: FloatArray
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]


def printable(text: str) -> str:
    """The text with "?" for every character that our font lacks (file names come from anywhere)."""
    return "".join(c if ord(c) in _known_characters() else "?" for c in text)


@cache
def _known_characters() -> frozenset[int]:
    return frozenset({*get_font(findfont("DejaVu Sans")).get_charmap(), ord("\n")})


def title(axes: Axes, text: str) -> None:
    """Set a panel's title, at the left, as plain text."""
    axes.set_title(printable(text), loc="left", fontsize=10, fontweight="bold", parse_math=False)


def levelled(heights: HeightMap) -> FloatArray:
    """Heights less their best plane, (H, W) mm, NaN where not measured; for display only."""
    rows, cols = heights.height_mm.shape
    y, x = np.mgrid[0:rows, 0:cols].astype(float)
    good = heights.valid & np.isfinite(heights.height_mm)
    if good.sum() < 3:
        return np.full((rows, cols), np.nan)
    step = max(1, int(good.sum() // 20000))
    design = np.column_stack([x[good][::step], y[good][::step], np.ones(len(x[good][::step]))])
    plane, *_ = np.linalg.lstsq(design, heights.height_mm[good][::step].astype(float), rcond=None)
    level = heights.height_mm - (plane[0] * x + plane[1] * y + plane[2])
    return np.where(good, level, np.nan)


def middle_profile(heights: HeightMap, level: FloatArray, lay_deg: float | None) -> Profile:
    """The line through the map's middle that crosses the lay (across the sheet where there is none)."""
    rows, cols = level.shape
    step = 1.0 / heights.px_per_mm
    x = heights.x_min_mm + (np.arange(cols) + 0.5) * step
    y = heights.y_max_mm - (np.arange(rows) + 0.5) * step
    if lay_deg is not None and (lay_deg < 45 or lay_deg > 135):
        col = cols // 2
        return Profile(y[0] - y, level[:, col], (float(x[col]), float(y[0])), (float(x[col]), float(y[-1])))
    row = rows // 2
    return Profile(x - x[0], level[row], (float(x[0]), float(y[row])), (float(x[-1]), float(y[row])))


def outlined_photo(result: CaptureResult, width_px: int) -> U8Array:
    """The part of the first used photo that shows the card, `width_px` wide, with sheet and window outlined.

    Returns (H, W, 3) sRGB bytes.
    """
    sighting = result.sightings[0]
    photo = next((p for p in result.photos if p.name == sighting.photo_name), result.photos[0])
    layout = design_layout(sighting.design, sighting.serial or 0)
    window = window_of(common_design(result.sightings))
    outlines = [_outline_px(area, sighting) for area in (layout.extent, window)]
    left, top, right, bottom = _around(np.concatenate(outlines), photo.size_px)
    part = photo.rgb_u8[top:bottom, left:right]
    scale = width_px / part.shape[1]
    size = (width_px, max(1, round(part.shape[0] * scale)))
    image = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    for outline in outlines:
        # Pixel centres lie at whole numbers, so a resize moves them by half a pixel less half a new one.
        points = (outline - (left, top) + 0.5) * scale - 0.5
        fixed = np.round(points * 16).astype(np.int32)
        for colour, thickness in (((255, 255, 255), 7), ((0, 0, 0), 3)):
            cv2.polylines(image, [fixed], True, colour, thickness, cv2.LINE_AA, shift=4)
    return np.asarray(image, dtype=np.uint8)


def _around(outline: FloatArray, size_px: tuple[int, int]) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of the card with a margin, in the shape 4:3 where the photo allows it."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    centre, span = (low + high) / 2, (high - low) * 1.15
    wide = max(span[0], span[1] * 4 / 3)
    half = np.array([wide, max(span[1], wide * 3 / 4)]) / 2
    left, top = (int(max(0, value)) for value in centre - half)
    right, bottom = (int(min(limit, value)) for limit, value in zip(size_px, centre + half, strict=True))
    if right - left < 2 or bottom - top < 2:
        return 0, 0, size_px[0], size_px[1]
    return left, top, right, bottom


def draw_photo(axes: Axes, result: CaptureResult) -> None:
    """The first photo with the outlines of sheet and window."""
    axes.imshow(outlined_photo(result, 900))
    axes.set_xticks([])
    axes.set_yticks([])
    name = result.sightings[0].photo_name.rsplit("/", 1)[-1]
    title(axes, f"1  Photo {name if len(name) <= 34 else name[:31] + '...'}")
    axes.set_xlabel("outer line: the print found; inner line: its window", fontsize=8)


def draw_map(
    axes: Axes,
    colour_axes: Axes,
    heights: HeightMap,
    level: FloatArray,
    profile: Profile,
    *,
    label: str,
    name: str,
) -> None:
    """The height map with colour bar (and its label), scale bar, hatched gaps and the profile's line."""
    rows, cols = level.shape
    step = 1.0 / heights.px_per_mm
    x0, y1 = heights.x_min_mm, heights.y_max_mm
    extent = (x0, x0 + cols * step, y1 - rows * step, y1)
    limit = _limits(level)
    image = axes.imshow(
        level, extent=extent, cmap="cividis", vmin=limit[0], vmax=limit[1], interpolation="antialiased"
    )
    _hatch_gaps(axes, np.isfinite(level), extent)
    bar = axes.figure.colorbar(image, cax=colour_axes, extend="both")
    bar.set_label(label, fontsize=8)
    bar.ax.tick_params(labelsize=8)
    (ax, ay), (bx, by) = profile.start_mm, profile.end_mm
    axes.plot([ax, bx], [ay, by], color=INK, lw=1.4, ls=(0, (6, 3)), path_effects=HALO)
    for letter, (px, py) in (("A", profile.start_mm), ("B", profile.end_mm)):
        axes.annotate(
            letter,
            (px, py),
            ha="center",
            va="center",
            fontsize=11,
            weight="bold",
            path_effects=HALO,
            xytext=_inward(letter, profile),
            textcoords="offset points",
        )
    scale_bar(axes, extent)
    axes.set_xticks([])
    axes.set_yticks([])
    title(axes, name)
    gaps = "white or hatched: not measured; " if not np.isfinite(level).all() else ""
    axes.set_xlabel(f"{gaps}A-B: the line below", fontsize=7 if gaps else 8)


def draw_profile(axes: Axes, profile: Profile, *, number: int = 3, noise_mm: float | None = None) -> None:
    """One line of heights, with the factor by which height is drawn larger than length, and the method's noise."""
    good = np.isfinite(profile.height_mm)
    lowest = float(profile.height_mm[good].min()) if good.any() else 0.0
    axes.fill_between(profile.along_mm, profile.height_mm, lowest, color=PALE, lw=0)
    axes.plot(profile.along_mm, profile.height_mm, color=INK, lw=1.0)
    axes.set_xlim(0, float(profile.along_mm.max()))
    if noise_mm is not None and good.any():
        _noise_mark(axes, profile, noise_mm)
    axes.set_xlabel("mm along A-B", fontsize=8)
    axes.set_ylabel("height, mm", fontsize=8)
    axes.tick_params(labelsize=8)
    axes.grid(True, color=PALE, lw=0.5)
    axes.set_axisbelow(True)
    box = axes.get_window_extent()
    x_lim, y_lim = axes.get_xlim(), axes.get_ylim()
    mm_x, mm_y = (x_lim[1] - x_lim[0]) / box.width, (y_lim[1] - y_lim[0]) / box.height
    title(
        axes, f"{number}  One line across (height drawn {_round_nice(mm_x / mm_y)} times larger than length)"
    )


def _noise_mark(axes: Axes, profile: Profile, noise_mm: float) -> None:
    """How far noise moves the line to either side (rms), at its right end."""
    end, middle = float(profile.along_mm.max()), float(np.nanmean(profile.height_mm))
    axes.set_xlim(0, 1.12 * end)
    axes.errorbar([1.02 * end], [middle], [noise_mm], color=INK, lw=2, capsize=5, capthick=2)
    axes.text(1.03 * end, middle, f" noise\n ±{noise_mm:.1g}", fontsize=8, va="center")


def draw_grades(axes: Axes, suggestion: SuggestionRecord, *, number: int = 4) -> None:
    """Probability per grade: solid bars hold 90 %, hollow ones the rest; a bracket marks the target range."""
    grades = [chance.grade for chance in suggestion.chances]
    heights = [chance.probability for chance in suggestion.chances]
    named = suggestion.abstained_because is None
    for grade, height in zip(grades, heights, strict=True):
        inside = named and grade in suggestion.set90
        axes.bar(
            grade,
            height,
            width=0.72,
            color=INK if inside else "white",
            edgecolor=INK,
            lw=1.2,
            hatch=None if inside else "....",
        )
        if height >= 0.005:
            axes.text(grade, height, f" {percent(height)}", ha="center", va="bottom", fontsize=8)
    top = max(*heights, 0.05)
    if suggestion.verdict:
        low, high = suggestion.verdict.low, suggestion.verdict.high
        y, drop = top * 1.22, top * 0.06
        axes.plot(
            [low - 0.45, low - 0.45, high + 0.45, high + 0.45], [y - drop, y, y, y - drop], color=INK, lw=2
        )
        axes.text(
            (low + high) / 2,
            y,
            f"asked for: {low}-{high}",
            ha="center",
            va="bottom",
            fontsize=9,
            weight="bold",
        )
        top *= 1.18
    axes.set_ylim(0, top * 1.25)
    axes.set_xlim(min(grades) - 0.6, max(grades) + 0.6)
    axes.set_xticks(grades)
    axes.set_yticks([])
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    note = "solid bars hold 90 %" if named else "no grade suggested"
    axes.set_xlabel(f"concrete surface profile (CSP); {note}", fontsize=8)
    title(axes, f"{number}  How likely each grade is")


def _outline_px(area: Rectangle, sighting: CardSighting) -> FloatArray:
    """(4 n, 2) pixels along a rectangle of the card, in the plane's homography."""
    corners = np.array(
        [
            (area.x_min_mm, area.y_max_mm),
            (area.x_max_mm, area.y_max_mm),
            (area.x_max_mm, area.y_min_mm),
            (area.x_min_mm, area.y_min_mm),
        ]
    )
    homogeneous = np.column_stack([corners, np.ones(4)]) @ np.asarray(sighting.px_from_mm).T
    return np.asarray(homogeneous[:, :2] / homogeneous[:, 2:])


def _limits(level: FloatArray) -> tuple[float, float]:
    good = level[np.isfinite(level)]
    if good.size == 0:
        return -0.1, 0.1
    low, high = np.percentile(good, [0.5, 99.5])
    return (float(low), float(high)) if high - low > 1e-3 else (float(low) - 5e-4, float(high) + 5e-4)


def _hatch_gaps(axes: Axes, valid: BoolArray, extent: tuple[float, float, float, float]) -> None:
    """Hatch what could not be measured; gaps under 1.5 mm stay white, since a hatch would only look dirty."""
    px_per_mm = valid.shape[1] / (extent[1] - extent[0])
    kernel = np.ones((max(1, round(1.5 * px_per_mm)),) * 2, np.uint8)
    holes = cv2.morphologyEx((~valid).astype(np.uint8), cv2.MORPH_OPEN, kernel)
    if not holes.any():
        return
    side = min(_MAP_SIDE_PX, max(valid.shape))
    size = (
        max(2, valid.shape[1] * side // max(valid.shape)),
        max(2, valid.shape[0] * side // max(valid.shape)),
    )
    gaps = cv2.resize(holes.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    gaps = np.pad(gaps, 1)
    dx, dy = (extent[1] - extent[0]) / size[0], (extent[3] - extent[2]) / size[1]
    x = extent[0] + (np.arange(size[0] + 2) - 0.5) * dx
    y = extent[3] - (np.arange(size[1] + 2) - 0.5) * dy
    axes.contourf(x, y, gaps, levels=[0.5, 2.0], colors="white", hatches=["/////"])
    axes.contour(x, y, gaps, levels=[0.5], colors=INK, linewidths=0.6)
    axes.set_xlim(extent[0], extent[1])
    axes.set_ylim(extent[2], extent[3])


def scale_bar(axes: Axes, extent: tuple[float, float, float, float], length_mm: float = 20.0) -> None:
    """A bar of known length in the lower left corner of a picture in mm."""
    width, height = extent[1] - extent[0], extent[3] - extent[2]
    x, y = extent[0] + 0.04 * width, extent[2] + 0.04 * height
    axes.add_patch(
        Box(
            (x - 0.015 * width, y - 0.02 * height),
            length_mm + 0.03 * width,
            0.095 * height,
            fc="white",
            ec=INK,
        )
    )
    axes.plot([x, x + length_mm], [y, y], color=INK, lw=4, solid_capstyle="butt")
    axes.text(
        x + length_mm / 2, y + 0.012 * height, f"{length_mm:g} mm", ha="center", va="bottom", fontsize=9
    )


def _inward(name: str, profile: Profile) -> tuple[float, float]:
    """Offset in points that keeps the letters A and B inside the map, beside the line."""
    upright = profile.start_mm[0] == profile.end_mm[0]
    sign = 1 if name == "A" else -1
    return (10.0, -10.0 * sign) if upright else (10.0 * sign, 10.0)


def _round_nice(factor: float) -> str:
    return f"{factor:.0f}" if factor >= 10 else f"{factor:.1f}"


def direction_arrow(axes: Axes, lay_deg: float) -> None:
    """A double arrow along the lay in the map's upper right corner (0 = card +x, counter-clockwise)."""
    x_lim, y_lim = axes.get_xlim(), axes.get_ylim()
    length = 0.09 * (x_lim[1] - x_lim[0])
    x, y = x_lim[1] - 1.35 * length, y_lim[1] - 1.35 * length
    dx, dy = length * np.cos(np.radians(lay_deg)), length * np.sin(np.radians(lay_deg))
    arrow: dict[str, Any] = {"arrowstyle": "<->", "lw": 2.5, "color": INK, "path_effects": HALO}
    axes.annotate("", (x + dx, y + dy), (x - dx, y - dy), arrowprops=arrow)
    below = abs(dy) + 0.2 * length
    axes.text(x, y - below, "lay", ha="center", va="top", fontsize=9, path_effects=HALO)
