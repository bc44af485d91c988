"""The guide's large picture of a torch capture: from the side, from above, and the phone's screen.

About its own origin, 192 mm wide, 76 mm high. The side view is 1 : 7. Distances are those the measurement was tried
with (torch 35-50 cm away and 15-40 degrees up, phone about 35 cm above).
"""

from __future__ import annotations

import math
from collections.abc import Callable

from assessor.card.guide_pictures import FLOOR_GRAY, LENS_HALF_DEG, small_sheet, specks
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
)
from assessor.card.layout import PAPERS_MM, CardLayout
from assessor.card.pictograms import PALE, lock_mark, no_flash_mark

PHONE_MM, TORCH_MM, TORCH_DEG = 350.0, 425.0, 25.0
LOW_DEG, HIGH_DEG = 15.0, 40.0
N_SIDES = 8
_SCALE = 1 / 7


def torch_picture(layout: CardLayout) -> tuple[Ink, ...]:
    """Phone above and torch low from the side, the eight sides from above, and the locked screen; 76 mm high."""
    return (
        *placed(side_view(_light), (-51.0, 0.0)),
        *placed(_from_above(layout), (28.0, 0.0)),
        *placed(locked_screen(layout), (78.0, 0.0)),
    )


def side_view(light: Callable[[Point], tuple[Ink, ...]]) -> tuple[Ink, ...]:
    """The sheet with its tabs, the phone straight above and a light low beside it, to scale. 90 mm wide.

    light: draws it for a window whose middle lies at a point.
    """
    ground, x = -30.0, -17.0
    centre, lens = (x, ground), (x, ground + PHONE_MM * _SCALE)
    half = 105.0 * _SCALE
    return (
        Area((seen_below(lens, ground),), 236),
        *light(centre),
        *fine_floor(ground),
        *(Area((box((x + side * (half + 8.6) / 2, ground + 0.5), half - 8.6, 1.0),)) for side in (-1, 1)),
        *(standing_tab(x + side * 11.5, ground) for side in (-1, 1)),
        Stroke((centre, lens), 0.35, dash_mm=(1.6, 1.0)),
        Area((box((lens[0], lens[1] + 1.0), 150 * _SCALE, 2.0, 0.9),)),
        Area((box((lens[0], lens[1] - 0.3), 2.2, 0.8),)),
        *height_mark(-39.5, ground, lens[1]),
    )


def _light(centre: Point) -> tuple[Ink, ...]:
    """The torch, its light on the window, its distance, and the angles between which it may stand."""
    reach = TORCH_MM * _SCALE
    torch = toward(centre, TORCH_DEG, reach)
    across = TORCH_DEG + 90
    beam = (
        toward(torch, across, 1.2),
        toward(torch, across, -1.2),
        (centre[0] - 9.0, centre[1]),
        (centre[0] + 9.0, centre[1]),
    )
    body = placed((Area((box((1.2, 0), 2.0, 150 * _SCALE, 0.9),)),), torch, turn_deg=TORCH_DEG)
    rays = [
        Stroke((toward(torch, TORCH_DEG + 180 + turn, 2.0), toward(torch, TORCH_DEG + 180 + turn, 5.0)), 0.7)
        for turn in (-38, 0, 38)
    ]
    far = (
        Stroke((centre, toward(centre, turn, 66.0)), 0.3, 128, dash_mm=(1.4, 1.2))
        for turn in (LOW_DEG, HIGH_DEG)
    )
    along = toward(toward(centre, TORCH_DEG, reach * 0.60), across, -1.5)
    turn = round(TORCH_DEG)
    return (
        Area((beam,), PALE),
        *far,
        Stroke(arc(centre, 63.0, LOW_DEG, HIGH_DEG), 0.6),
        Label(f"{LOW_DEG:.0f}-{HIGH_DEG:.0f}°", toward(centre, 44.0, 58.5), 5.0, "centre", bold=True),
        *body,
        *rays,
        Label("350-500 mm", along, 4.2, "centre", bold=True, turn_deg=turn),
    )


def toward(start: Point, turn_deg: float, length: float) -> Point:
    """The point so far from start in a direction, counter-clockwise from the right."""
    turn = math.radians(turn_deg)
    return start[0] + length * math.cos(turn), start[1] + length * math.sin(turn)


