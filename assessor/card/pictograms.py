"""Small pictures for the card and its guide, each about its own origin in a box of 20 x 16 mm.

They are drawn from the same shapes as the card, so they print sharp in every format, and in black and grey
only: meaning never rests on colour, and a worn-out office printer is enough.
"""

from __future__ import annotations

from assessor.card.ink import (
    BLACK,
    WHITE,
    Area,
    Ink,
    Label,
    Stroke,
    arc,
    arrow,
    box,
    circle,
    disc,
    placed,
)

LINE = 0.5
PALE = 214
_CORNERS = ((-1, -1), (-1, 1), (1, -1), (1, 1))


def printer() -> tuple[Ink, ...]:
    """A printer whose sheet says 100 %."""
    return (
        Area((box((0, 5.6), 9.5, 4.4),), PALE),
        Stroke(box((0, 5.6), 9.5, 4.4), LINE, closed=True),
        Area((box((0, 0.6), 19, 7.6, 1.4),)),
        disc((7.2, 2.6), 0.8, WHITE),
        Area((box((0, -4.0), 13.5, 8.0),), WHITE),
        Stroke(box((0, -4.0), 13.5, 8.0), LINE, closed=True),
        Label("100 %", (0, -5.2), 3.6, "centre", bold=True),
    )


def tape() -> tuple[Ink, ...]:
    """A check bar with a tape laid along it."""
    blade = box((1.5, -1.2), 17, 4.4)
    ticks = [Stroke(((-5.5 + 1.45 * k, -3.4), (-5.5 + 1.45 * k, -1.6 + k % 2)), 0.35) for k in range(11)]
    return (
        Stroke(((-6.5, 5), (10, 5)), 0.5),
        Stroke(((-6.5, 3), (-6.5, 7)), 0.5),
        Stroke(((10, 3), (10, 7)), 0.5),
        Area((blade,), PALE),
        Stroke(blade, LINE, closed=True),
        *ticks,
        Area((box((-7.2, -2.4), 5.6, 8.4, 1.6),)),
        disc((-7.2, -2.4), 1.3, WHITE),
        *(Stroke(((x, 2.4), (x, 1.6)), 0.35) for x in (-6.5, 10)),
    )


def scissors() -> tuple[Ink, ...]:
    """Scissors cutting along the edge of a square."""
    blades: tuple[Ink, ...] = (
        Stroke(((-4.6, -2.3), (5.6, 2.2)), 1.1),
        Stroke(((-4.6, 2.3), (5.6, -2.2)), 1.1),
        circle((-6.6, 3.2), 2.1, 1.0),
        circle((-6.6, -3.2), 2.1, 1.0),
        disc((0.6, 0), 0.7, WHITE),
    )
    return (
        Stroke(((-10, 0), (-8.9, 0)), 0.4),
        Stroke(((5, 0), (9.8, 0), (9.8, -8)), 0.4),
        *placed(blades, (-0.8, 0)),
    )


def tab_up() -> tuple[Ink, ...]:
    """A triangular tab folded up from a sheet seen aslant, its hole behind it."""
    sheet = ((-10, -7.4), (5.4, -7.4), (10, 1.6), (-5.4, 1.6))
    left, right, hole, tip = (-6.6, -5.0), (0.6, -5.0), (5.0, 0.4), (-3.0, 5.6)
    return (
        Area((sheet,), WHITE),
        Stroke(sheet, LINE, closed=True),
        Area(((left, right, hole),), PALE),
        Stroke((left, hole, right), 0.4),
        Area(((left, right, tip),), BLACK),
        Stroke(arc((-3.0, -5.0), 11.0, 42, 74), 0.7),
        Area((((-1.9, 5.9), (1.2, 6.6), (0.6, 4.0)),)),
    )


def vacuum() -> tuple[Ink, ...]:
    """A vacuum cleaner on the floor."""
    return (
        Stroke(((-10, -7.4), (10, -7.4)), LINE),
        Area((box((5, -3.2), 8.4, 6.0, 1.6), arc((5, -3.0), 1.7, 0, 352.5, steps=47))),
        disc((2.4, -6.4), 1.0),
        disc((7.6, -6.4), 1.0),
        Stroke((*arc((0.4, -0.4), 5.0, 12, 168, steps=18), (-6.2, -3.4), (-7.4, -6.0)), 1.0),
        Area((((-9.8, -7.0), (-4.8, -7.0), (-6.2, -5.2), (-8.6, -5.2)),)),
    )


