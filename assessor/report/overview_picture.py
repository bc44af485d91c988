"""A zone's pictures for a phone in sunlight: patches, strips and evenness, and what was not seen.

Nothing rests on colour: patches have the hatches of `surface_marks`, strips and gaps their own, all carry numbers and
words. Unevenness is drawn as marks that grow with it, black where there is less texture or light, hollow where there is
more: no colour scale, so that no shade can be read as good or bad.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.patches import Rectangle as Box
from matplotlib.path import Path

from assessor.report.panels import INK, printable
from assessor.report.schema_overview import OverviewRecord
from assessor.report.surface_marks import Tag, draw_dotted, draw_outline, hatch_segments, place_tags
from assessor.report.surface_picture import shown_floor
from assessor.report.words import MIXED, RENDERED
from assessor.report.words_overview import SHORT_STRIPS
from assessor.report.words_surface import GROUPS, group_of, label_words
from assessor.values import FloatArray
from assessor.values.overview import Mosaic, Overview

DPI, WIDTH_IN, HEAD_IN, LINE_IN, PAD_IN = 150, 9.0, 0.62, 0.33, 0.12
LONG_SIDE_PX = 1400
MOST_WORDS = 14
PATCHES, EVENNESS, COVERAGE = "patches.jpg", "evenness.jpg", "coverage.jpg"
LEAST_TEXTURE, LEAST_LEVEL = 0.18, 0.1  # log: smaller differences of a block are chance, and not drawn


def overview_pictures(result: Overview, record: OverviewRecord) -> dict[str, bytes]:
    """All pictures of a zone by file name, JPEG."""
    pictures = {EVENNESS: draw_evenness(result, record), COVERAGE: draw_coverage(result, record)}
    if record.surface is not None:
        pictures = {PATCHES: draw_zone_patches(result, record), **pictures}
    return pictures


def draw_zone_patches(result: Overview, record: OverviewRecord) -> bytes:
    """The floor with every patch that the crew sees; the review list as broken outlines without number."""
    assert record.surface is not None
    shown, review = record.surface.shown, record.surface.review
    groups = [group for group in GROUPS if any(group_of(patch) == group for patch in shown)]
    n = len(shown)
    head = (
        f"{n} {'patch' if n == 1 else 'patches'}: test each, none is proven"
        if n
        else "No patch seen: not proof of clean"
    )
    sheet = _Sheet(result, record, head, lines=len(groups) + bool(review) + 1)
    for patch in review:
        draw_dotted(sheet.axes, np.array(patch.outline_mm))
    for patch in sorted(shown, key=lambda patch: -patch.area_mm2):
        draw_outline(sheet.axes, np.array(patch.outline_mm), group_of(patch), mm_per_point=sheet.mm_per_point)
    _sheets(sheet, result)
    place_tags(
        sheet.axes,
        [Tag(p.number, label_words(p) if n <= MOST_WORDS else "", np.array(p.outline_mm)) for p in shown],
        size=11 if n <= MOST_WORDS else 9,
    )
    for group in groups:
        axes = sheet.line(GROUPS[group])
        corners = np.array([(0.04, 0.05), (0.7, 0.05), (0.7, 0.29), (0.04, 0.29), (0.04, 0.05)])
        draw_outline(axes, corners, group, mm_per_point=1 / 72)
    if review:
        axes = sheet.line(f"for review only, too unsure to send anybody: {len(review)}")
        draw_dotted(axes, np.array([(0.04, 0.05), (0.7, 0.05), (0.7, 0.29), (0.04, 0.29), (0.04, 0.05)]))
    sheet.foot()
    return sheet.jpeg()


def draw_evenness(result: Overview, record: OverviewRecord) -> bytes:
    """Blocks whose texture differs, and strips with number and words."""
    strips = record.strips
    head = (
        f"{len(strips)} strip{'' if len(strips) == 1 else 's'} to look at"
        if strips
        else "No strip stands out: not proof of depth"
    )
    even = result.evenness
    level_told = even.level_spread.value is not None
    sheet = _Sheet(result, record, head, lines=(4 if level_told else 3) + bool(strips), pale=True)
    _blocks(sheet, result, even.contrast, circle=False)
    if level_told:
        _blocks(sheet, result, even.level, circle=True)
    _sheets(sheet, result)
    tags = []
    for number, strip in enumerate(result.strips, start=1):
        outline = _strip_outline(strip.start_mm, strip.end_mm, 1000 * strip.width_m)
        path = Path(outline, closed=True)
        for width, colour in ((7.0, "white"), (3.4, INK)):
            sheet.axes.add_patch(
                PathPatch(path, fc="none", ec=colour, lw=width, ls="solid", joinstyle="miter", zorder=5)
            )
        tags.append(Tag(number, SHORT_STRIPS[strip.kind], outline))
    place_tags(sheet.axes, tags, size=11)
    _mark(
        sheet.line("squares: texture of a block, black less, hollow more; largest: half or twice"),
        circle=False,
    )
    if level_told:
        _mark(
            sheet.line("rings: its brightness, black darker, hollow lighter; largest: half or twice"),
            circle=True,
        )
    if strips:
        axes = sheet.line("frame: strip that differs along its whole length")
        axes.add_patch(Box((0.06, 0.09), 0.6, 0.15, fc="none", ec=INK, lw=3.0))
    sheet.line("no height is seen from here; empty places differ too little to draw", swatch=False)
    sheet.foot()
    return sheet.jpeg()


def draw_coverage(result: Overview, record: OverviewRecord) -> bytes:
    """What no photo shows, hatched, outlined and numbered; the sheets by their numbers."""
    gaps = record.coverage.gaps
    told = record.coverage
    if told.share is None:
        head = f"{told.covered_m2:.1f} m² seen; zone's size not given"
    else:
        head = (
            f"{len(gaps)} part{'' if len(gaps) == 1 else 's'} of the zone not seen"
            if gaps
            else "No part of the zone is missing"
        )
    sheet = _Sheet(result, record, head, lines=3 if gaps else 2)
    for gap in gaps:
        outline = np.array(gap.outline_mm)
        _hatch(sheet, outline)
    _sheets(sheet, result)
    place_tags(sheet.axes, [Tag(gap.number, "not seen", np.array(gap.outline_mm)) for gap in gaps], size=11)
    if gaps:
        axes = sheet.line("not seen well enough: take a photo there")
        corners = np.array([(0.04, 0.05), (0.7, 0.05), (0.7, 0.29), (0.04, 0.29), (0.04, 0.05)])
        _hatch_on(axes, corners, 1 / 72)
    sheet.line("white boxes: sheets, with their numbers; dashes: the zone's edge", swatch=False)
    sheet.foot()
    return sheet.jpeg()


class _Sheet:
    """A figure in the making: head, floor in mm, legend lines below, scale bar."""

    def __init__(
        self, result: Overview, record: OverviewRecord, head: str, *, lines: int, pale: bool = False
    ) -> None:
        image = result.mosaic.image
        rows, cols = image.valid.shape
        wide, high = cols / image.px_per_mm, rows / image.px_per_mm
        loud = {"rendered": RENDERED, "mixed": MIXED}.get(record.origin_of_photos, "")
        map_w = WIDTH_IN - 2 * PAD_IN
        map_h = min(map_w * high / wide, 1.3 * map_w)
        map_w = map_h * wide / high
        self.lines, self.next = lines, 0
        head_in = HEAD_IN + (0.34 if loud else 0.0)
        self.height_in = head_in + map_h + lines * LINE_IN + 4 * PAD_IN
        self.figure = Figure(figsize=(WIDTH_IN, self.height_in), dpi=DPI, facecolor="white")
        FigureCanvasAgg(self.figure)
        strip = self.figure.add_axes(
            (0, 1 - HEAD_IN / self.height_in, 1, HEAD_IN / self.height_in), facecolor=INK
        )
        strip.set(xticks=[], yticks=[])
        style: dict[str, Any] = {"size": min(21.0, 21 * 44 / len(head)), "weight": "bold", "va": "center"}
        strip.text(0.02, 0.5, printable(head), transform=strip.transAxes, color="white", **style)
        if loud:
            self.figure.text(
                0.5,
                1 - (HEAD_IN + 0.2) / self.height_in,
                loud,
                size=12,
                weight="bold",
                ha="center",
                va="center",
            )
        bottom = lines * LINE_IN + 3 * PAD_IN
        self.axes = self.figure.add_axes(
            (
                (WIDTH_IN - map_w) / 2 / WIDTH_IN,
                bottom / self.height_in,
                map_w / WIDTH_IN,
                map_h / self.height_in,
            )
        )
        self.extent = (image.x_min_mm, image.x_min_mm + wide, image.y_max_mm - high, image.y_max_mm)
        self.axes.imshow(
            _small(result.mosaic, pale=pale), extent=self.extent, interpolation="antialiased", aspect="auto"
        )
        self.axes.set(xlim=self.extent[:2], ylim=self.extent[2:], xticks=[], yticks=[])
        for spine in self.axes.spines.values():
            spine.set_linewidth(2.0)
        self.mm_per_point = wide / (map_w * 72)
        if (zone := result.zone) is not None:
            place = (zone.x_mm, zone.y_mm), zone.length_mm, zone.width_mm
            self.axes.add_patch(Box(*place, fc="none", ec="white", lw=4.0, zorder=3))
            self.axes.add_patch(Box(*place, fc="none", ec=INK, lw=1.8, ls=(0, (6, 4)), zorder=3))

    def line(self, words: str, *, swatch: bool = True) -> Axes:
        """Axes (inches) of the next legend line, with its words."""
        low = PAD_IN + (self.lines - 1 - self.next) * LINE_IN
        self.next += 1
        axes = self.figure.add_axes(
            (PAD_IN / WIDTH_IN, low / self.height_in, 1 - 2 * PAD_IN / WIDTH_IN, LINE_IN / self.height_in)
        )
        axes.set(xlim=(0, WIDTH_IN - 2 * PAD_IN), ylim=(0, LINE_IN))
        axes.axis("off")
        axes.text(0.86 if swatch else 0.02, LINE_IN / 2, printable(words), size=12, va="center")
        return axes

    def foot(self) -> None:
        """Scale bar and which way is up."""
        axes = self.line("", swatch=False)
        wide = self.extent[1] - self.extent[0]
        length = next(
            step for step in (2000.0, 1000.0, 500.0, 200.0, 100.0) if step < 0.4 * wide or step == 100.0
        )
        end = 0.02 + length / self.mm_per_point / 72
        axes.plot([0.02, end], [0.12, 0.12], color=INK, lw=5, solid_capstyle="butt")
        for x in (0.02, end):
            axes.plot([x, x], [0.05, 0.2], color=INK, lw=2)
        axes.text(end + 0.1, 0.14, f"{length / 1000:g} m", size=13, weight="bold", va="center")
        axes.text(
            WIDTH_IN - 2 * PAD_IN,
            0.14,
            "up: top of the lowest-numbered sheet; white: not seen",
            size=11,
            ha="right",
            va="center",
        )

    def jpeg(self) -> bytes:
        """The drawing as JPEG with full colour resolution."""
        out = io.BytesIO()
        self.figure.savefig(out, format="jpg", dpi=DPI, pil_kwargs={"quality": 86, "subsampling": 0})
        return out.getvalue()


def _small(mosaic: Mosaic, *, pale: bool) -> np.ndarray[tuple[int, int, int], np.dtype[np.uint8]]:
    """The floor as bytes, small; pale: washed out under marks."""
    shown = shown_floor(mosaic.image)
    factor = min(LONG_SIDE_PX / max(shown.shape[:2]), 1.0)
    size = (max(round(shown.shape[1] * factor), 1), max(round(shown.shape[0] * factor), 1))
    small = np.asarray(cv2.resize(shown, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    if pale:
        small = 255 - (255 - small) * 0.55
    return small.astype(np.uint8)


def _sheets(sheet: _Sheet, result: Overview) -> None:
    """The sheets' numbers where they lie."""
    for place in result.fit.sheets:
        style: dict[str, Any] = {"size": 12, "weight": "bold", "ha": "center", "va": "center", "zorder": 6}
        box = {"boxstyle": "square,pad=0.25", "fc": "white", "ec": INK, "lw": 1.2}
        sheet.axes.text(place.x_mm, place.y_mm, printable(place.name), clip_on=True, bbox=box, **style)


