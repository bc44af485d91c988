"""The draw list: everything that is ever printed, as a few frozen shapes in mm and grey, in no file format.

One list is made from the layout and the back ends of `draw` only translate it, so PDF, SVG and PNG cannot
differ in geometry. Coordinates are those of the card frame (origin in the page's middle, +x right, +y up),
greys are sRGB bytes. Text is set in one open font (Bitstream Vera, which comes with reportlab) so that its
widths, and with them every line break, are the same in all formats.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Literal

from assessor.card.layout import Rectangle

Point = tuple[float, float]
Anchor = Literal["left", "centre", "right"]
BLACK, WHITE = 0, 255
FONT_REGULAR, FONT_BOLD = "assessor-sans", "assessor-sans-bold"


@dataclass(frozen=True, slots=True)
class Area:
    """A filled shape: closed rings in mm, inside by the even-odd rule, so that a ring in a ring is a hole."""

    rings: tuple[tuple[Point, ...], ...]
    gray: int = BLACK
    name: str = ""


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line of constant width through points in mm; `dash_mm` is (drawn, left out)."""

    points: tuple[Point, ...]
    width_mm: float = 0.3
    gray: int = BLACK
    dash_mm: tuple[float, float] | None = None
    closed: bool = False
    name: str = ""

    def segments(self) -> list[tuple[Point, Point]]:
        """The drawn straight pieces, dashes already cut apart (the pattern starts anew at each corner)."""
        points = [*self.points, self.points[0]] if self.closed else list(self.points)
        pieces = []
        for (x0, y0), (x1, y1) in pairwise(points):
            length = math.hypot(x1 - x0, y1 - y0)
            if self.dash_mm is None or length == 0:
                pieces.append(((x0, y0), (x1, y1)))
                continue
            at = 0.0
            while at < length:
                a, b = at / length, min(at + self.dash_mm[0], length) / length
                pieces.append(
                    ((x0 + a * (x1 - x0), y0 + a * (y1 - y0)), (x0 + b * (x1 - x0), y0 + b * (y1 - y0)))
                )
                at += sum(self.dash_mm)
        return pieces


@dataclass(frozen=True, slots=True)
class Label:
    """One line of text: its anchor on the baseline in mm, em size in mm, turned counter-clockwise."""

    text: str
    at: Point
    size_mm: float
    anchor: Anchor = "left"
    bold: bool = False
    gray: int = BLACK
    turn_deg: int = 0
    name: str = ""


Ink = Area | Stroke | Label


@dataclass(frozen=True, slots=True)
class Page:
    """One sheet of paper: size in mm and what lies on it, in painting order."""

    width_mm: float
    height_mm: float
    inks: tuple[Ink, ...]


def rectangle(area: Rectangle, gray: int = BLACK, name: str = "") -> Area:
    """A filled upright rectangle."""
    x0, y0, x1, y1 = area.x_min_mm, area.y_min_mm, area.x_max_mm, area.y_max_mm
    return Area((((x0, y1), (x1, y1), (x1, y0), (x0, y0)),), gray, name)


def box(centre: Point, width_mm: float, height_mm: float, radius_mm: float = 0.0) -> tuple[Point, ...]:
    """Outline of a rectangle about `centre`, its corners rounded by `radius_mm`."""
    x, y, w, h = *centre, width_mm / 2, height_mm / 2
    if radius_mm <= 0:
        return ((x - w, y + h), (x + w, y + h), (x + w, y - h), (x - w, y - h))
    r = radius_mm
    points: list[Point] = []
    for start, cx, cy in (
        (90, -w + r, h - r),
        (0, w - r, h - r),
        (-90, w - r, -h + r),
        (180, -w + r, -h + r),
    ):
        points += arc((x + cx, y + cy), r, start + 90, start, steps=6)
    return tuple(points)


def arc(
    centre: Point, radius_mm: float, from_deg: float, to_deg: float, steps: int = 24
) -> tuple[Point, ...]:
    """Points on a circular arc; angles run counter-clockwise from +x."""
    angles = [math.radians(from_deg + (to_deg - from_deg) * k / steps) for k in range(steps + 1)]
    return tuple((centre[0] + radius_mm * math.cos(a), centre[1] + radius_mm * math.sin(a)) for a in angles)


def disc(centre: Point, radius_mm: float, gray: int = BLACK) -> Area:
    """A filled circle (48 corners: the polygon errs by 0.2 % of the radius)."""
    return Area((arc(centre, radius_mm, 0, 352.5, steps=47),), gray)


def circle(centre: Point, radius_mm: float, width_mm: float = 0.4, gray: int = BLACK) -> Stroke:
    """A circle's outline."""
    return Stroke(arc(centre, radius_mm, 0, 352.5, steps=47), width_mm, gray, closed=True)


