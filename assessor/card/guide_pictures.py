"""The large pictures of the shooting guide, one per capture kind, drawn from the card's own geometry.

Each is about its own origin, 192 mm wide. What is shown is to scale where scale teaches: the side view is
1 : 6, the phone's screen shows the sheet as a pinhole camera at that place would.
"""

from __future__ import annotations

import math

import numpy as np

from assessor.card.ink import (
    WHITE,
    Area,
    Ink,
    Label,
    Point,
    Stroke,
    arc,
    arrow,
    box,
    circle,
    disc,
    placed,
    rectangle,
)
from assessor.card.layout import PAPERS_MM, CardLayout
from assessor.card.pictograms import PALE, no_flash_mark

HEIGHT_MM, TILT_DEG = 350.0, 15.0
SIDE_SCALE = 1 / 6
LENS_HALF_DEG = 26.5  # half the short field of view of a phone's main camera, common practice
FLOOR_GRAY = 190


def angles_picture(layout: CardLayout) -> tuple[Ink, ...]:
    """Distance and tilt from the side, the four places from above, and the phone's screen; 88 mm high."""
    return (
        *placed(_side_view(), (-63.0, 0.0)),
        *placed(_from_above(layout), (4.0, 0.0)),
        *placed(_screen(layout), (71.0, 0.0)),
    )


def _side_view() -> tuple[Ink, ...]:
    """Phone over the sheet, to scale, with distance and tilt written to it. 64 mm wide."""
    ground = -36.0
    lens_x = HEIGHT_MM * math.tan(math.radians(TILT_DEG)) * SIDE_SCALE
    lens_y = ground + HEIGHT_MM * SIDE_SCALE
    lens = (lens_x, lens_y)
    half = 105.0 * SIDE_SCALE
    left = -30.5
    return (
        Area((_view(lens, ground),), 236),
        *_floor(ground),
        *(Area((box((sx * (half + 8) / 2, ground + 0.5), half - 8, 1.0),)) for sx in (-1, 1)),
        *(Area((((x - 0.9, ground + 1), (x + 0.9, ground + 1), (x, ground + 4.2)),)) for x in (-13.0, 13.0)),
        Stroke(((0, ground), (0, lens_y + 12)), 0.35, dash_mm=(1.6, 1.0)),
        Stroke(((0, ground), (lens_x, lens_y)), 0.5),
        Stroke(arc((0, ground), 38, 90 - TILT_DEG, 90), 0.6),
        Label(f"{TILT_DEG:.0f}°", (12.6, ground + 36.0), 5.4, bold=True),
        *placed(_phone_edge(), (lens_x, lens_y), turn_deg=-TILT_DEG),
        *placed(_phone_edge(ghost=True), (-lens_x, lens_y), turn_deg=TILT_DEG),
        *arrow((left, (ground + lens_y) / 2), (left, ground), 0.4, 2.6),
        *arrow((left, (ground + lens_y) / 2), (left, lens_y), 0.4, 2.6),
        Stroke(((left - 2, lens_y), (left + 4, lens_y)), 0.3),
        Label("300-450 mm", (left + 4.6, ground + 24.0), 4.2, "centre", bold=True, turn_deg=90),
        Label("12-18 in", (left + 9.4, ground + 24.0), 3.6, "centre", turn_deg=90),
    )


def _view(lens: Point, ground: float) -> tuple[Point, ...]:
    """What the lens sees down to the ground, cut off where the drawn floor ends."""
    drop, end = lens[1] - ground, -32.0
    left, right = (math.tan(math.radians(turn - TILT_DEG)) for turn in (-LENS_HALF_DEG, LENS_HALF_DEG))
    return lens, (end, lens[1] - (end - lens[0]) / left), (end, ground), (lens[0] + drop * right, ground)


def _floor(y: float) -> tuple[Ink, ...]:
    """A rough floor in section: an uneven top line over a hatched band."""
    top = [
        (-32 + 1.6 * k, y - 0.35 - 0.55 * abs(math.sin(1.9 * k) + 0.6 * math.sin(4.3 * k))) for k in range(41)
    ]
    band = (*top, (32.0, y - 6.0), (-32.0, y - 6.0))
    hatch = [Stroke(((x, y - 5.6), (x + 3.4, y - 2.0)), 0.25, 128) for x in range(-31, 29, 3)]
    return (Area((band,), PALE), *hatch, Stroke(tuple(top), 0.5))


def _phone_edge(*, ghost: bool = False) -> tuple[Ink, ...]:
    """A phone seen from its edge, screen up, lens at the origin below it."""
    body = box((0, 1.0), 150 * SIDE_SCALE, 2.0, 0.9)
    if ghost:
        return (Stroke(body, 0.35, 128, closed=True),)
    return (Area((body,)), Area((box((0, -0.3), 2.2, 0.8),)))