def _blocks(sheet: _Sheet, result: Overview, field: FloatArray, *, circle: bool) -> None:
    """A mark in the middle of each block that grows with its difference (log): largest at half or twice."""
    even = result.evenness
    rows, columns = np.nonzero(
        np.isfinite(field) & (np.abs(field) >= (LEAST_LEVEL if circle else LEAST_TEXTURE))
    )
    for row, column in zip(rows, columns, strict=True):
        value = float(field[row, column])
        side = even.block_mm * 0.85 * min(abs(value) / np.log(2), 1.0) ** 0.5
        x = even.x_min_mm + (column + 0.5) * even.block_mm
        y = even.y_max_mm - (row + 0.5) * even.block_mm
        _one_mark(sheet.axes, (float(x), float(y)), side, less=value < 0, circle=circle)


def _one_mark(axes: Axes, at: tuple[float, float], side: float, *, less: bool, circle: bool) -> None:
    if circle:
        path = Path.circle(at, side / 2)
        width, dashes = (2.2, (1000.0, 0.0)) if less else (1.0, (2.0, 1.0))
        axes.add_patch(PathPatch(path, fc="none", ec=INK if less else "white", lw=2.6, zorder=2.4))
        axes.add_patch(PathPatch(path, fc="none", ec=INK, lw=width, ls=(0, dashes), zorder=2.5))
        return
    corner = (at[0] - side / 2, at[1] - side / 2)
    axes.add_patch(
        Box(corner, side, side, fc=INK if less else "white", ec=INK, lw=0.9, alpha=0.75, zorder=2.2)
    )


