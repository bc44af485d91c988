"""The chip sheet as pages to print: the sheet that is measured, and how to photograph chips with it.

A chip is thicker than paper and smaller than the window card's window: the chip sheet has a window of 80 x 105 mm and
lies on boards as thick as the chip, so that its plane is the chip's surface. How much: the sheet's cut edge shades as
far beside it as the chip lies lower over tan(18 degrees), 3 mm for 1 mm, and 6 mm are not evaluated; a chip that
stands higher lifts the sheet, which the finder sees as a bend. One plain colour gives stereo nothing to match, so
coarse chips get washable dots; fine ones are seen by shading, which wants none. Low grades to 4: Sq under 0.1 mm by
the prior, where a torch held low still reaches all ground. Five captures: domain figures 2.3.
The Spanish is ours and wants the eye of a native speaker from the trade.
"""

from __future__ import annotations

from assessor.card import pictograms
from assessor.card.guide import GuideKind, GuideStep, guide_pages
from assessor.card.guide_torch import standing_tab
from assessor.card.ink import (
    WHITE,
    Area,
    Ink,
    Label,
    Page,
    Stroke,
    arrow,
    box,
    disc,
    paragraph,
    paragraph_height_mm,
    placed,
    rectangle,
)
from assessor.card.layout import PAPERS_MM, CardLayout
from assessor.card.pictograms import PALE
from assessor.card.sheet import MAKE_STEPS, Line, frame_inks, measured_inks, paper_size_mm, short_lines

CHIP_MM = (90.0, 115.0)  # trade literature (domain figures 1.1)
_SCALE = 0.42

EVERY_CHIP: tuple[Line, ...] = (
    (pictograms.water_drop, "Chip clean and dry", "Muestra limpia y seca"),
    (pictograms.weights, "On boards, flat, tabs up", "Sobre tablas, plana"),
    (pictograms.no_flash, "No flash, 1x zoom", "Sin flash, zoom 1x"),
    (pictograms.one_more, "5 times each, laid anew", "5 veces, puesta de nuevo"),
)


def chip_pages(layout: CardLayout, paper: str) -> tuple[Page, ...]:
    """Return the chip sheet and its guide on this paper; ValueError for an unknown paper."""
    inks = measured_inks(layout) + frame_inks(layout, paper) + short_lines(EVERY_CHIP) + _making()
    return Page(*paper_size_mm(paper), inks), *guide_pages(layout, paper, kinds=CHIP_GUIDE)


def _making() -> tuple[Ink, ...]:
    """How the sheet is made, inside the window, which is cut away."""
    inks: list[Ink] = [
        Label("Make the chip sheet", (-36, 43.5), 5.2, bold=True),
        Label("Prepare la hoja para muestras (chips)", (-36, 38.0), 3.2),
    ]
    for k, (picture, english, spanish) in enumerate(MAKE_STEPS):
        y = 24.5 - 20.5 * k
        inks += [Stroke(((-36, y + 10.25), (36, y + 10.25)), 0.25, 128), disc((-33, y), 3.2)]
        inks.append(Label(str(k + 1), (-33, y - 1.4), 3.8, "centre", bold=True, gray=WHITE))
        inks += placed(picture(), (-19.5, y), 0.8)
        above = paragraph_height_mm(english, 46.0, 3.1, bold=True)
        top = y + (above + 0.8 + paragraph_height_mm(spanish, 46.0, 2.9)) / 2
        inks += paragraph(english, (-9.5, top), 46.0, 3.1, bold=True)
        inks += paragraph(spanish, (-9.5, top - above - 0.8), 46.0, 2.9)
    return tuple(inks)


def chips_picture(layout: CardLayout) -> tuple[Ink, ...]:
    """The chip between boards under the sheet, from the side and from above; 50 mm high."""
    return (*placed(_side_view(), (-44.0, -22.0)), *placed(_from_above(layout), (58.0, 0.0)))


