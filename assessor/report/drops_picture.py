"""The picture of one photo with drops: the window, outlines that differ by line and not by colour, and labels."""

from __future__ import annotations

import io

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon

from assessor.card.linear import bytes_from_linear
from assessor.report.panels import HALO, INK, printable
from assessor.report.schema_drops import DropPhotoRecord, PhotoDropRecord
from assessor.report.words import RENDERED
from assessor.report.words_drops import SHAPE, width_words
from assessor.values import Rectified

SIDE_PX, DPI = 1100, 100
# Solid: stands up. Dashed: lies flat. Dotted: can't tell.
LINES = {"bead": "solid", "flat": (0, (6, 3)), "cannot-tell": (0, (1, 2))}
HATCH = {"bead": "", "flat": "//", "cannot-tell": "xx"}


def draw_drops(rectified: Rectified, photo: DropPhotoRecord) -> bytes:
    """PNG of the window with all that was found outlined and named."""
    top = 0.065 if photo.rendered else 0.035
    figure = Figure(figsize=(SIDE_PX / DPI, SIDE_PX / DPI * (1 + top)), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1 / (1 + top)))
    n = rectified.valid.shape[0]
    side = n / rectified.px_per_mm
    left, upper = rectified.x_min_mm, rectified.y_max_mm
    shown = bytes_from_linear(np.clip(rectified.reflectance * _gain(rectified), 0, 1))
    axes.imshow(shown, extent=(left, left + side, upper - side, upper), interpolation="bilinear")
    axes.set_axis_off()
    for drop in photo.drops:
        _outline(axes, drop)
    _scale_bar(axes, left, upper - side)
    if photo.light_azimuth_deg is not None:
        _light(axes, photo.light_azimuth_deg, (left + side, upper - side))
    words = f"{photo.file}. Solid line: stands up. Dashed, hatched: flat or damp mark. Dotted: can't tell."
    figure.text(0.01, 0.995, printable(words), va="top", fontsize=14, color=INK, parse_math=False)
    if photo.rendered:
        figure.text(0.01, 0.967, RENDERED, va="top", fontsize=14, fontweight="bold", color=INK)
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=DPI)
    return out.getvalue()


def _gain(rectified: Rectified) -> float:
    """Brightens the floor so that it is well seen in sunlight; the paper may burn out."""
    level = (
        float(np.percentile(rectified.reflectance[rectified.valid][:, 1], 80))
        if rectified.valid.any()
        else 1.0
    )
    return 0.55 / max(level, 0.05)


def _outline(axes: Axes, drop: PhotoDropRecord) -> None:
    points = np.array(drop.outline_mm)
    # Just outside the rim, so that the rim itself stays to be judged.
    middle = points.mean(0)
    away = points - middle
    points = middle + away * (1 + 0.5 / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 0.1))
    for width, colour in ((6.0, "white"), (2.4, INK)):
        axes.add_patch(
            Polygon(
                points,
                closed=True,
                fill=False,
                lw=width,
                ec=colour,
                ls=LINES[drop.shape] if colour == INK else "solid",
            )
        )
    if HATCH[drop.shape]:
        axes.add_patch(
            Polygon(points, closed=True, fill=False, lw=0, ec=INK, hatch=HATCH[drop.shape], alpha=0.35)
        )
    name = drop.matched or "not in the record"
    words = f"{name}: {SHAPE[drop.shape]}\n{width_words(drop)}"
    low = float(points[:, 1].min()) - 1.5
    va = "top"
    if low < -50:
        low, va = float(points[:, 1].max()) + 1.5, "bottom"
    x = float(np.clip(middle[0], -40, 40))
    axes.text(
        x, low, printable(words), ha="center", va=va, fontsize=13, fontweight="bold", color=INK,
        path_effects=HALO, parse_math=False,
    )  # fmt: skip


def _scale_bar(axes: Axes, left: float, low: float) -> None:
    for width, colour in ((7.0, "white"), (3.5, INK)):
        axes.plot([left + 6, left + 26], [low + 5, low + 5], color=colour, lw=width, solid_capstyle="butt")
    axes.text(left + 16, low + 6, "20 mm", ha="center", fontsize=13, fontweight="bold", path_effects=HALO)


def _light(axes: Axes, azimuth_deg: float, corner: tuple[float, float]) -> None:
    """In the lower right corner an arrow that points the way the light goes, on white."""
    turn = np.deg2rad(azimuth_deg)
    toward = np.array([np.cos(turn), np.sin(turn)])
    x, y = corner[0] - 9, corner[1] + 9
    axes.add_patch(Circle((x, y), 6.5, fc="white", ec=INK, lw=1.5))
    arrow = {"arrowstyle": "-|>", "lw": 3, "color": INK, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 24}
    tail, head = np.array([x, y]) + 5 * toward, np.array([x, y]) - 5 * toward
    axes.annotate("", xy=tuple(head), xytext=tuple(tail), arrowprops=arrow)
    axes.text(
        x - 8, y, "light goes", ha="right", va="center", fontsize=12, fontweight="bold", path_effects=HALO
    )
