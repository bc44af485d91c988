"""Patches and aggregate drawn over the floor as photographed, for a phone in sunlight (see `surface_marks`)."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.patches import Rectangle as Box
from matplotlib.path import Path
from scipy import ndimage

from assessor.card.linear import bytes_from_linear
from assessor.report.panels import INK, printable
from assessor.report.schema import CaptureRecord
from assessor.report.schema_surface import AggregateRecord, PatchRecord
from assessor.report.surface_marks import Tag, draw_dotted, draw_outline, place_tags
from assessor.report.words import origin_words
from assessor.report.words_surface import (
    GROUPS,
    NOTHING_SEEN,
    Group,
    around_words,
    fraction_words,
    group_of,
    label_words,
)
from assessor.values import FloatArray, U8Array
from assessor.values.surface import Aggregate, FloorImage, Surface

DPI, WIDTH_IN, HEAD_IN, ROW_IN = 160, 7.5, 0.62, 0.36
PATCHES, REVIEW, AGGREGATE = "patches.jpg", "review.jpg", "aggregate.jpg"
COARSE_MM = 4.75
MOST_WORDS = 14  # with more patches than this they get only their number, or nobody could read any
_PAD_IN = 0.12
Extent = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A figure in the making: axes in mm of the floor, what they span, and legend lines below, counted from the top."""

    figure: Figure
    axes: Axes
    extent: Extent
    height_in: float
    mm_per_point: float


