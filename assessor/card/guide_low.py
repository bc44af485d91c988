"""The guide's large picture of the low photo toward the light, which goes with every capture kind: it shows shine.

About its own origin, 192 mm wide, 76 mm high. The side view is 1 : 8. A film mirrors a lamp as far from straight
down as the phone is on the other side, so phone, window and light stand in one line.
"""

from __future__ import annotations

import math

from assessor.card.guide_pictures import FLOOR_GRAY, LENS_HALF_DEG, small_sheet, specks
from assessor.card.guide_torch import fine_floor, standing_tab, toward
from assessor.card.ink import WHITE, Area, Ink, Label, Point, Stroke, arc, arrow, box, circle, disc, placed
from assessor.card.layout import PAPERS_MM, CardLayout
from assessor.card.pictograms import no_flash_mark

LOW_DEG, LEAST_DEG, MOST_DEG = (
    55.0,
    50.0,
    60.0,
)  # from straight down; shine grows with it, and the card must be read
HIGH_MM, BACK_MM = 250.0, 350.0
_SCALE = 1 / 8
_GROUND = -22.0


def low_picture(layout: CardLayout) -> tuple[Ink, ...]:
    """Phone, window and light in one line from the side and from above, and the phone's screen; 76 mm high."""
    return (
        *placed(_side_view(), (-51.0, 0.0)),
        *placed(_from_above(layout), (28.0, 0.0)),
        *placed(_screen(layout), (78.0, 0.0)),
    )


def _side_view() -> tuple[Ink, ...]:
    """The phone low on one side and a lamp or window on the other, with the angle between; 90 mm wide."""
    centre = (6.0, _GROUND)
    lens = (centre[0] - BACK_MM * _SCALE, _GROUND + HIGH_MM * _SCALE)
    half = 105.0 * _SCALE
    angle = math.degrees(math.atan2(BACK_MM, HIGH_MM))
    light = toward(centre, 90.0 - angle, 41.0)
    body = (Area((box((0, 1.0), 150 * _SCALE, 2.0, 0.9),)), Area((box((0, -0.3), 2.2, 0.8),)))
    limits = [
        Stroke((centre, toward(centre, 90.0 + turn, 40.0)), 0.3, 128, dash_mm=(1.4, 1.2))
        for turn in (LEAST_DEG, MOST_DEG)
    ]
    return (
        Area((_view(lens, angle),), 236),
        *fine_floor(_GROUND),
        *(Area((box((centre[0] + s * (half + 7.5) / 2, _GROUND + 0.5), half - 7.5, 1.0),)) for s in (-1, 1)),
        *(standing_tab(centre[0] + s * 10.0, _GROUND) for s in (-1, 1)),
        *limits,
        Stroke((centre, (centre[0], _GROUND + 46.0)), 0.35, dash_mm=(1.6, 1.0)),
        Stroke(arc(centre, 33.0, 90, 90 + angle), 0.6),
        Label(
            f"{LEAST_DEG:.0f}-{MOST_DEG:.0f}°", (centre[0] - 14.0, _GROUND + 34.0), 5.4, "centre", bold=True
        ),
        *arrow(light, toward(centre, 90.0 - angle, 3.0), 0.8, 3.0),
        *arrow(toward(centre, 90.0 + angle, 3.0), toward(centre, 90.0 + angle, 45.0), 0.8, 3.0),
        *placed(body, lens, turn_deg=angle),
        *placed(light_mark(), light),
        *arrow((lens[0], -31.5), (centre[0], -31.5), 0.4, 2.6),
        *arrow((centre[0], -31.5), (lens[0], -31.5), 0.4, 2.6),
        Label(f"{BACK_MM:.0f} mm (14 in)", ((lens[0] + centre[0]) / 2, -37.2), 4.2, "centre", bold=True),
        *arrow((lens[0], -8.0), (lens[0], _GROUND), 0.4, 2.6),
        *arrow((lens[0], -8.0), (lens[0], lens[1] - 2.0), 0.4, 2.6),
        Label(f"{HIGH_MM:.0f} mm", (lens[0] + 5.6, _GROUND + 11.0), 4.2, "centre", bold=True, turn_deg=90),
        Label("10 in", (lens[0] + 10.0, _GROUND + 11.0), 3.6, "centre", turn_deg=90),
    )


