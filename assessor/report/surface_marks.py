"""Marks over a picture of the floor: outlines in two tones, a hatch per group of patches, labels that don't overlap.

Each group has a hatch of its own, every line is dark with a pale rim, and every patch carries its number and a few
words: nothing rests on colour. Blue and orange only help those who see them; they differ for every common kind of
colour vision (Okabe and Ito, "Color universal design", from memory, verify).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.patheffects import Normal, Stroke
from matplotlib.transforms import Bbox

from assessor.report.panels import INK, printable
from assessor.report.words_surface import Group
from assessor.values import FloatArray

ORANGE, BLUE = "#e69f00", "#0072b2"
COLOURS: dict[Group, str] = {"dark": ORANGE, "light": BLUE, "film": ORANGE, "shadow": BLUE}
RIM, LINE, CORE = 7.0, 4.6, 2.0  # widths of an outline's white rim, ink and coloured core, points
_HATCH_POINTS, _FULL_POINTS = 15.0, 45.0  # a patch narrower than the second gets thinner lines
_EDGE_PX, _GAP_PX = 6.0, 10.0
Segments = list[FloatArray]


@dataclass(frozen=True, slots=True)
class Tag:
    """A label for one outline: its number and words (which may be empty), and what it belongs to (N, 2)."""

    number: int
    words: str
    outline: FloatArray


def draw_outline(axes: Axes, outline: FloatArray, group: Group, *, mm_per_point: float) -> None:
    """A closed outline in white, ink and its group's colour, with the group's hatch; thinner where it is small."""
    path = _closed(outline)
    clip = PathPatch(path, fc="none", ec="none")
    axes.add_patch(clip)
    low, high = outline.min(0), outline.max(0)
    thin = float(np.clip((high - low).min() / mm_per_point / _FULL_POINTS, 0.45, 1.0))
    segments, width = hatch_segments(group, (*low, *high), _HATCH_POINTS * mm_per_point * thin)
    width *= thin
    hatch = LineCollection(
        segments, colors=[INK], linewidths=width, capstyle="round", zorder=3,
        path_effects=[Stroke(linewidth=width + 2.4 * thin, foreground="white"), Normal()],
    )  # fmt: skip
    axes.add_collection(hatch, autolim=False)
    hatch.set_clip_path(clip)
    for width_pt, colour in ((RIM, "white"), (LINE, INK), (CORE, COLOURS[group])):
        axes.add_patch(PathPatch(path, fc="none", ec=colour, lw=width_pt * thin, joinstyle="round", zorder=4))


def _closed(outline: FloatArray) -> Path:
    """The outline as a path whose ends are joined."""
    ring = outline if np.array_equal(outline[0], outline[-1]) else np.vstack([outline, outline[:1]])
    return Path(ring, closed=True)


def draw_dotted(axes: Axes, outline: FloatArray) -> None:
    """A thin broken outline, for what only a reviewer sees."""
    for width_pt, colour, style in ((4.0, "white", "solid"), (1.8, INK, (0, (3, 2)))):
        axes.add_patch(PathPatch(_closed(outline), fc="none", ec=colour, lw=width_pt, ls=style, zorder=4))


def hatch_segments(
    group: Group, box: tuple[float, float, float, float], step: float
) -> tuple[Segments, float]:
    """Line pieces of a group's hatch over a box (x low, y low, x high, y high), and their width in points.

    dark: slanted lines; light: dots; film: crosses; shadow: level dashes. One mark lies in the box's middle.
    """
    x_low, y_low, x_high, y_high = box
    mid_x, mid_y = (x_low + x_high) / 2, (y_low + y_high) / 2
    wide, high = (math.ceil(reach / 2 / step) + 1 for reach in (x_high - x_low, y_high - y_low))
    if group == "dark":
        reach = (wide + high) * step
        shifts = np.arange(-wide - high, wide + high + 1) * step
        return [
            np.array([[mid_x + at - reach, mid_y - reach], [mid_x + at + reach, mid_y + reach]])
            for at in shifts
        ], 1.6
    places = [
        (mid_x + (col + (0.5 if row % 2 else 0.0)) * step, mid_y + row * step)
        for row in range(-high, high + 1)
        for col in range(-wide, wide + 1)
    ]
    arms = {"light": [(0.04, 0.0)], "film": [(0.3, 0.0), (0.0, 0.3)], "shadow": [(0.3, 0.0)]}[group]
    return [
        np.array([[x - dx * step, y - dy * step], [x + dx * step, y + dy * step]])
        for x, y in places
        for dx, dy in arms
    ], {"light": 4.2, "film": 1.8, "shadow": 2.4}[group]


def place_tags(axes: Axes, tags: Sequence[Tag], *, size: float = 12.5) -> None:
    """Write each label beside its outline, where it covers least of the others, tied to it by a line."""
    frame = axes.get_window_extent()
    boxes = [_in_pixels(axes, tag.outline) for tag in tags]
    taken: list[Bbox] = []
    for n, tag in enumerate(tags):
        if not boxes[n].overlaps(frame):
            continue
        style: dict[str, Any] = {"size": size, "weight": "bold", "va": "center", "zorder": 7}
        number = axes.annotate(
            str(tag.number), (0, 0), xycoords="figure pixels", color="white", ha="left", **style,
            bbox={"boxstyle": "square,pad=0.28", "fc": INK, "ec": "white", "lw": 1.4},
        )  # fmt: skip
        words = axes.annotate(
            printable(tag.words), (0, 0), xycoords="figure pixels", color=INK, ha="left", **style,
            bbox={"boxstyle": "square,pad=0.28", "fc": "white", "ec": INK, "lw": 1.8},
        )  # fmt: skip
        wide, more = (item.get_window_extent().width + 2 * _EDGE_PX for item in (number, words))
        high = number.get_window_extent().height + 2 * _EDGE_PX
        whole = wide + more if tag.words else wide
        others = [box for k, box in enumerate(boxes) if k != n]
        spot = _best_place(boxes[n], (whole, high), frame, taken, others)
        taken.append(spot)
        middle = spot.y0 + high / 2
        number.xy = (spot.x0 + _EDGE_PX, middle)
        number.set_position(number.xy)
        words.set_visible(bool(tag.words))
        words.xy = (spot.x0 + wide + _EDGE_PX, middle)
        words.set_position(words.xy)
        _tie(axes, spot, tag.outline)


def _tie(axes: Axes, label: Bbox, outline: FloatArray) -> None:
    """A line from the label to the outline's nearest point, where they stand apart."""
    points = axes.transData.transform(outline)
    start = np.array([(label.x0 + label.x1) / 2, (label.y0 + label.y1) / 2])
    near = np.clip(points, (label.x0, label.y0), (label.x1, label.y1))
    end = points[np.hypot(*(points - near).T).argmin()]
    if label.contains(*end):
        return
    for width, colour in ((4.5, "white"), (2.0, INK)):
        axes.annotate(
            "", (end[0], end[1]), (start[0], start[1]), xycoords="figure pixels", textcoords="figure pixels", zorder=6,
            arrowprops={"arrowstyle": "-", "color": colour, "lw": width, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip


def _in_pixels(axes: Axes, outline: FloatArray) -> Bbox:
    points = axes.transData.transform(outline)
    return Bbox([points.min(0), points.max(0)])


def _best_place(
    box: Bbox, size: tuple[float, float], frame: Bbox, taken: Sequence[Bbox], others: Sequence[Bbox]
) -> Bbox:
    """The place round or in a patch's box that covers least."""
    wide, high = size
    mid_x, mid_y = (box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2
    corners = [
        (mid_x - wide / 2, box.y1 + _GAP_PX), (mid_x - wide / 2, box.y0 - _GAP_PX - high),
        (box.x1 + _GAP_PX, mid_y - high / 2), (box.x0 - _GAP_PX - wide, mid_y - high / 2),
        (box.x1 + _GAP_PX, box.y1 + _GAP_PX), (box.x0 - _GAP_PX - wide, box.y1 + _GAP_PX),
        (box.x1 + _GAP_PX, box.y0 - _GAP_PX - high), (box.x0 - _GAP_PX - wide, box.y0 - _GAP_PX - high),
        (mid_x - wide / 2, mid_y - high / 2),
    ]  # fmt: skip
    best, least = Bbox.from_bounds(*corners[-1], wide, high), np.inf
    for order, (left, low) in enumerate(corners):
        inside_x = min(max(left, frame.x0 + 3), frame.x1 - wide - 3)
        inside_y = min(max(low, frame.y0 + 3), frame.y1 - high - 3)
        place = Bbox.from_bounds(inside_x, inside_y, wide, high)
        cost = sum(8.0 * _shared(place, one) for one in taken) + sum(
            1.5 * _shared(place, one) for one in others
        )
        cost += 0.8 * _shared(place, box) + 0.01 * order * wide * high
        if cost < least:
            best, least = place, cost
    return best


def _shared(one: Bbox, other: Bbox) -> float:
    """Area that two boxes share, square pixels."""
    wide = min(one.x1, other.x1) - max(one.x0, other.x0)
    high = min(one.y1, other.y1) - max(one.y0, other.y0)
    return float(max(wide, 0.0) * max(high, 0.0))
