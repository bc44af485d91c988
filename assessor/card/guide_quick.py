"""The guide's large picture of the quick way: phone above, one light low on one side, then on the opposite side.

About its own origin, 192 mm wide, 76 mm high. The side view is 1 : 7, as the torch's.
"""

from __future__ import annotations

from assessor.card.guide_pictures import FLOOR_GRAY, small_sheet, specks
from assessor.card.guide_torch import (
    TORCH_MM,
    locked_screen,
    side_view,
    toward,
)
from assessor.card.ink import WHITE, Area, Ink, Label, Point, Stroke, arc, arrow, box, disc, placed
from assessor.card.layout import PAPERS_MM, CardLayout
from assessor.card.pictograms import PALE

LIGHT_DEG = 30.0
LOW_DEG, HIGH_DEG = 20.0, 50.0  # lower, a coarse floor is all shadow; higher, a fine one shows nothing
_SCALE = 1 / 7


def quick_picture(layout: CardLayout) -> tuple[Ink, ...]:
    """The light low from one side, the two sides from above, and the phone's screen; 76 mm high."""
    return (
        *placed(side_view(_light), (-51.0, 0.0)),
        *placed(_from_above(layout), (28.0, 0.0)),
        *placed(locked_screen(layout), (78.0, 0.0)),
    )


def _light(centre: Point) -> tuple[Ink, ...]:
    """The light, its beam on the window, and the angles between which it may stand."""
    torch, across = toward(centre, LIGHT_DEG, TORCH_MM * _SCALE), LIGHT_DEG + 90
    beam = (
        toward(torch, across, 1.2),
        toward(torch, across, -1.2),
        (centre[0] - 9.0, centre[1]),
        (centre[0] + 9.0, centre[1]),
    )
    rays = [
        Stroke((toward(torch, LIGHT_DEG + 180 + turn, 2.0), toward(torch, LIGHT_DEG + 180 + turn, 5.0)), 0.7)
        for turn in (-38, 0, 38)
    ]
    limits = (
        Stroke((centre, toward(centre, turn, 66.0)), 0.3, 128, dash_mm=(1.4, 1.2))
        for turn in (LOW_DEG, HIGH_DEG)
    )
    badge = toward(torch, LIGHT_DEG, 7.0)
    return (
        Area((beam,), PALE),
        *limits,
        Stroke(arc(centre, 63.0, LOW_DEG, HIGH_DEG), 0.6),
        Label(
            f"{LOW_DEG:.0f}-{HIGH_DEG:.0f}°",
            (toward(centre, HIGH_DEG, 66.0)[0] + 9.0, 20.0),
            5.0,
            "centre",
            bold=True,
        ),
        *placed((Area((box((1.2, 0), 2.0, 150 * _SCALE, 0.9),)),), torch, turn_deg=LIGHT_DEG),
        *rays,
        disc(badge, 3.4),
        Label("1", (badge[0], badge[1] - 1.7), 4.6, "centre", bold=True, gray=WHITE),
    )


def _from_above(layout: CardLayout) -> tuple[Ink, ...]:
    """The sheet from above and the light on two opposite sides of it. 60 mm wide."""
    inks: list[Ink] = [
        Area((box((0, 0), 60, 76, 2),), FLOOR_GRAY),
        *specks(29.0, 37.0),
        *placed(small_sheet(layout, PAPERS_MM["a4"]), (0, 0), 1 / 9.0),
    ]
    for number, turn in (("1", 0.0), ("2", 180.0)):
        at = toward((0.0, 0.0), turn, 23.0)
        start, end = toward(at, turn + 180, 4.0), toward(at, turn + 180, 16.5)
        inks += [
            Stroke((start, end), 1.8, WHITE),
            *arrow(start, end, 0.8, 3.2),
            *placed((Area((box((0, 0), 7.5, 14.0, 1.4),)),), at, turn_deg=turn),
            Label(number, (at[0], at[1] - 2.2), 6.0, "centre", bold=True, gray=WHITE),
        ]
    return tuple(inks)