def _mark(axes: Axes, *, circle: bool) -> None:
    for x, less in ((0.18, True), (0.54, False)):
        _one_mark(axes, (x, 0.17), 0.2, less=less, circle=circle)


def _strip_outline(start: tuple[float, float], end: tuple[float, float], width_mm: float) -> FloatArray:
    a, b = np.array(start), np.array(end)
    way = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    side = np.array([-way[1], way[0]]) * width_mm / 2
    return np.array([a - side, b - side, b + side, a + side, a - side])


def _hatch(sheet: _Sheet, outline: FloatArray) -> None:
    _hatch_on(sheet.axes, outline, sheet.mm_per_point)


def _hatch_on(axes: Axes, outline: FloatArray, mm_per_point: float) -> None:
    """Slanted lines within a bold outline."""
    ring = outline if np.array_equal(outline[0], outline[-1]) else np.vstack([outline, outline[:1]])
    path = Path(ring, closed=True)
    clip = PathPatch(path, fc="none", ec="none")
    axes.add_patch(clip)
    low, high = ring.min(0), ring.max(0)
    segments: Sequence[FloatArray]
    segments, width = hatch_segments("dark", (*low, *high), 9.0 * mm_per_point)
    lines = LineCollection(segments, colors=[INK], linewidths=width, zorder=3.5)
    axes.add_collection(lines, autolim=False)
    lines.set_clip_path(clip)
    axes.add_patch(PathPatch(path, fc="none", ec=INK, lw=3.0, joinstyle="round", zorder=4))
