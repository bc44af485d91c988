"""The shooting guide: per capture kind, and for the low photo that goes with all, one picture and few words.

English and Spanish stand side by side.

Kinds are data: a kind added to `KINDS` is set below the last one, or on a further page when it no longer
fits. Distances, tilts and the ban on moving light are those the measurement was tried with (300-450 mm; 15
degrees, a little less on coarse floors and more on fine ones; a flash that moves with the phone ruins
heights; a torch 350-500 mm away and 15-40 degrees up; for an estimate one light 20-50 degrees up). Dust rules:
29 CFR 1926.1153(f), from memory, verify: no dry sweeping and no compressed air where HEPA vacuuming is possible.
The Spanish is ours and wants the eye of a native speaker from the trade.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from assessor.card import pictograms
from assessor.card.guide_low import low_picture
from assessor.card.guide_pictures import angles_picture
from assessor.card.guide_quick import quick_picture
from assessor.card.guide_torch import torch_picture
from assessor.card.ink import (
    WHITE,
    Area,
    Ink,
    Label,
    Page,
    Point,
    Stroke,
    box,
    disc,
    paragraph,
    paragraph_height_mm,
    placed,
)
from assessor.card.layout import CardLayout
from assessor.card.sheet import paper_size_mm
from assessor.values import Kind

HALF_WIDTH_MM, TOP_MM, BOTTOM_MM = 96.0, 131.0, -131.0
ENGLISH_X_MM, SPANISH_X_MM, COLUMN_MM = -71.0, 14.0, 81.0
TEXT_MM, ROW_GAP_MM, ROW_MIN_MM = 3.8, 3.6, 12.6


@dataclass(frozen=True, slots=True)
class GuideStep:
    """One line of the guide: a picture of 20 x 16 mm and the same words in two languages."""

    picture: Callable[[], tuple[Ink, ...]]
    english: str
    spanish: str


@dataclass(frozen=True, slots=True)
class GuideKind:
    """All that the guide says about one capture kind or the low photo; its picture is about its middle, 192 mm wide."""

    kind: Kind | Literal["low photo", "chips"]
    english: str
    spanish: str
    picture: Callable[[CardLayout], tuple[Ink, ...]]
    picture_height_mm: float
    steps: tuple[GuideStep, ...]


KINDS: tuple[GuideKind, ...] = (
    GuideKind(
        kind="angles",
        english="Angles: four photos of one spot",
        spanish="Ángulos: cuatro fotos de un punto",
        picture=angles_picture,
        picture_height_mm=88.0,
        steps=(
            GuideStep(
                pictograms.vacuum,
                "Vacuum the spot first, with a HEPA vacuum.",
                "Primero aspire el punto, con aspiradora HEPA.",
            ),
            GuideStep(
                pictograms.weights,
                "Card dry and flat, tabs up. Small weights on the corners, off the black squares.",
                "Tarjeta seca y plana, pestañas arriba. Pesos pequeños en las esquinas, "
                "sin tapar los cuadros negros.",
            ),
            GuideStep(
                pictograms.four_sides,
                "Four photos, one from each side. Same phone, 1x zoom, automatic macro off, whole sheet in the "
                "frame. Don't nudge the card.",
                "Cuatro fotos, una desde cada lado. Mismo teléfono, zoom 1x, macro automático apagado, la hoja "
                "entera en la foto. No mueva la tarjeta.",
            ),
            GuideStep(
                pictograms.tilt,
                "300-450 mm (12-18 in) above, tilted 15°. Coarse floor 10-15°, fine floor 15-20°.",
                "A 300-450 mm de altura, inclinado 15°. Piso grueso 10-15°, piso fino 15-20°.",
            ),
            GuideStep(
                pictograms.no_flash,
                "NO flash, no portrait mode. Wipe the lens. Tap the window to focus, hold still, shoot.",
                "SIN flash ni modo retrato. Limpie la lente. Toque la ventana para enfocar, no se mueva, dispare.",
            ),
            GuideStep(
                pictograms.shade,
                "Shade is best. Lamps and people stay still until the fourth photo; keep your own shadow off "
                "the card.",
                "Mejor a la sombra. Lámparas y gente quietas hasta la cuarta foto; que su sombra no caiga "
                "sobre la tarjeta.",
            ),
        ),
    ),
    GuideKind(
        kind="torch",
        english="Torch (flashlight): fine floors",
        spanish="Linterna: pisos finos",
        picture=torch_picture,
        picture_height_mm=76.0,
        steps=(
            GuideStep(
                pictograms.tab_up,
                "Vacuum. Card flat, on paper under 1 mm thick. All four tabs up: their shadows show where the light "
                "is.",
                "Aspire. Tarjeta plana, en papel de menos de 1 mm. Las cuatro pestañas arriba: sus sombras muestran "
                "dónde está la luz.",
            ),
            GuideStep(
                pictograms.shade,
                "Shade the spot well: most of the light must come from the torch.",
                "Dé buena sombra al punto: casi toda la luz debe venir de la linterna.",
            ),
            GuideStep(
                pictograms.phone_above,
                "Phone straight above, 350 mm (14 in). Lock focus and exposure on the card. Flash off. Stay there.",
                "Teléfono justo encima, a 350 mm. Bloquee enfoque y exposición en la tarjeta. Sin flash. "
                "No lo mueva.",
            ),
            GuideStep(
                pictograms.torch_low,
                "Second phone's light low, at arm's length: 350-500 mm (14-20 in) from the window, aimed at it.",
                "Luz de otro teléfono, baja, con el brazo estirado: a 350-500 mm de la ventana, apuntándole.",
            ),
            GuideStep(
                pictograms.eight_sides,
                "Eight photos, light on eight sides like a clock. Then one photo with the light off.",
                "Ocho fotos, luz en ocho lados como un reloj. Después una foto con la luz apagada.",
            ),
            GuideStep(
                pictograms.walk_round,
                "In a hurry, a video (photos measure better): one second light off, then once round in ten seconds.",
                "Con prisa, un video (las fotos miden mejor): un segundo con la luz apagada, luego una vuelta en diez"
                " segundos.",
            ),
            GuideStep(
                pictograms.both_kinds,
                "Coarse too? Add the four photos from the sides. Card untouched: both are joined.",
                "¿También grueso? Agregue las cuatro fotos de los lados. Sin tocar la tarjeta: se unen.",
            ),
        ),
    ),
    GuideKind(
        kind="single",
        english="Quick estimate: one or two photos",
        spanish="Estimar rápido: una o dos fotos",
        picture=quick_picture,
        picture_height_mm=76.0,
        steps=(
            GuideStep(
                pictograms.vacuum,
                "Vacuum the spot. Card dry and flat.",
                "Aspire el punto. Tarjeta seca y plana.",
            ),
            GuideStep(
                pictograms.tab_up,
                "All four tabs up: their shadows show where the light is.",
                "Las cuatro pestañas arriba: sus sombras muestran dónde está la luz.",
            ),
            GuideStep(
                pictograms.phone_above,
                "Phone straight above, 350 mm (14 in). Whole sheet in the frame, 1x zoom, flash off.",
                "Teléfono justo encima, a 350 mm. La hoja entera en la foto, zoom 1x, sin flash.",
            ),
            GuideStep(
                pictograms.torch_low,
                "One light only, low from one side, 20-50° up. A second phone's light is best; shade the rest.",
                "Una sola luz, baja, de un lado, a 20-50°. Mejor la de otro teléfono; dé sombra al resto.",
            ),
            GuideStep(
                pictograms.two_sides,
                "Better two: photo 1 with the light on one side, photo 2 with it on the opposite side. Phone still.",
                "Mejor dos: foto 1 con la luz en un lado, foto 2 en el lado opuesto. No mueva el teléfono.",
            ),
            GuideStep(
                pictograms.both_kinds,
                "This only estimates. To measure: angles (four photos) or torch (eight and one).",
                "Esto solo estima. Para medir: ángulos (cuatro fotos) o linterna (ocho y una).",
            ),
        ),
    ),
    GuideKind(
        kind="low photo",
        english="Low photo: does the floor shine?",
        spanish="Foto baja: ¿brilla el piso?",
        picture=low_picture,
        picture_height_mm=76.0,
        steps=(
            GuideStep(
                pictograms.weights,
                "With every kind of capture: after its photos, one more. Leave card and light as they are.",
                "Con todo tipo de toma: después de sus fotos, una más. No mueva la tarjeta ni la luz.",
            ),
            GuideStep(
                pictograms.in_line,
                "Card between you and the lamp or bright window: all three in one line.",
                "La tarjeta entre usted y la lámpara o ventana clara: los tres en una línea.",
            ),
            GuideStep(
                pictograms.low_phone,
                "Phone low, 50-60° from straight down: 250 mm (10 in) above the floor, 350 mm (14 in) back. "
                "Aim at the window in the card.",
                "Teléfono bajo, a 50-60° de la vertical: 250 mm sobre el piso, 350 mm atrás. Apunte a la ventana "
                "de la tarjeta.",
            ),
            GuideStep(
                pictograms.no_flash,
                "Whole sheet in the frame, 1x zoom, flash off. Tap the window to focus. Glare is welcome here.",
                "La hoja entera en la foto, zoom 1x, sin flash. Toque la ventana para enfocar. Aquí el brillo ayuda.",
            ),
            GuideStep(
                pictograms.one_more,
                "Keep it with the spot's other photos. From straight above, a sealer's shine can't be seen.",
                "Guárdela con las otras fotos del punto. Desde arriba no se ve el brillo de un sellador.",
            ),
            GuideStep(
                pictograms.water_drop,
                "No shine is not proof of clean: dull films and soaked-in oil don't shine. Test with water drops.",
                "Sin brillo no quiere decir limpio: hay capas mates y aceite absorbido. Pruebe con gotas de agua.",
            ),
        ),
    ),
)

CAUTION = (
    "Concrete dust holds silica and harms the lungs. Never dry-sweep or blow down for a picture. "
    "Local code, the product's data sheet and the tool maker's instructions come before this guide.",
    "El polvo de concreto contiene sílice y daña los pulmones. Nunca barra en seco ni sople para una foto. "
    "La norma local, la ficha técnica del producto y las instrucciones del fabricante tienen prioridad.",
)
NEVER_A_GRADE = (
    "A suggestion is never a grade: confirm against the chips.",
    "Una sugerencia nunca es un grado: confirme con las muestras (chips).",
)


def guide_pages(layout: CardLayout, paper: str, *, kinds: tuple[GuideKind, ...] = KINDS) -> tuple[Page, ...]:
    """Return the guide's pages on this paper, one while the kinds fit; ValueError for an unknown paper."""
    width_mm, height_mm = paper_size_mm(paper)
    footer, floor_mm = _footer()
    pages: list[tuple[Ink, ...]] = []
    inks, y = _header()
    for kind in kinds:
        block, height = _block(kind, layout)
        if y - height < floor_mm and len(inks) > len(_header()[0]):
            pages.append(inks + footer)
            inks, y = _header()
        if y - height < floor_mm:
            raise ValueError(f"the guide's part on {kind.kind} is taller than a page")
        inks += placed(block, (0.0, y))
        y -= height
    pages.append(inks + footer)
    return tuple(Page(width_mm, height_mm, page) for page in pages)