def light_mark() -> tuple[Ink, ...]:
    """A lamp or a bright window: a disc with rays all round, about 12 mm wide."""
    rays = [
        Stroke((toward((0.0, 0.0), turn, 3.6), toward((0.0, 0.0), turn, 5.6)), 0.8)
        for turn in range(0, 360, 45)
    ]
    return disc((0, 0), 2.7, WHITE), circle((0, 0), 2.7, 0.8), *rays


def _view(lens: Point, angle_deg: float) -> tuple[Point, ...]:
    """What the lens sees down to the ground, cut off where the drawn floor ends."""
    drop = lens[1] - _GROUND
    near, far = (
        lens[0] + drop * math.tan(math.radians(angle_deg + turn))
        for turn in (-LENS_HALF_DEG, LENS_HALF_DEG / 3)
    )
    return lens, (near, _GROUND), (min(far, 44.0), _GROUND)


def _from_above(layout: CardLayout) -> tuple[Ink, ...]:
    """Light, sheet and phone in one line from above; 60 mm wide."""
    return (
        Area((box((0, 0), 60, 76, 2),), FLOOR_GRAY),
        *specks(29.0, 37.0),
        Stroke(((0, 24), (0, -24)), 1.8, WHITE),
        Stroke(((0, 24), (0, -24)), 0.6, dash_mm=(2.0, 1.2)),
        *placed(small_sheet(layout, PAPERS_MM["a4"]), (0, 0), 1 / 11.0),
        disc((0, 30), 6.6, WHITE),
        *placed(light_mark(), (0, 30)),
        *arrow((0, 23), (0, 15), 0.9, 3.4),
        *arrow((0, -15), (0, -23), 0.9, 3.4),
        Area((box((0, -29), 16.0, 8.0, 1.4),)),
        Stroke(box((0, -29), 16.0, 8.0, 1.4), 0.5, WHITE, closed=True),
        disc((0, -27.0), 1.1, WHITE),
    )


def _screen(layout: CardLayout) -> tuple[Ink, ...]:
    """A phone that shows the whole sheet from low down, a shine in its window. 36 mm wide."""
    middle, half_w, half_h = (0.0, 2.0), 15.5, 24.0
    sheet = [_seen(ink, half_w, middle) for ink in small_sheet(layout, PAPERS_MM["a4"])]
    film = Area((_oval((12.0, 14.0), 30.0, 22.0),), WHITE)
    rim = Stroke(_oval((12.0, 14.0), 30.0, 22.0), 0.9, closed=True)
    return (
        Area((box((0, 0), 36, 76, 4.5),)),
        Area((box(middle, 2 * half_w, 2 * half_h),), FLOOR_GRAY),
        *placed(specks(half_w - 1, half_h - 1), middle),
        *sheet,
        *(_seen(ink, half_w, middle) for ink in (film, rim)),
        *placed(light_mark(), (0.0, 19.0), 0.8),
        *arrow((0.0, 14.2), (0.6, 7.6), 0.7, 2.4),
        *placed(no_flash_mark(), (-11.5, 32.2), 0.62),
        disc((11.5, 32.2), 3.6, WHITE),
        Label("1x", (11.5, 31.0), 3.3, "centre", bold=True),
        disc((0, -30.0), 4.6, WHITE),
        circle((0, -30.0), 3.7, 0.5),
    )


def _oval(centre: Point, half_width: float, half_height: float) -> tuple[Point, ...]:
    turns = [math.radians(10 * k) for k in range(36)]
    return tuple(
        (centre[0] + half_width * math.cos(turn), centre[1] + half_height * math.sin(turn)) for turn in turns
    )


def _seen(ink: Ink, half_width_mm: float, middle: Point) -> Ink:
    """The ink as a phone's main camera shows it from low down."""
    tilt, distance = math.radians(LOW_DEG), math.hypot(HIGH_MM, BACK_MM)
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
        return Stroke(tuple(map(project, ink.points)), min(ink.width_mm, 0.6), ink.gray, closed=ink.closed)
    raise TypeError("text is not drawn in perspective")