def weights() -> tuple[Ink, ...]:
    """A sheet that lies flat with its window open and a weight on each corner."""
    return (
        Stroke(box((0, 0), 11.4, 15.6), LINE, closed=True),
        Area((box((0, 0), 6, 6),), PALE),
        Stroke(box((0, 0), 6, 6), 0.4, closed=True),
        *(
            Area((_nut((sx * 4.6, sy * 6.7)), arc((sx * 4.6, sy * 6.7), 0.7, 0, 330, 11)))
            for sx, sy in _CORNERS
        ),
    )


def four_sides() -> tuple[Ink, ...]:
    """The sheet from above with a phone on each side."""
    spots = (((0, -6.7), 90.0), ((8.4, 0), 180.0), ((0, 6.7), 270.0), ((-8.4, 0), 0.0))
    arrows = [placed(arrow((-1.6, 0), (2.4, 0), 0.5, 1.8), at, turn_deg=turn) for at, turn in spots]
    return (
        Stroke(box((0, 0), 7.2, 9.0 * 0.8), LINE, closed=True),
        Area((box((0, 0), 3.0, 3.0),), 128),
        *(ink for group in arrows for ink in group),
    )


def tilt() -> tuple[Ink, ...]:
    """A phone above the sheet, leaning off straight down."""
    phone = placed((Area((box((0, 0), 9, 1.6, 0.6),)),), (5.2, 6.2), turn_deg=-18)
    return (
        Stroke(((-8, -7.2), (8, -7.2)), 0.9),
        Stroke(((0, -7), (0, 7.6)), 0.35, dash_mm=(1.2, 0.8)),
        Stroke(((0, -7), (4.6, 5.4)), 0.5),
        Stroke(arc((0, -7), 9, 70, 90), 0.5),
        *phone,
    )


def no_flash() -> tuple[Ink, ...]:
    """A flash bolt struck out, and the zoom left at 1x."""
    return (
        *placed(no_flash_mark(), (-5.2, 0)),
        circle((5.4, 0), 4.4, 0.8),
        Label("1x", (5.4, -1.6), 4.2, "centre", bold=True),
    )


def no_flash_mark() -> tuple[Ink, ...]:
    """A flash bolt struck out, on a white disc about 11 mm across."""
    bolt = ((2.4, 4.3), (-1.4, 4.3), (-2.9, -0.5), (-0.6, -0.5), (-1.8, -4.6), (3.3, 1.3), (0.8, 1.3))
    bar = ((-3.5, 3.5), (3.5, -3.5))
    return (
        disc((0, 0), 5.6, WHITE),
        Area((bolt,)),
        Stroke(bar, 1.5, WHITE),
        circle((0, 0), 5.0, 0.9),
        Stroke(bar, 0.8),
    )


def lock_mark() -> tuple[Ink, ...]:
    """A closed padlock on a white disc about 11 mm across: focus and exposure are locked."""
    return (
        disc((0, 0), 5.6, WHITE),
        Stroke((*arc((0, 1.0), 1.9, 0, 180), (-1.9, -0.4)), 0.9),
        Stroke(((1.9, 1.0), (1.9, -0.4)), 0.9),
        Area((box((0, -1.7), 5.6, 4.0, 0.6), arc((0, -1.5), 0.7, 0, 330, 11))),
    )


def phone_above() -> tuple[Ink, ...]:
    """A phone straight above the sheet, its focus and exposure locked."""
    return (
        Stroke(((-9, -7.2), (5, -7.2)), 0.9),
        Stroke(((-2, -7), (-2, 4.8)), 0.35, dash_mm=(1.2, 0.8)),
        Area((box((-2, 6.0), 10, 1.7, 0.6),)),
        Area((box((-2, 5.0), 1.4, 0.6),)),
        *placed(lock_mark(), (5.6, -0.8), 0.8),
    )


