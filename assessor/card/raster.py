"""The card as pixels: drawn sRGB bytes on a grid, for PNG export and for the simulator's texture."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from assessor.card.layout import DICTIONARY, CardLayout, Rectangle
from assessor.values import BoolArray, U8Array


@cache
def marker_bits(marker_id: int) -> U8Array:
    """(8, 8) cells of a marker with its black border: 0 black, 255 white, as printed (row 0 = top)."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    bits = np.asarray(cv2.aruco.generateImageMarker(dictionary, marker_id, 8), dtype=np.uint8)
    bits.flags.writeable = False
    return bits


def card_raster(layout: CardLayout, px_per_mm: float, paper_mm: tuple[float, float]) -> U8Array:
    """Paint markers, steps and bars of the sheet, (H, W) sRGB bytes, row 0 = the sheet's top edge.

    paper_mm is (width, height); the card frame's origin lies in its middle. Edges are area-sampled, so the raster
    is right to a fraction of a pixel at any density.
    """
    oversample = 4
    fine = px_per_mm * oversample
    width, height = (round(side * px_per_mm) * oversample for side in paper_mm)
    image = np.full((height, width), 255, np.uint8)

    def fill(area: Rectangle, byte: int) -> None:
        col0, col1 = (round(x * fine + width / 2) for x in (area.x_min_mm, area.x_max_mm))
        row0, row1 = (round(height / 2 - y * fine) for y in (area.y_max_mm, area.y_min_mm))
        image[max(row0, 0) : max(row1, 0), max(col0, 0) : max(col1, 0)] = byte

    for marker in layout.markers:
        bits = marker_bits(marker.id)
        cell = marker.side_mm / 8
        left, top = marker.x_mm - marker.side_mm / 2, marker.y_mm + marker.side_mm / 2
        fill(Rectangle(left, top - marker.side_mm, left + marker.side_mm, top), 0)
        for row, col in np.argwhere(bits > 0):
            fill(
                Rectangle(
                    left + col * cell, top - (row + 1) * cell, left + (col + 1) * cell, top - row * cell
                ),
                255,
            )
    for step in layout.steps:
        fill(step.area, step.srgb_byte)
    for bar in (layout.bar_along, layout.bar_across):
        for area in bar.strokes():
            fill(area, 0)
    return np.asarray(
        cv2.resize(image, (width // oversample, height // oversample), interpolation=cv2.INTER_AREA),
        dtype=np.uint8,
    )


def paper_mask(
    layout: CardLayout, px_per_mm: float, paper_mm: tuple[float, float], *, tabs_up: bool
) -> BoolArray:
    """(H, W) True where there is paper: not in the window, nor in the holes left by folded-up tabs."""
    width, height = (round(side * px_per_mm) for side in paper_mm)
    mask = np.ones((height, width), np.uint8)

    def polygon(points_mm: list[tuple[float, float]]) -> None:
        shift = (
            8  # cv2 takes fixed-point coordinates; pixel centres sit at half-integer positions in mm terms
        )
        points = [[x * px_per_mm + width / 2 - 0.5, height / 2 - y * px_per_mm - 0.5] for x, y in points_mm]
        cv2.fillPoly(mask, [np.round(np.array(points) * 2**shift).astype(np.int32)], 0, shift=shift)

    w = layout.window
    polygon(
        [
            (w.x_min_mm, w.y_min_mm),
            (w.x_max_mm, w.y_min_mm),
            (w.x_max_mm, w.y_max_mm),
            (w.x_min_mm, w.y_max_mm),
        ]
    )
    if tabs_up:
        for tab in layout.tabs:
            polygon([*tab.base_mm, tab.tip_flat_mm])
    return mask > 0