def _header() -> tuple[tuple[Ink, ...], float]:
    """Title; and the height below it."""
    inks = (
        Label("Shooting guide", (-HALF_WIDTH_MM, 123.5), 8.4, bold=True),
        Label("Guía de fotos", (SPANISH_X_MM, 123.5), 8.4),
    )
    return inks, 119.5


def _block(kind: GuideKind, layout: CardLayout) -> tuple[tuple[Ink, ...], float]:
    """One kind from y = 0 downward, and its height in mm."""
    inks: list[Ink] = [
        Area((box((0, -4.5), 2 * HALF_WIDTH_MM, 9.0),)),
        Label(kind.english, (-HALF_WIDTH_MM + 3, -6.3), 4.9, bold=True, gray=WHITE),
        Label(kind.spanish, (SPANISH_X_MM, -6.3), 4.4, gray=WHITE),
        *placed(kind.picture(layout), (0.0, -10.5 - kind.picture_height_mm / 2)),
    ]
    y = -10.5 - kind.picture_height_mm - 2.0
    for n, step in enumerate(kind.steps):
        row, height = _row(n + 1, step)
        inks += placed(row, (0.0, y))
        y -= height
    return tuple(inks), -y + 1.0


def _row(number: int, step: GuideStep) -> tuple[tuple[Ink, ...], float]:
    heights = [paragraph_height_mm(text, COLUMN_MM, TEXT_MM) for text in (step.spanish,)]
    heights.append(paragraph_height_mm(step.english, COLUMN_MM, TEXT_MM, bold=True))
    height = max(*heights, ROW_MIN_MM) + ROW_GAP_MM
    middle = -height / 2
    inks = (
        Stroke(((-HALF_WIDTH_MM, 0), (HALF_WIDTH_MM, 0)), 0.2, 128),
        *_numbered((-HALF_WIDTH_MM + 3.2, middle), number, 3.2),
        *placed(step.picture(), (-HALF_WIDTH_MM + 16.2, middle), 0.74),
        *_centred(step.english, (ENGLISH_X_MM, middle), bold=True),
        *_centred(step.spanish, (SPANISH_X_MM, middle), bold=False),
    )
    return inks, height


