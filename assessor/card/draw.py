"""The card as files: one draw list, three small translators (PDF, SVG, PNG).

PDF is what people print: vector, greys in DeviceGray so that a printer uses black ink alone, font embedded,
the viewer asked not to scale (PDF 32000-1:2008, table 150, PrintScaling), and no time stamp, so that one
layout always gives the same bytes. PNG takes the measured parts from `raster.card_raster`, as the simulator
does.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from xml.sax.saxutils import escape, quoteattr

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas

from assessor.card.guide import guide_pages
from assessor.card.ink import (
    WHITE,
    Area,
    Ink,
    Label,
    Page,
    Point,
    bounds,
    font_file,
    register_fonts,
    text_width_mm,
)
from assessor.card.layout import CardLayout
from assessor.card.raster import card_raster
from assessor.card.sheet import annotation_inks, paper_size_mm, sheet_page
from assessor.values import U8Array

PT_PER_MM = 72 / 25.4
OVERSAMPLE = 4
DPI_RANGE = (100, 600)


def draw_card_pdf(layout: CardLayout, paper: str) -> bytes:
    """Return the printable PDF: the window sheet, then the shooting guide in English and Spanish.

    paper is "a4" or "letter" (ValueError otherwise). The card frame's origin lies in the middle of page one.
    """
    pages = (sheet_page(layout, paper), *guide_pages(layout, paper))
    return pages_pdf(pages, f"Card {layout.design} No. {layout.serial:05d} ({paper}) and shooting guide")


def pages_pdf(pages: Sequence[Page], title: str) -> bytes:
    """Return pages of one size as a PDF; the origin of their inks lies in the middle of each."""
    target = io.BytesIO()
    size_pt = (pages[0].width_mm * PT_PER_MM, pages[0].height_mm * PT_PER_MM)
    canvas = Canvas(target, pagesize=size_pt, invariant=1, pageCompression=1, lang="en")
    canvas.setTitle(title)
    canvas.setAuthor("assessor")
    canvas.setSubject("Print at 100 % on matt paper")
    canvas.setViewerPreference("PrintScaling", "None")
    register_fonts()
    for page in pages:
        canvas.translate(size_pt[0] / 2, size_pt[1] / 2)
        for ink in page.inks:
            _pdf_ink(canvas, ink)
        canvas.showPage()
    canvas.save()
    return target.getvalue()


def draw_card_svg(layout: CardLayout, paper: str) -> str:
    """Return the window sheet as SVG in mm, origin at the paper's top left; `id` names each part."""
    page = sheet_page(layout, paper)
    w, h = page.width_mm, page.height_mm
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w:g}mm" height="{h:g}mm"',
        f' viewBox="0 0 {w:g} {h:g}">',
        f"<title>Card {layout.design} No. {layout.serial:05d}</title>",
        f'<rect width="{w:g}" height="{h:g}" fill="#ffffff"/>',
        *(_svg_ink(ink, page) for ink in page.inks),
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def draw_card_png(layout: CardLayout, paper: str, dpi: int = 300) -> bytes:
    """Return the window sheet as an 8 bit grey PNG with its density (pHYs); dpi 100-600, else ValueError."""
    if not DPI_RANGE[0] <= dpi <= DPI_RANGE[1]:
        raise ValueError(f"dpi must be {DPI_RANGE[0]}-{DPI_RANGE[1]}, not {dpi}")
    px_per_mm = dpi / 25.4
    image = card_raster(layout, px_per_mm, paper_size_mm(paper)).copy()
    for ink in annotation_inks(layout, paper):
        _png_ink(image, ink, px_per_mm)
    target = io.BytesIO()
    Image.fromarray(image).save(target, "PNG", dpi=(dpi, dpi), optimize=True)
    return target.getvalue()


def page_raster(page: Page, px_per_mm: float) -> U8Array:
    """Paint a page as grey bytes, row 0 on top, white where nothing is printed."""
    size = round(page.height_mm * px_per_mm), round(page.width_mm * px_per_mm)
    image = np.full(size, WHITE, np.uint8)
    for ink in page.inks:
        _png_ink(image, ink, px_per_mm)
    return image