def draw_patches(surface: Surface, record: CaptureRecord) -> bytes:
    """The floor with every patch that the crew sees; where there is none, the floor and what that does not mean.

    record: of the same capture; every word and outline comes from there. Returns a JPEG.
    """
    if record.surface is None:
        raise ValueError("only a capture whose surface was judged has a picture of patches")
    shown = record.surface.shown
    groups = [group for group in GROUPS if any(group_of(patch) == group for patch in shown)]
    lines = math.ceil(len(groups) / 2) + 1 if groups else 3
    n = len(shown)
    one = "1 patch: test it, nothing is proven" if n else "No patch seen: not proof of clean"
    head = f"{n} patches: test each, none is proven" if n > 1 else one
    sheet = _sheet(surface.image, record, head, lines=lines)
    for patch in sorted(shown, key=lambda patch: -patch.area_mm2):
        draw_outline(sheet.axes, _outline(patch), group_of(patch), mm_per_point=sheet.mm_per_point)
    place_tags(sheet.axes, [_tag(patch, words=n <= MOST_WORDS) for patch in shown], size=17 if n <= 6 else 13)
    for k, group in enumerate(groups):
        _swatch(sheet, group, row=k // 2, column=k % 2)
    if not groups:
        _box_of_words(sheet, f"{NOTHING_SEEN}\nTest it with water drops.")
    _foot(sheet, surface.image, row=lines - 1)
    return _jpeg(sheet.figure)


def draw_review(surface: Surface, record: CaptureRecord) -> bytes:
    """The floor with the patches of the review list."""
    review = record.surface.review if record.surface else ()
    sheet = _sheet(surface.image, record, f"For review only: {len(review)} unsure", lines=1)
    for patch in review:
        draw_dotted(sheet.axes, _outline(patch))
    place_tags(sheet.axes, [_tag(patch, words=False) for patch in review], size=13)
    _foot(sheet, surface.image, row=0)
    return _jpeg(sheet.figure)


def draw_aggregate(surface: Surface, record: CaptureRecord) -> bytes:
    """The floor with every outlined particle, coarse ones bold; ValueError where nothing is claimed of aggregate."""
    told = record.surface.aggregate if record.surface else None
    if surface.aggregate is None or told is None or told.coarse is None:
        raise ValueError("nothing is claimed of aggregate")
    sheet = _sheet(surface.image, record, _aggregate_head(told), lines=3)
    coarse, small = particle_outlines(surface.aggregate)
    for outlines, widths in ((small, (2.6, 1.1)), (coarse, (5.0, 2.6))):
        path = Path.make_compound_path(*(Path(outline) for outline in outlines)) if outlines else None
        for width, colour in zip(widths, ("white", INK), strict=True):
            if path is not None:
                sheet.axes.add_patch(
                    PathPatch(path, fc="none", ec=colour, lw=width, joinstyle="round", zorder=3)
                )
    around = around_words(told.coarse_around90)
    _line(sheet, 0, f"bold: coarse, over {COARSE_MM:g} mm: {fraction_words(told.coarse)}" + (
        f"; floor around: {around}" if around else ""), width=2.6)  # fmt: skip
    _line(
        sheet,
        1,
        f"fine: from {told.smallest_mm:g} mm; with the coarse: {fraction_words(told.visible)}",
        width=1.1,
    )
    _foot(sheet, surface.image, row=2)
    return _jpeg(sheet.figure)


def particle_outlines(aggregate: Aggregate) -> tuple[list[FloatArray], list[FloatArray]]:
    """Closed outlines (N, 2) in mm of the coarse particles (over 4.75 mm equivalent diameter) and of the rest."""
    coarse: list[FloatArray] = []
    small: list[FloatArray] = []
    step = 1.0 / aggregate.px_per_mm
    for number, place in enumerate(ndimage.find_objects(aggregate.labels), start=1):
        if place is None:
            continue
        inside = aggregate.labels[place] == number
        diameter_mm = 2.0 * math.sqrt(float(inside.sum()) / math.pi) * step
        found, _ = cv2.findContours(
            np.pad(inside.astype(np.uint8), 1), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
        )
        for contour in found:
            col, row = contour[:, 0, :].T.astype(float) - 1.0
            x = aggregate.x_min_mm + (col + place[1].start + 0.5) * step
            y = aggregate.y_max_mm - (row + place[0].start + 0.5) * step
            outline = np.column_stack([x, y])
            (coarse if diameter_mm > COARSE_MM else small).append(np.vstack([outline, outline[:1]]))
    return coarse, small


def shown_floor(image: FloorImage) -> U8Array:
    """The floor as sRGB bytes, (H, W, 3), brightened or darkened as a whole to be seen well; white where not seen."""
    good = image.valid & np.isfinite(image.reflectance).all(axis=2)
    linear = np.nan_to_num(np.asarray(image.reflectance, float))
    bright = float(np.percentile(linear[good].max(axis=1), 98)) if good.any() else 1.0
    rgb = bytes_from_linear(np.clip(linear * min(max(0.75 / max(bright, 1e-6), 0.5), 4.0), 0, 1))
    return np.where(good[..., None], rgb, 255).astype(np.uint8)


def _sheet(image: FloorImage, record: CaptureRecord, head: str, *, lines: int) -> Sheet:
    """A figure with a head, the floor as wide as the page, and room for so many legend lines."""
    rows, cols = image.valid.shape
    wide, high = cols / image.px_per_mm, rows / image.px_per_mm
    loud = origin_words(record)
    head_in = HEAD_IN + (0.34 if loud else 0.0)
    map_w = WIDTH_IN - 2 * _PAD_IN
    map_h = min(map_w * high / wide, 1.6 * map_w)
    map_w = map_h * wide / high
    height_in = head_in + map_h + lines * ROW_IN + 3 * _PAD_IN
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    strip = figure.add_axes((0, 1 - HEAD_IN / height_in, 1, HEAD_IN / height_in), facecolor=INK)
    strip.set_xticks([])
    strip.set_yticks([])
    strip.text(
        0.02, 0.5, printable(head), transform=strip.transAxes, color="white", size=_fitting(head), weight="bold",
        va="center",
    )  # fmt: skip
    if loud:
        figure.text(
            0.5, 1 - (HEAD_IN + 0.2) / height_in, loud, size=15, weight="bold", ha="center", va="center"
        )
    bottom = lines * ROW_IN + 2 * _PAD_IN
    axes = figure.add_axes(
        ((WIDTH_IN - map_w) / 2 / WIDTH_IN, bottom / height_in, map_w / WIDTH_IN, map_h / height_in)
    )
    extent = (image.x_min_mm, image.x_min_mm + wide, image.y_max_mm - high, image.y_max_mm)
    axes.imshow(shown_floor(image), extent=extent, interpolation="antialiased", aspect="auto")
    axes.set(xlim=extent[:2], ylim=extent[2:], xticks=[], yticks=[])
    for spine in axes.spines.values():
        spine.set_linewidth(2.0)
    return Sheet(figure, axes, extent, height_in, wide / (map_w * 72))


def _outline(patch: PatchRecord) -> FloatArray:
    return np.array(patch.outline_mm, float)


def _tag(patch: PatchRecord, *, words: bool) -> Tag:
    return Tag(patch.number, label_words(patch) if words else "", _outline(patch))


def _fitting(head: str) -> float:
    """Type size at which a head fills the strip and no more."""
    return min(21.0, 21.0 * 34 / len(head))


def _aggregate_head(told: AggregateRecord) -> str:
    return f"Coarse stone: {fraction_words(told.coarse)} of the window" + (
        "" if told.plausible else ", implausible"
    )


def _row_axes(sheet: Sheet, row: int, left: float, width: float) -> Axes:
    """Axes of one legend line in inches from its lower left corner; rows count from the picture down."""
    rows_below = round((sheet.axes.get_position().y0 * sheet.height_in - 2 * _PAD_IN) / ROW_IN) - 1 - row
    axes = sheet.figure.add_axes(
        (
            left / WIDTH_IN,
            (_PAD_IN + rows_below * ROW_IN) / sheet.height_in,
            width / WIDTH_IN,
            ROW_IN / sheet.height_in,
        )
    )
    axes.set(xlim=(0, width), ylim=(0, ROW_IN))
    axes.axis("off")
    return axes


def _swatch(sheet: Sheet, group: Group, *, row: int, column: int) -> None:
    axes = _row_axes(sheet, row, 0.12 + 3.7 * column, 3.6)
    corners = np.array([(0.04, 0.05), (0.74, 0.05), (0.74, 0.31), (0.04, 0.31), (0.04, 0.05)])
    draw_outline(axes, corners, group, mm_per_point=1 / 72)
    axes.text(0.9, ROW_IN / 2, GROUPS[group], size=15.5, va="center")


def _line(sheet: Sheet, row: int, words: str, *, width: float) -> None:
    axes = _row_axes(sheet, row, 0.12, WIDTH_IN - 0.24)
    axes.add_patch(Box((0.06, 0.07), 0.5, 0.22, fc="none", ec=INK, lw=width, joinstyle="round"))
    axes.text(0.72, ROW_IN / 2, printable(words), size=min(15.0, 15 * 56 / len(words)), va="center")


def _box_of_words(sheet: Sheet, words: str) -> None:
    axes = _row_axes(sheet, 1, 0.12, WIDTH_IN - 0.24)
    box = {"boxstyle": "square,pad=0.4", "fc": "white", "ec": INK, "lw": 3}
    axes.text(
        (WIDTH_IN - 0.24) / 2,
        ROW_IN,
        words,
        size=14,
        weight="bold",
        ha="center",
        va="center",
        bbox=box,
    )


def _foot(sheet: Sheet, image: FloorImage, *, row: int) -> None:
    """Scale bar, which way is up, and what white means."""
    axes = _row_axes(sheet, row, 0.12, WIDTH_IN - 0.24)
    wide = sheet.extent[1] - sheet.extent[0]
    length_mm = next(
        step for step in (1000.0, 500.0, 200.0, 100.0, 50.0, 20.0, 10.0, 5.0, 1.0) if step < 0.3 * wide
    )
    length_in = length_mm / sheet.mm_per_point / 72
    axes.plot([0.02, 0.02 + length_in], [0.1, 0.1], color=INK, lw=5, solid_capstyle="butt")
    for x in (0.02, 0.02 + length_in):
        axes.plot([x, x], [0.04, 0.2], color=INK, lw=2)
    axes.text(0.1 + length_in, 0.12, f"{length_mm:g} mm", size=16, weight="bold", va="center")
    notes = ["up: the card's top"]
    if image.valid.mean() < 0.995:
        notes.append("white: not looked at")
    axes.text(WIDTH_IN - 0.26, 0.12, "; ".join(notes), size=14, ha="right", va="center")


def _jpeg(figure: Figure) -> bytes:
    """The drawing as JPEG with full colour resolution, so that thin lines stay sharp."""
    out = io.BytesIO()
    figure.savefig(out, format="jpg", dpi=DPI, pil_kwargs={"quality": 88, "subsampling": 0})
    return out.getvalue()


def pictures_of(surface: Surface | None, record: CaptureRecord) -> dict[str, bytes]:
    """All pictures of a capture's surface by name; empty where nothing was judged."""
    if surface is None:
        return {}
    draw = {PATCHES: draw_patches, REVIEW: draw_review, AGGREGATE: draw_aggregate}
    return {name: draw[name](surface, record) for name in picture_names(record)}


def picture_names(record: CaptureRecord) -> tuple[str, ...]:
    """Names of the pictures that a record's surface has."""
    told = record.surface
    if told is None:
        return ()
    # Outlines of which nothing is claimed would only look like a finding.
    claimed = told.aggregate is not None and told.aggregate.coarse is not None
    return PATCHES, *((REVIEW,) if told.review else ()), *((AGGREGATE,) if claimed else ())