def arrow(start: Point, end: Point, width_mm: float = 0.6, head_mm: float = 3.0) -> tuple[Ink, ...]:
    """A line with a filled head at its end."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = math.hypot(dx, dy)
    ux, uy = dx / length, dy / length
    neck = (end[0] - ux * head_mm, end[1] - uy * head_mm)
    half = head_mm * 0.4
    head = (end, (neck[0] - uy * half, neck[1] + ux * half), (neck[0] + uy * half, neck[1] - ux * half))
    return (Stroke((start, neck), width_mm), Area((head,)))


def placed(inks: Iterable[Ink], at: Point, scale: float = 1.0, turn_deg: float = 0.0) -> tuple[Ink, ...]:
    """The inks turned and scaled about their own origin, then moved; line widths and text scale too."""
    c, s = math.cos(math.radians(turn_deg)) * scale, math.sin(math.radians(turn_deg)) * scale

    def move(point: Point) -> Point:
        return at[0] + c * point[0] - s * point[1], at[1] + s * point[0] + c * point[1]

    moved: list[Ink] = []
    for ink in inks:
        if isinstance(ink, Area):
            moved.append(replace(ink, rings=tuple(tuple(map(move, ring)) for ring in ink.rings)))
        elif isinstance(ink, Stroke):
            dash = ink.dash_mm and (ink.dash_mm[0] * scale, ink.dash_mm[1] * scale)
            points = tuple(map(move, ink.points))
            moved.append(replace(ink, points=points, width_mm=ink.width_mm * scale, dash_mm=dash))
        else:
            turn = ink.turn_deg + round(turn_deg)
            moved.append(replace(ink, at=move(ink.at), size_mm=ink.size_mm * scale, turn_deg=turn))
    return tuple(moved)


def font_file(bold: bool) -> Path:
    """Path of the font in the installed reportlab (Bitstream Vera, whose licence lies beside it)."""
    import reportlab  # noqa: PLC0415  slow to import, and most commands never draw a card

    return Path(reportlab.__file__).parent / "fonts" / ("VeraBd.ttf" if bold else "Vera.ttf")


@cache
def register_fonts() -> tuple[str, str]:
    """Make the two faces known to reportlab, once, and return their names (regular, bold)."""
    from reportlab.pdfbase import pdfmetrics, ttfonts  # noqa: PLC0415

    for name, bold in ((FONT_REGULAR, False), (FONT_BOLD, True)):
        pdfmetrics.registerFont(ttfonts.TTFont(name, str(font_file(bold))))
    return FONT_REGULAR, FONT_BOLD


def text_width_mm(text: str, size_mm: float, *, bold: bool = False) -> float:
    """Width of one line of text in mm, by the font's own metrics."""
    from reportlab.pdfbase import pdfmetrics  # noqa: PLC0415

    return float(pdfmetrics.stringWidth(text, register_fonts()[bold], size_mm))


def wrap(text: str, width_mm: float, size_mm: float, *, bold: bool = False) -> list[str]:
    """Break text at spaces into lines no wider than `width_mm` (a single long word is left whole)."""
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width_mm(longer, size_mm, bold=bold) <= width_mm:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def paragraph(
    text: str, at: Point, width_mm: float, size_mm: float, *, bold: bool = False
) -> tuple[Ink, ...]:
    """Wrapped lines of text whose first line's top lies at `at`; lines are 1.22 em apart."""
    lines = wrap(text, width_mm, size_mm, bold=bold)
    return tuple(
        Label(line, (at[0], at[1] - size_mm * (0.78 + 1.22 * k)), size_mm, bold=bold)
        for k, line in enumerate(lines)
    )


def paragraph_height_mm(text: str, width_mm: float, size_mm: float, *, bold: bool = False) -> float:
    """Height that `paragraph` takes, mm."""
    return 1.22 * size_mm * len(wrap(text, width_mm, size_mm, bold=bold))


def bounds(inks: Sequence[Ink]) -> Rectangle:
    """Smallest upright rectangle in mm that holds the inks, line widths and text included."""
    xs: list[float] = []
    ys: list[float] = []
    for ink in inks:
        if isinstance(ink, Area):
            points, pad = [p for ring in ink.rings for p in ring], 0.0
        elif isinstance(ink, Stroke):
            points, pad = list(ink.points), ink.width_mm / 2
        else:
            points, pad = _label_corners(ink), 0.0
        xs += [p[0] + d for p in points for d in (-pad, pad)]
        ys += [p[1] + d for p in points for d in (-pad, pad)]
    return Rectangle(min(xs), min(ys), max(xs), max(ys))


def _label_corners(label: Label) -> list[Point]:
    width = text_width_mm(label.text, label.size_mm, bold=label.bold)
    left = {"left": 0.0, "centre": -width / 2, "right": -width}[label.anchor]
    turn = math.radians(label.turn_deg)
    down, up = -0.24 * label.size_mm, 0.76 * label.size_mm  # Vera's descender and capitals
    return [
        (
            label.at[0] + x * math.cos(turn) - y * math.sin(turn),
            label.at[1] + x * math.sin(turn) + y * math.cos(turn),
        )
        for x in (left, left + width)
        for y in (down, up)
    ]