def _numbered(at: Point, number: int, radius_mm: float) -> tuple[Ink, ...]:
    size = radius_mm * 1.25
    return disc(at, radius_mm), Label(
        str(number), (at[0], at[1] - size * 0.365), size, "centre", bold=True, gray=WHITE
    )


def _centred(text: str, at: Point, *, bold: bool) -> tuple[Ink, ...]:
    height = paragraph_height_mm(text, COLUMN_MM, TEXT_MM, bold=bold)
    return paragraph(text, (at[0], at[1] + height / 2), COLUMN_MM, TEXT_MM, bold=bold)


def _footer() -> tuple[tuple[Ink, ...], float]:
    """Cautions and the last word, standing on the page's bottom; and the height where they begin."""
    band = 13.0
    size = 3.3
    text_height = max(paragraph_height_mm(text, COLUMN_MM, size) for text in CAUTION)
    top = BOTTOM_MM + band + 3.0 + text_height + 3.0
    inks: list[Ink] = [
        Area((box((0, BOTTOM_MM + band / 2), 2 * HALF_WIDTH_MM, band),)),
        Stroke(((-HALF_WIDTH_MM, top), (HALF_WIDTH_MM, top)), 0.8),
        *placed(pictograms.caution(), (-HALF_WIDTH_MM + 11.0, (top + BOTTOM_MM + band) / 2), 0.95),
        *paragraph(CAUTION[0], (ENGLISH_X_MM, top - 3.0), COLUMN_MM, size),
        *paragraph(CAUTION[1], (SPANISH_X_MM, top - 3.0), COLUMN_MM, size),
        Label(NEVER_A_GRADE[0], (0, BOTTOM_MM + 7.4), 5.0, "centre", bold=True, gray=WHITE),
        Label(NEVER_A_GRADE[1], (0, BOTTOM_MM + 2.6), 3.7, "centre", gray=WHITE),
    ]
    return tuple(inks), top