def _pdf_ink(canvas: Canvas, ink: Ink) -> None:
    if isinstance(ink, Label):
        canvas.saveState()
        canvas.translate(ink.at[0] * PT_PER_MM, ink.at[1] * PT_PER_MM)
        canvas.rotate(ink.turn_deg)
        canvas.setFillGray(ink.gray / 255)
        canvas.setFont(register_fonts()[ink.bold], ink.size_mm * PT_PER_MM)
        {"left": canvas.drawString, "centre": canvas.drawCentredString, "right": canvas.drawRightString}[
            ink.anchor
        ](0, 0, ink.text)
        canvas.restoreState()
        return
    path = canvas.beginPath()
    for ring in _no_rectangles(ink.rings) if isinstance(ink, Area) else (ink.points,):
        path.moveTo(ring[0][0] * PT_PER_MM, ring[0][1] * PT_PER_MM)
        for x, y in ring[1:]:
            path.lineTo(x * PT_PER_MM, y * PT_PER_MM)
        if isinstance(ink, Area) or ink.closed:
            path.close()
    if isinstance(ink, Area):
        canvas.setFillGray(ink.gray / 255)
        canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)
        return
    canvas.setStrokeGray(ink.gray / 255)
    canvas.setLineWidth(ink.width_mm * PT_PER_MM)
    canvas.setLineJoin(1)
    canvas.setLineCap(0 if ink.dash_mm else 1)
    canvas.setDash([part * PT_PER_MM for part in ink.dash_mm] if ink.dash_mm else [])
    canvas.drawPath(path, stroke=1, fill=0)


def _no_rectangles(rings: tuple[tuple[Point, ...], ...]) -> tuple[tuple[Point, ...], ...]:
    """Give a lone rectangle a fifth corner, 0.005 mm out of line.

    Renderers may widen what they recognise as a rectangle to whole pixels (pdfium by up to 0.07 mm at 300
    dpi), while any other polygon they draw true.
    """
    if len(rings) > 1 or len(rings[0]) != 4:
        return rings
    first, second, *rest = rings[0]
    bulge = ((first[0] + second[0]) / 2 + 0.005, (first[1] + second[1]) / 2 + 0.005)
    return ((first, bulge, second, *rest),)


def _svg_ink(ink: Ink, page: Page) -> str:
    def at(point: tuple[float, float]) -> str:
        return f"{page.width_mm / 2 + point[0]:.4f} {page.height_mm / 2 - point[1]:.4f}"

    name = f" id={quoteattr(ink.name)}" if ink.name else ""
    colour = f"#{ink.gray:02x}{ink.gray:02x}{ink.gray:02x}"
    if isinstance(ink, Label):
        anchor = {"left": "start", "centre": "middle", "right": "end"}[ink.anchor]
        x, y = at(ink.at).split()
        turn = f' transform="rotate({-ink.turn_deg} {x} {y})"' if ink.turn_deg else ""
        length = text_width_mm(ink.text, ink.size_mm, bold=ink.bold)
        return (
            f'<text{name} x="{x}" y="{y}" font-size="{ink.size_mm:g}" text-anchor="{anchor}"{turn}'
            f' fill="{colour}"'
            f' font-family="Bitstream Vera Sans, DejaVu Sans, Verdana, sans-serif"'
            f' font-weight="{"bold" if ink.bold else "normal"}" textLength="{length:.3f}"'
            f' lengthAdjust="spacingAndGlyphs">{escape(ink.text)}</text>'
        )
    if isinstance(ink, Area):
        path = " ".join(f"M {' L '.join(map(at, ring))} Z" for ring in ink.rings)
        return f'<path{name} d="{path}" fill="{colour}" fill-rule="evenodd"/>'
    path = f"M {' L '.join(map(at, ink.points))}{' Z' if ink.closed else ''}"
    dash = (
        f' stroke-dasharray="{ink.dash_mm[0]:g} {ink.dash_mm[1]:g}"'
        if ink.dash_mm
        else ' stroke-linecap="round"'
    )
    return (
        f'<path{name} d="{path}" fill="none" stroke="{colour}" stroke-width="{ink.width_mm:g}"'
        f' stroke-linejoin="round"{dash}/>'
    )