def seen_below(lens: Point, ground: float) -> tuple[Point, ...]:
    """What the lens sees down to the ground."""
    wide = (lens[1] - ground) * math.tan(math.radians(LENS_HALF_DEG)) * 0.72
    return lens, (lens[0] - wide, ground), (lens[0] + wide, ground)


def fine_floor(y: float) -> tuple[Ink, ...]:
    """A fine floor in section: a nearly even top line over a hatched band."""
    top = [
        (-45 + 1.5 * k, y - 0.2 - 0.25 * abs(math.sin(1.9 * k) + 0.6 * math.sin(4.3 * k))) for k in range(61)
    ]
    band = (*top, (45.0, y - 5.0), (-45.0, y - 5.0))
    hatch = [Stroke(((x, y - 4.6), (x + 3.0, y - 1.6)), 0.25, 128) for x in range(-44, 42, 3)]
    return (Area((band,), PALE), *hatch, Stroke(tuple(top), 0.5))


def standing_tab(x: float, ground: float) -> Ink:
    """A tab from the side."""
    return Area((((x - 0.9, ground + 1), (x + 0.9, ground + 1), (x, ground + 4.2)),))


def height_mark(x: float, ground: float, top: float) -> tuple[Ink, ...]:
    """How high the phone is, written beside it."""
    middle = (ground + top) / 2
    return (
        *arrow((x, middle), (x, ground), 0.4, 2.6),
        *arrow((x, middle), (x, top), 0.4, 2.6),
        Stroke(((x - 2, top), (x + 10, top)), 0.3),
        Label("350 mm", (x + 4.4, middle), 4.2, "centre", bold=True, turn_deg=90),
        Label("14 in", (x + 8.6, middle), 3.6, "centre", turn_deg=90),
    )


def _from_above(layout: CardLayout) -> tuple[Ink, ...]:
    """The sheet from above and the torch on eight sides of it, like the hours of a clock. 60 mm wide."""
    inks: list[Ink] = [
        Area((box((0, 0), 60, 76, 2),), FLOOR_GRAY),
        *specks(29.0, 37.0),
        *placed(small_sheet(layout, PAPERS_MM["a4"]), (0, 0), 1 / 11.0),
    ]
    for n in range(N_SIDES):
        turn = 90.0 - 360.0 * n / N_SIDES
        at = _on_oval(turn)
        outward = math.degrees(math.atan2(at[1], at[0]))
        start, end = toward(at, outward + 180, 3.0), toward(at, outward + 180, 12.5 if n % 2 == 0 else 11.0)
        inks += [
            Stroke((start, end), 1.6, WHITE),
            *arrow(start, end, 0.7, 3.0),
            *placed((Area((box((0, 0), 6.0, 10.0, 1.2),)),), at, turn_deg=outward),
            Label(str(n + 1), (at[0], at[1] - 1.8), 5.0, "centre", bold=True, gray=WHITE),
        ]
    return tuple(inks)


def _on_oval(turn_deg: float) -> Point:
    return 23.5 * math.cos(math.radians(turn_deg)), 31.0 * math.sin(math.radians(turn_deg))


def locked_screen(layout: CardLayout) -> tuple[Ink, ...]:
    """A phone that shows the whole sheet from straight above, focus and exposure locked. 36 mm wide."""
    middle, half_w, half_h = (0.0, 2.0), 15.5, 24.0
    frame = [
        Stroke(((sx * 4.6, 2 + sy * 1.9), (sx * 4.6, 2 + sy * 4.6), (sx * 1.9, 2 + sy * 4.6)), 0.9)
        for sx in (-1, 1)
        for sy in (-1, 1)
    ]
    return (
        Area((box((0, 0), 36, 76, 4.5),)),
        Area((box(middle, 2 * half_w, 2 * half_h),), FLOOR_GRAY),
        *placed(specks(half_w - 1, half_h - 1), middle),
        *placed(small_sheet(layout, PAPERS_MM["a4"]), middle, 1 / 8.2),
        *frame,
        *placed(no_flash_mark(), (-11.5, 32.2), 0.62),
        *placed(lock_mark(), (0.0, 32.2), 0.62),
        disc((11.5, 32.2), 3.6, WHITE),
        Label("1x", (11.5, 31.0), 3.3, "centre", bold=True),
        disc((0, -30.0), 4.6, WHITE),
        circle((0, -30.0), 3.7, 0.5),
    )