def torch_low() -> tuple[Ink, ...]:
    """A torch held low beside the sheet, shining on its window."""
    torch, turn = (5.6, -1.4), 25.0
    body = placed((Area((box((0.9, 0), 1.5, 8.0, 0.6),)),), torch, turn_deg=turn)
    return (
        Area(((torch, (-6.6, -7.0), (-3.0, -7.0)),), PALE),
        Stroke(((-9, -7.2), (9, -7.2)), 0.9),
        Stroke(((-4.8, -7.0), torch), 0.4, dash_mm=(1.2, 0.8)),
        Stroke(arc((-4.8, -7.0), 8.4, 0, turn), 0.5),
        *body,
    )


def eight_sides() -> tuple[Ink, ...]:
    """The sheet from above with a torch on eight sides, and a torch that is off."""
    middle = (-3.4, 0.0)
    inks: list[Ink] = [Stroke(box(middle, 4.4, 6.0), LINE, closed=True), Area((box(middle, 2.0, 2.0),), 128)]
    for n in range(8):
        light = (Area((((4.4, 0), (6.6, 1.2), (6.6, -1.2)),)),)
        inks += placed(light, middle, turn_deg=45.0 * n)
    bar = ((4.2, -3.6), (9.8, 3.6))
    return (*inks, Area((box((7.0, 0), 3.0, 6.4, 0.7),)), Stroke(bar, 1.8, WHITE), Stroke(bar, 0.8))


def two_sides() -> tuple[Ink, ...]:
    """The sheet from above with a torch on two opposite sides, one photo each."""
    inks: list[Ink] = [Stroke(box((0, 0), 6.0, 8.0), LINE, closed=True), Area((box((0, 0), 2.8, 2.8),), 128)]
    for number, side in (("1", -1.0), ("2", 1.0)):
        light = (Area((((4.0, 0), (6.2, 1.6), (6.2, -1.6)),)),)
        inks += placed(light, (0.0, 0.0), turn_deg=0.0 if side > 0 else 180.0)
        inks.append(Label(number, (side * 8.2, -1.5), 4.4, "centre", bold=True))
    return tuple(inks)


def walk_round() -> tuple[Ink, ...]:
    """Once round the sheet with the torch in ten seconds, while the phone films."""
    middle, radius = (-4.2, 0.0), 5.5
    start, end = (arc(middle, radius, turn, turn, 1)[0] for turn in (55, 100))
    return (
        Stroke(box(middle, 4.0, 5.4), LINE, closed=True),
        Area((box(middle, 1.8, 1.8),), 128),
        Stroke(arc(middle, radius, 130, 415, steps=40), 0.8),
        *arrow(start, end, 0.7, 2.6),
        circle((6.0, 3.4), 2.4, 0.7),
        disc((6.0, 3.4), 1.4),
        Label("10 s", (6.0, -3.8), 3.4, "centre", bold=True),
    )


def both_kinds() -> tuple[Ink, ...]:
    """A tilted phone and a low torch over one sheet: both kinds of one spot."""
    phone = placed((Area((box((0, 0), 7, 1.5, 0.6),)),), (-6.0, 5.0), turn_deg=24)
    torch = placed((Area((box((0.9, 0), 1.5, 6.0, 0.6),)),), (7.4, -2.4), turn_deg=25)
    return (
        Stroke(((-9.5, -7.2), (9.5, -7.2)), 0.9),
        Stroke(((0, -7), (-5.6, 4.2)), 0.4),
        Stroke(((0, -7), (7.4, -2.4)), 0.4),
        *phone,
        *torch,
        Stroke(((0.6, 4.0), (4.6, 4.0)), 0.9),
        Stroke(((2.6, 2.0), (2.6, 6.0)), 0.9),
    )