def _png_ink(image: U8Array, ink: Ink, px_per_mm: float) -> None:
    """Paint one ink over its own patch of the image: coverage at four times the density, then averaged."""
    height, width = image.shape
    area = bounds((ink,))
    col0, col1 = (
        math.floor(area.x_min_mm * px_per_mm + width / 2) - 1,
        math.ceil(area.x_max_mm * px_per_mm + width / 2) + 1,
    )
    row0, row1 = (
        math.floor(height / 2 - area.y_max_mm * px_per_mm) - 1,
        math.ceil(height / 2 - area.y_min_mm * px_per_mm) + 1,
    )
    col0, row0, col1, row1 = max(col0, 0), max(row0, 0), min(col1, width), min(row1, height)

    def fine(point: tuple[float, float]) -> tuple[float, float]:
        x = (point[0] * px_per_mm + width / 2 - col0) * OVERSAMPLE
        y = (height / 2 - point[1] * px_per_mm - row0) * OVERSAMPLE
        return x, y

    mask = np.zeros(((row1 - row0) * OVERSAMPLE, (col1 - col0) * OVERSAMPLE), np.uint8)
    if isinstance(ink, Label):
        mask = _text_mask(mask, ink, fine(ink.at), px_per_mm * OVERSAMPLE)
    elif isinstance(ink, Area):
        _fill(mask, [[fine(point) for point in ring] for ring in ink.rings])
    else:
        for start, end in ink.segments():
            _fill(mask, [_stripe(fine(start), fine(end), ink.width_mm * px_per_mm * OVERSAMPLE)])
    cover = cv2.resize(mask, (col1 - col0, row1 - row0), interpolation=cv2.INTER_AREA) / 255.0
    patch = image[row0:row1, col0:col1]
    image[row0:row1, col0:col1] = np.round(patch * (1 - cover) + ink.gray * cover).astype(np.uint8)


def _fill(mask: U8Array, rings: list[list[tuple[float, float]]]) -> None:
    shift = 8  # cv2 takes fixed-point coordinates, with pixel centres at whole numbers
    points = [np.round((np.array(ring) - 0.5) * 2**shift).astype(np.int32) for ring in rings]
    cv2.fillPoly(mask, points, 255, shift=shift)


def _stripe(
    start: tuple[float, float], end: tuple[float, float], width_px: float
) -> list[tuple[float, float]]:
    """Outline of one straight piece, set in by half a pixel: cv2.fillPoly paints the outline's pixels too."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = math.hypot(dx, dy) or 1.0
    half = max(width_px / 2 - 0.5, 0.0)
    ux, uy = dx / length * half, dy / length * half
    (x0, y0), (x1, y1) = (start[0] - ux, start[1] - uy), (end[0] + ux, end[1] + uy)
    return [(x0 - uy, y0 + ux), (x1 - uy, y1 + ux), (x1 + uy, y1 - ux), (x0 + uy, y0 - ux)]


def _text_mask(mask: U8Array, label: Label, at_px: tuple[float, float], px_per_mm: float) -> U8Array:
    """The label's coverage on the mask's grid; turned text is drawn upright in the turned frame."""
    quarter = (label.turn_deg // 90) % 4
    height, width = mask.shape
    x, y = at_px
    for _ in range(quarter):  # undo each counter-clockwise quarter by a clockwise one
        x, y, height, width = height - y, x, width, height
    canvas = Image.new("L", (width, height), 0)
    font = ImageFont.truetype(str(font_file(label.bold)), label.size_mm * px_per_mm)
    start = {"left": 0.0, "centre": -0.5, "right": -1.0}[label.anchor]
    draw = ImageDraw.Draw(canvas)
    whole_mm = text_width_mm(label.text, label.size_mm, bold=label.bold)
    for k, letter in enumerate(label.text):
        # Letter by letter at the font's own advances, as in the PDF: Pillow would kern and round them
        before_mm = text_width_mm(label.text[:k], label.size_mm, bold=label.bold)
        draw.text((x + (start * whole_mm + before_mm) * px_per_mm, y), letter, 255, font, "ls")
    return np.ascontiguousarray(np.rot90(np.asarray(canvas), quarter))