def _side_view() -> tuple[Ink, ...]:
    """Chip, boards and sheet in section, thickness five times too large; 92 mm wide."""
    table, thick, paper = 0.0, 15.0, 1.2
    chip_half, board_end, window_half = 19.0, 46.0, 16.5
    top = table + thick
    ridge = tuple((-chip_half + 1.9 * k, top - (0.3, 2.4, 0.9, 2.0, 0.2, 1.6)[k % 6]) for k in range(21))
    return (
        Stroke(((-board_end, table), (board_end, table)), 0.8),
        *(
            Area((box((s * (chip_half + 1 + board_end) / 2, thick / 2), board_end - chip_half - 1, thick),), PALE)
            for s in (-1, 1)
        ),
        Area(((*ridge, (chip_half, table), (-chip_half, table)),), 128),
        *(
            Area((box((s * (window_half + board_end - 4) / 2, top + paper / 2), board_end - 4 - window_half, paper),))
            for s in (-1, 1)
        ),
        *placed((standing_tab(0, 0),), (33.0, top + 0.3)),
        *placed((standing_tab(0, 0),), (-33.0, top + 0.3)),
        Label("chip", (0, table + 4.5), 3.6, "centre", bold=True, gray=WHITE),
        *(Label("board, tabla", (s * 33.0, 6.0), 3.2, "centre") for s in (-1, 1)),
        *arrow((0, top + 17), (0, top + 2.5), 0.5, 2.6),
        Label("same height; boards up to 1 mm higher, never lower", (0, top + 24.5), 3.2, "centre", bold=True),
        Label("misma altura; tablas hasta 1 mm más altas, nunca más bajas", (0, top + 19.5), 3.2, "centre"),
    )  # fmt: skip


def _from_above(layout: CardLayout) -> tuple[Ink, ...]:
    """The sheet with the chip under it, dashed where hidden; 40 mm wide."""
    wide, high = PAPERS_MM["a4"]
    parts: list[Ink] = [Stroke(box((0, 0), wide, high), 0.6 / _SCALE, closed=True)]
    parts += [Area((box((m.x_mm, m.y_mm), m.side_mm, m.side_mm),)) for m in layout.markers]
    parts += [
        rectangle(layout.window, 128),
        Stroke(box((0, 0), *CHIP_MM), 0.8 / _SCALE, closed=True, dash_mm=(4.0, 3.0)),
    ]
    return placed(parts, (0.0, 0.0), 0.16)


CHIP_GUIDE: tuple[GuideKind, ...] = (
    GuideKind(
        kind="chips",
        english="Your own chips, your own scale",
        spanish="Sus chips: su propia escala",
        picture=chips_picture,
        picture_height_mm=50.0,
        steps=(
            GuideStep(
                pictograms.tape,
                "Put boards, card or books round it, as thick as the chip at its highest points. A ruler laid across "
                "touches the boards; under it 1 mm at most.",
                "Ponga alrededor tablas, cartón o libros tan gruesos como los puntos más altos de la muestra. Una "
                "regla cruzada toca las tablas; debajo, 1 mm como máximo.",
            ),
            GuideStep(
                pictograms.weights,
                "Sheet on the boards, flat and taped, tabs up; the chip fills the window, 5 mm of it hidden all round.",
                "La hoja sobre las tablas, plana y con cinta, pestañas arriba; la muestra llena la ventana, con 5 mm "
                "tapados por cada lado.",
            ),
            GuideStep(
                pictograms.eight_sides,
                "CSP 1 to 4: torch. Shade, phone still above, second phone's light low on eight sides, then one photo "
                "without it. No dots.",
                "CSP 1 a 4: linterna. Sombra, teléfono quieto encima, luz baja desde ocho lados, y una foto sin ella. "
                "Sin puntos.",
            ),
            GuideStep(
                pictograms.four_sides,
                "CSP 5 and up: dab dots of washable paint or wet chalk, 0.5-1 mm, on a third of it, so thin that they "
                "don't fill the texture. Then four photos from four sides.",
                "CSP 5 y más: con esponja, puntos de pintura lavable o tiza mojada, de 0,5-1 mm, en un tercio, finos: "
                "que no llenen la textura. Luego cuatro fotos desde cuatro lados.",
            ),
            GuideStep(
                pictograms.one_more,
                "Five captures or more of every chip. Lift the sheet and lay it anew, turn the chip end for end. One "
                "folder each: 3/1, 3/2 ...",
                "Cinco capturas o más de cada muestra. Levante la hoja y póngala de nuevo, gire la muestra. Una "
                "carpeta cada una: 3/1, 3/2 ...",
            ),
            GuideStep(
                pictograms.caution,
                "Chip clean and dry: dust fills the texture. Try paint on the back first, follow its data sheet, wash "
                "it off afterwards.",
                "Muestra limpia y seca: el polvo llena la textura. Pruebe la pintura por detrás, siga su ficha "
                "técnica, lávela después.",
            ),
        ),
    ),
)