def low_phone() -> tuple[Ink, ...]:
    """A phone low on one side and a lamp on the other, the floor between them like a mirror."""
    phone = placed((Area((box((0, 0.8), 7.5, 1.5, 0.6),)),), (-6.6, -1.6), turn_deg=55)
    rays = [Stroke(((2.6, 0), (3.9, 0)), 0.6)]
    return (
        Stroke(((-9.5, -7.2), (9.5, -7.2)), 0.9),
        Stroke(((0, -7), (0, 4.5)), 0.35, dash_mm=(1.2, 0.8)),
        Stroke(((6.4, -2.2), (0, -7), (-5.8, -2.4)), 0.5),
        Stroke(arc((0, -7), 7.4, 90, 143), 0.5),
        *phone,
        disc((7.2, -0.9), 1.9, WHITE),
        circle((7.2, -0.9), 1.9, 0.6),
        *(ink for turn in range(0, 360, 60) for ink in placed(rays, (7.2, -0.9), turn_deg=turn)),
    )


def in_line() -> tuple[Ink, ...]:
    """Lamp, sheet and phone in one line, from above."""
    rays = [Stroke(((2.1, 0), (3.2, 0)), 0.5)]
    return (
        Stroke(((-9, 0), (9, 0)), 0.35, dash_mm=(1.2, 0.8)),
        Area((box((0, 0), 7.6, 5.6),), WHITE),
        Stroke(box((0, 0), 7.6, 5.6), LINE, closed=True),
        Area((box((0, 0), 2.8, 2.8),), 128),
        Area((box((-8.0, 0), 2.6, 5.4, 0.6),)),
        disc((7.6, 0), 3.0, WHITE),
        circle((7.6, 0), 1.5, 0.6),
        *(ink for turn in range(0, 360, 60) for ink in placed(rays, (7.6, 0), turn_deg=turn)),
    )


def one_more() -> tuple[Ink, ...]:
    """A stack of photos and one more beside it."""
    return (
        *(
            ink
            for step in (1.6, 0.8, 0.0)
            for ink in (
                Area((box((-4.6 + step, -0.8 + step), 7.0, 9.0),), WHITE),
                Stroke(box((-4.6 + step, -0.8 + step), 7.0, 9.0), LINE, closed=True),
            )
        ),
        Stroke(((1.0, 0.0), (4.0, 0.0)), 0.9),
        Stroke(((2.5, -1.5), (2.5, 1.5)), 0.9),
        Area((box((7.6, 0), 4.4, 7.0),), PALE),
        Stroke(box((7.6, 0), 4.4, 7.0), LINE, closed=True),
    )


def water_drop() -> tuple[Ink, ...]:
    """A drop of water that stands as a bead on the floor."""
    bead = (*arc((0, -5.4), 4.6, -22, 202, steps=28),)
    return (
        Stroke(((-9.5, -7.2), (9.5, -7.2)), 0.9),
        Area((bead,), PALE),
        Stroke(bead, 0.6, closed=True),
        Area(((*arc((0, 3.6), 1.9, -200, 20, steps=22), (0, 8.0)),)),
    )


def shade() -> tuple[Ink, ...]:
    """The sun behind a screen, and the card in its shadow."""
    rays = [Stroke(((4.3, 0), (6.2, 0)), 0.7)]
    sun = [ink for turn in range(0, 360, 45) for ink in placed(rays, (-5.4, 3), turn_deg=turn)]
    shadow = ((1.6, -7.4), (9.8, -7.4), (9.8, 1.0), (2.2, 5.6))
    return (
        disc((-5.4, 3), 2.9, WHITE),
        circle((-5.4, 3), 2.9, 0.7),
        *sun,
        Area((shadow,), PALE),
        Stroke(((1.4, 6.2), (10, 1.0)), 1.2),
        Stroke(((-10, -7.4), (10, -7.4)), LINE),
        Area((box((6, -6.7), 6.4, 0.9),)),
    )


def caution() -> tuple[Ink, ...]:
    """The triangle with an exclamation mark."""
    return (
        Area((((0, 8), (-9, -7.5), (9, -7.5)),)),
        Area((((0, 5.2), (-6.7, -6.2), (6.7, -6.2)),), WHITE),
        Area((((-1.0, 2.2), (1.0, 2.2), (0.55, -2.6), (-0.55, -2.6)),)),
        disc((0, -4.3), 0.95),
    )


def _nut(at: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    return arc(at, 2.1, 0, 300, steps=5)