def _from_above(layout: CardLayout) -> tuple[Ink, ...]:
    """The sheet from above and the phone on each of its sides, all turned as the sheet is. 60 mm wide."""
    scale, paper = 1 / 8.0, PAPERS_MM["a4"]
    places = ((0.0, -31.5), (22.0, 0.0), (0.0, 31.5), (-22.0, 0.0))
    inks: list[Ink] = [
        Area((box((0, 0), 61, 87, 2),), FLOOR_GRAY),
        *specks(30.0, 43.0),
        *placed(small_sheet(layout, paper), (0, 0), scale),
    ]
    for n, (x, y) in enumerate(places):
        inks += [
            Area((box((x, y), 9.6, 19.0, 1.6),)),
            Stroke(box((x, y), 9.6, 19.0, 1.6), 0.5, WHITE, closed=True),
            Label(str(n + 1), (x, y - 2.2), 6.0, "centre", bold=True, gray=WHITE),
        ]
        length = math.hypot(x, y)
        near = 21.6 if x == 0 else 16.8
        start, end = (x / length * near, y / length * near), (x / length * 5.0, y / length * 5.0)
        inks += [Stroke((start, end), 1.8, WHITE), *arrow(start, end, 0.8, 3.2)]
    return tuple(inks)


def small_sheet(layout: CardLayout, paper: tuple[float, float]) -> tuple[Ink, ...]:
    """The sheet at full size for scaling down: paper, plain squares for markers, steps, tabs, window."""
    w = layout.window
    window = box((0, 0), w.x_max_mm - w.x_min_mm, w.y_max_mm - w.y_min_mm)
    markers = [Area((tuple((float(x), float(y)) for x, y in m.corners_mm()),)) for m in layout.markers]
    tabs = [Area(((*tab.base_mm, tab.tip_flat_mm),), 128) for tab in layout.tabs]
    steps = [rectangle(step.area, step.srgb_byte) for step in layout.steps if step.srgb_byte < WHITE]
    sheet = Area((box((0, 0), *paper), window), WHITE)
    return (sheet, *markers, *steps, *tabs, Stroke(window, 2.0, 84, closed=True))


def _screen(layout: CardLayout) -> tuple[Ink, ...]:
    """A phone that shows the whole sheet from photo 1's place, focus on the window. 50 mm wide."""
    middle, half_w, half_h = (0.0, 3.0), 21.0, 28.0
    sheet = [_seen(ink, half_w, middle) for ink in small_sheet(layout, PAPERS_MM["a4"])]
    corners = [
        Stroke(((sx * 6.5, 3 + sy * 3.5), (sx * 6.5, 3 + sy * 6.5), (sx * 3.5, 3 + sy * 6.5)), 0.9)
        for sx in (-1, 1)
        for sy in (-1, 1)
    ]
    return (
        Area((box((0, 0), 47, 87, 5),)),
        Area((box(middle, 2 * half_w, 2 * half_h),), FLOOR_GRAY),
        *placed(specks(half_w - 1, half_h - 1), middle),
        *sheet,
        *corners,
        *placed(no_flash_mark(), (-14.5, 37.2), 0.72),
        disc((14.5, 37.2), 4.2, WHITE),
        Label("1x", (14.5, 35.8), 3.8, "centre", bold=True),
        disc((0, -34.2), 5.2, WHITE),
        circle((0, -34.2), 4.2, 0.5),
    )


def _seen(ink: Ink, half_width_mm: float, middle: Point) -> Ink:
    """The ink as a phone's main camera shows it from photo 1's place."""
    tilt, distance = math.radians(TILT_DEG), 330.0
    focal = half_width_mm / math.tan(math.radians(LENS_HALF_DEG))

    def project(point: Point) -> Point:
        depth = distance + point[1] * math.sin(tilt)
        return (
            middle[0] + focal * point[0] / depth,
            middle[1] + focal * point[1] * math.cos(tilt) / depth,
        )

    if isinstance(ink, Area):
        return Area(tuple(tuple(map(project, ring)) for ring in ink.rings), ink.gray)
    if isinstance(ink, Stroke):
        return Stroke(tuple(map(project, ink.points)), 0.25, ink.gray, closed=ink.closed)
    raise TypeError("text is not drawn in perspective")


def specks(half_width_mm: float, half_height_mm: float) -> tuple[Ink, ...]:
    """Grains of a bare floor, always the same ones."""
    rng = np.random.default_rng(5)
    grains: list[Ink] = []
    for x, y, r, dark in rng.random((150, 4)):
        at = ((2 * x - 1) * half_width_mm, (2 * y - 1) * half_height_mm)
        radius = 0.18 + 0.45 * r * r
        grains.append(
            Area((arc(at, radius, 60 * dark, 300 + 60 * dark, steps=5),), 150 if dark < 0.6 else 214)
        )
    return tuple(grains)
