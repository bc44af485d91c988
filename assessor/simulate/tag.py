"""Tags as they lie on the floor beside the sheet, painted into a photo's light before lens and sensor.

A tag is a flat piece of paper a little above the floor. Its light is that of a level place there: all of the sky's, the
direct light by its fall-off. Left out: shadows that fall on it, and the shadow it casts itself (paper is 0.1 mm thick).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from assessor.card.draw import page_raster
from assessor.card.ink import Page
from assessor.card.linear import linear_of_byte
from assessor.card.tag import Tag
from assessor.card.tag_sheet import CODE_AT_MM, CODE_MM, HEIGHT_MM, WIDTH_MM, tag_inks
from assessor.simulate.camera import feet_on_card
from assessor.simulate.imaging import blur, sample
from assessor.simulate.light import LightRecipe, light_rays
from assessor.values import Camera, FloatArray, freeze

PX_PER_MM = 16.0
LEVEL_MM = -0.8  # of the tag's face: the floor round the sheet lies at -1
INK, DIRT = 0.05, 0.12  # reflectances


@dataclass(frozen=True, slots=True)
class LaidTag:
    """A tag on the floor: its middle in the card frame, turned counter-clockwise, printed at `scale`.

    scratched: share of its code's area that a dirty streak hides. paper_white: reflectance.
    """

    tag: Tag
    at_mm: tuple[float, float]
    turn_deg: float = 0.0
    scale: float = 1.0
    scratched: float = 0.0
    paper_white: float = 0.85


def lay_tags(image: FloatArray, camera: Camera, tags: tuple[LaidTag, ...], light: LightRecipe) -> None:
    """Paint tags into a photo's radiance (H, W, 3), in place."""
    for laid in tags:
        _lay(image, camera, laid, light)


def beside(
    side: str, along_mm: float, gap_mm: float, half_mm: tuple[float, float]
) -> tuple[float, float, float]:
    """Middle (x, y) and turn of a tag whose arrow edge lies `gap_mm` off a side of a sheet of these half sizes."""
    out = gap_mm + HEIGHT_MM / 2
    x, y = half_mm
    return {
        "top": (along_mm, y + out, 0.0),
        "bottom": (along_mm, -y - out, 180.0),
        "left": (-x - out, along_mm, 90.0),
        "right": (x + out, along_mm, 270.0),
    }[side]


@lru_cache(maxsize=16)
def _drawn(tag: Tag) -> FloatArray:
    """Ink coverage of a tag, 0..1."""
    raster = page_raster(Page(WIDTH_MM, HEIGHT_MM, tag_inks(tag)), PX_PER_MM)
    ink = np.asarray(1.0 - linear_of_byte()[raster], dtype=np.float32)
    freeze(ink)
    return ink


def _reflectance(laid: LaidTag) -> FloatArray:
    face = laid.paper_white + (INK - laid.paper_white) * _drawn(laid.tag)
    if laid.scratched:
        left, top = (WIDTH_MM / 2 + CODE_AT_MM[0] - CODE_MM / 2), (HEIGHT_MM / 2 - CODE_MM / 2)
        thick = laid.scratched * CODE_MM
        rows = slice(
            round((top + CODE_MM * 0.38) * PX_PER_MM), round((top + CODE_MM * 0.38 + thick) * PX_PER_MM)
        )
        face[rows, round(left * PX_PER_MM) : round((left + CODE_MM) * PX_PER_MM)] = DIRT
    return np.asarray(face, dtype=np.float32)


def _lay(image: FloatArray, camera: Camera, laid: LaidTag, light: LightRecipe) -> None:
    turn = np.deg2rad(laid.turn_deg)
    own = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])  # card to tag
    half = np.array([WIDTH_MM, HEIGHT_MM]) / 2 * laid.scale
    rim = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half @ own + laid.at_mm
    seen = camera.project(np.column_stack([rim, np.full(4, LEVEL_MM)]))
    x0, y0 = np.maximum(np.floor(seen.min(0)).astype(int) - 2, 0)
    x1, y1 = np.minimum(np.ceil(seen.max(0)).astype(int) + 3, (image.shape[1], image.shape[0]))
    if x0 >= x1 or y0 >= y1:
        return
    columns, rows = np.meshgrid(np.arange(x0, x1, dtype=float), np.arange(y0, y1, dtype=float))
    x, y = feet_on_card(camera, columns, rows)
    centre = camera.position_mm
    lower = LEVEL_MM / centre[2]
    x, y = x + (centre[0] - x) * lower, y + (centre[1] - y) * lower
    local = (np.stack([x, y], -1) - laid.at_mm) @ own.T / laid.scale
    column = (local[..., 0] + WIDTH_MM / 2) * PX_PER_MM - 0.5
    row = (HEIGHT_MM / 2 - local[..., 1]) * PX_PER_MM - 0.5
    sd = 0.29 * float(np.linalg.norm(centre)) / camera.focal_px * PX_PER_MM  # a pixel's own area
    face = sample(blur(_reflectance(laid), sd), column, row)
    inside = np.minimum(
        half[0] / laid.scale - np.abs(local[..., 0]), half[1] / laid.scale - np.abs(local[..., 1])
    )
    cover = np.clip(inside * camera.focal_px / float(np.linalg.norm(centre)) + 0.5, 0, 1)[..., None]
    lit = face[..., None] * _light(np.stack([x, y, np.full_like(x, LEVEL_MM)], -1), light)
    part = image[y0:y1, x0:x1]
    part += np.asarray(cover * (lit - part), dtype=np.float32)


def _light(points_mm: FloatArray, light: LightRecipe) -> FloatArray:
    """Light on level places (h, w, 3) over that in the open at the window's middle, per channel."""
    total = np.zeros((*points_mm.shape[:2], 3))
    for ray in light_rays(light):
        amount = ray.strength(points_mm) * ray.toward(points_mm)[..., 2]
        total += amount[..., None] * np.array(light.direct_rgb if ray.direct else light.ambient_rgb)
    return total
