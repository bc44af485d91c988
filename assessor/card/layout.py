"""Geometry of the window card, in one place: the drawing, the finder and the simulator all read it from here.

All lengths in mm in the card frame (see `values`): origin at the window's centre, +x right, +y up the sheet.
The same geometry fits A4 (210 x 297) and Letter (215.9 x 279.4), centred, so one card id serves both papers.

Markers are AprilTag 36h11 squares (Olson 2011, "AprilTag: a robust and flexible visual fiducial system"), read by
OpenCV's aruco module: their ids differ in at least 11 bits, so dirt and concrete are not taken for markers. Ids
0-27 are the small ring round the window (four of its places carry the serial instead, ids 300-555), 28-35 the
large ring that is readable from standing height.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from assessor.values import FloatArray

DESIGN = "window-1"
DICTIONARY = "DICT_APRILTAG_36h11"
SERIAL_ID_BASE = 300
SERIAL_COUNT = 256 * 256

WINDOW_MM = 120.0
SMALL_MM, LARGE_MM = 14.0, 30.0
RING_MM = 80.0
PITCH_MM = 18.0
TAB_HEIGHT_MM, TAB_BASE_MM = 14.0, 10.0
BAR_WIDTH_MM, TICK_MM = 0.3, 1.5
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
# Drawn reflectance of the steps as sRGB bytes; a printer's greys are unknown, so readers use only their order.
STEP_BYTES = (255, 214, 172, 128, 84, 0)


@dataclass(frozen=True, slots=True)
class Marker:
    """A printed square marker; centre and side in mm. `role` is ring, large, serial-high or serial-low."""

    id: int
    x_mm: float
    y_mm: float
    side_mm: float
    role: str

    def corners_mm(self) -> FloatArray:
        """(4, 2) corners: top left, top right, bottom right, bottom left, as one reads the sheet."""
        h = self.side_mm / 2
        square = np.array([[-h, h], [h, h], [h, -h], [-h, -h]])
        return np.asarray(square + np.array([self.x_mm, self.y_mm]), dtype=float)


@dataclass(frozen=True, slots=True)
class Rectangle:
    """An upright rectangle in mm."""

    x_min_mm: float
    y_min_mm: float
    x_max_mm: float
    y_max_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        return self.x_max_mm - self.x_min_mm, self.y_max_mm - self.y_min_mm

    def less(self, margin_mm: float) -> Rectangle:
        """The same without a margin on all sides; a negative one widens it."""
        return Rectangle(
            self.x_min_mm + margin_mm,
            self.y_min_mm + margin_mm,
            self.x_max_mm - margin_mm,
            self.y_max_mm - margin_mm,
        )

    def covers(self, other: Rectangle) -> bool:
        """Whether another one lies inside it."""
        return (
            self.x_min_mm <= other.x_min_mm
            and self.y_min_mm <= other.y_min_mm
            and self.x_max_mm >= other.x_max_mm
            and self.y_max_mm >= other.y_max_mm
        )


def square(half_mm: float) -> Rectangle:
    """The square of +-half_mm about the origin."""
    return Rectangle(-half_mm, -half_mm, half_mm, half_mm)


@dataclass(frozen=True, slots=True)
class Step:
    """One patch of the neutral steps: where, which side (top, right, bottom, left), drawn sRGB byte."""

    area: Rectangle
    side: str
    srgb_byte: int


@dataclass(frozen=True, slots=True)
class Tab:
    """A pointed tab, cut on two sides and folded up along its base, so that its tip stands above the base's middle.

    base_mm: the fold line's two ends; tip_flat_mm: the tip before folding; tip_mm: the tip when upright (x, y, z).
    """

    name: str
    base_mm: tuple[tuple[float, float], tuple[float, float]]
    tip_flat_mm: tuple[float, float]
    tip_mm: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Bar:
    """A check bar between the centres of two end ticks, for the tape."""

    name: str
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    length_mm: float

    def strokes(self) -> tuple[Rectangle, Rectangle, Rectangle]:
        """The printed line and its two end ticks, as filled rectangles.

        The ticks of the bar across run outward only, since the large markers stand 2 mm above it.
        """
        (x0, y0), (x1, y1), h = self.start_mm, self.end_mm, BAR_WIDTH_MM / 2
        line = Rectangle(x0 - h, y0 - h, x1 + h, y1 + h)
        if self.name == "along":
            ticks = [
                Rectangle(x - TICK_MM, y - h, x + TICK_MM, y + h) for x, y in (self.start_mm, self.end_mm)
            ]
        else:
            ticks = [Rectangle(x - h, y - TICK_MM, x + h, y + h) for x, y in (self.start_mm, self.end_mm)]
        return line, ticks[0], ticks[1]


@dataclass(frozen=True, slots=True)
class CardLayout:
    """The whole card. Everything printed and everything measured comes from these fields."""

    design: str
    serial: int
    window: Rectangle
    markers: tuple[Marker, ...]
    steps: tuple[Step, ...]
    tabs: tuple[Tab, ...]
    bar_along: Bar
    bar_across: Bar
    extent: Rectangle

    def fixed_markers(self) -> dict[int, Marker]:
        """Markers whose id is the same on every print, by id."""
        return {m.id: m for m in self.markers if not m.role.startswith("serial")}


def _ring(serial: int) -> list[Marker]:
    """The 28 small markers: seven a side, the middle one of each side carries half of the serial."""
    places = [((k - 3) * PITCH_MM, k) for k in range(7)]
    sides = [
        [(at, RING_MM) for at, _ in places],
        [(RING_MM, -at) for at, _ in places],
        [(-at, -RING_MM) for at, _ in places],
        [(-RING_MM, at) for at, _ in places],
    ]
    high, low = divmod(serial, 256)
    markers, next_id = [], 0
    for n_side, side in enumerate(sides):
        for k, (x, y) in enumerate(side):
            if k == 3:
                role, value = ("serial-high", high) if n_side % 2 == 0 else ("serial-low", low)
                markers.append(Marker(SERIAL_ID_BASE + value, x, y, SMALL_MM, role))
            else:
                markers.append(Marker(next_id, x, y, SMALL_MM, "ring"))
                next_id += 1
    return markers


def _large() -> list[Marker]:
    places = [(x, y) for y in (114.5, -114.5) for x in (-80.0, -40.0, 40.0, 80.0)]
    return [Marker(28 + k, x, y, LARGE_MM, "large") for k, (x, y) in enumerate(places)]


def _steps() -> list[Step]:
    """Six patches on each side, white to black, running clockwise round the card."""
    steps = []
    n, pitch, long_half = len(STEP_BYTES), 19.0, 7.5
    for k, byte in enumerate(STEP_BYTES):
        at = (k - (n - 1) / 2) * pitch
        near, far = 89.0, 96.0
        steps.append(Step(Rectangle(at - long_half, near, at + long_half, far), "top", byte))
        steps.append(Step(Rectangle(near, -at - long_half, far, -at + long_half), "right", byte))
        steps.append(Step(Rectangle(-at - long_half, -far, -at + long_half, -near), "bottom", byte))
        steps.append(Step(Rectangle(-far, at - long_half, -near, at + long_half), "left", byte))
    return steps


def _tabs() -> list[Tab]:
    """Four tabs by the window's corners; two fold along x and two along y, so no light meets all edge-on."""
    tabs = []
    for name, sx, sy, along_x in (
        ("top-left", -1, 1, True),
        ("top-right", 1, 1, False),
        ("bottom-right", 1, -1, True),
        ("bottom-left", -1, -1, False),
    ):
        x, y, half = 83.0 * sx, 83.0 * sy, TAB_BASE_MM / 2
        if along_x:
            y = 79.0 * sy
            base = ((x - half, y), (x + half, y))
            flat = (x, y + TAB_HEIGHT_MM * sy)
        else:
            x = 79.0 * sx
            base = ((x, y - half), (x, y + half))
            flat = (x + TAB_HEIGHT_MM * sx, y)
        tabs.append(Tab(name, base, flat, (x, y, TAB_HEIGHT_MM)))
    return tabs


@cache
def card_layout(serial: int = 0) -> CardLayout:
    """Geometry of the window card with this serial (0-65535); ValueError outside."""
    if not 0 <= serial < SERIAL_COUNT:
        raise ValueError(f"serial must be 0-{SERIAL_COUNT - 1}, not {serial}")
    half = WINDOW_MM / 2
    return CardLayout(
        design=DESIGN,
        serial=serial,
        window=Rectangle(-half, -half, half, half),
        markers=tuple(_ring(serial) + _large()),
        steps=tuple(_steps()),
        tabs=tuple(_tabs()),
        bar_along=Bar("along", (98.5, -125.0), (98.5, 125.0), 250.0),
        bar_across=Bar("across", (-90.0, -131.5), (90.0, -131.5), 180.0),
        extent=Rectangle(-100.0, -133.0, 100.0, 133.0),
    )
