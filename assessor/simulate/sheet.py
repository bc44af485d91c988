"""The printed sheet as it lies on the floor: print scale, ink, bow, cockle, and what hides it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from assessor.card.designs import design_layout
from assessor.card.layout import DESIGN, PAPERS_MM, CardLayout
from assessor.card.paper import outline_mm
from assessor.card.raster import card_raster
from assessor.card.strip_layout import STRIP_DESIGN, STRIP_PAPER
from assessor.simulate.imaging import blur, fill_polygon, sample
from assessor.simulate.noise import fractal_field
from assessor.values import FloatArray, freeze

# The drawing is painted with room around it, so that a small print (96 %) still has paper at its edge.
CANVAS_MM = (228.0, 312.0)
CANVAS_PX_PER_MM = 10.0


@dataclass(frozen=True, slots=True)
class SheetRecipe:
    """How this print differs from the drawing and how it lies.

    scale_x, scale_y: printed over drawn. bow_mm: z = a u^2 + b u v + c v^2 with u, v over half the sheet.
    cockle_mm: rms of waves about 80 mm long. ink_spread_mm: how far black grows. boots: dark blobs on the
    sheet's rim. cut_mm: how far the hand-cut window's corners are off.
    """

    serial: int = 0
    design: str = DESIGN
    paper: str = "a4"
    scale_x: float = 1.0
    scale_y: float = 1.0
    paper_white: float = 0.85
    ink_black: float = 0.04
    ink_spread_mm: float = 0.03
    grey_power: float = 1.0
    bow_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    cockle_mm: float = 0.3
    tabs_up: bool = True
    boots: int = 0
    cut_mm: float = 0.3


@dataclass(frozen=True, eq=False)
class Sheet:
    """The sheet as textures on the drawing canvas (row 0 = top); the print scale leads to true millimetres.

    reflectance (H, W, 3), paper (H, W) 0..1 coverage; z_mm (h, w) height of the sheet at 1 sample per drawn
    mm.
    """

    reflectance: FloatArray
    paper: FloatArray
    z_mm: FloatArray
    layout: CardLayout
    recipe: SheetRecipe

    def __post_init__(self) -> None:
        for array in (self.reflectance, self.paper, self.z_mm):
            freeze(array)

    @property
    def window_half_mm(self) -> float | tuple[float, float]:
        """Half the window's sides as the lighting takes them: one number where it is square."""
        w = self.layout.window
        if self.layout.design == STRIP_DESIGN:  # open floor on three sides: no paper to shade it
            return 1000.0
        return w.x_max_mm if w.x_max_mm == w.y_max_mm else (w.x_max_mm, w.y_max_mm)

    def z_at(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Height of the sheet at true card-frame positions in mm."""
        col = x_mm / self.recipe.scale_x + CANVAS_MM[0] / 2 - 0.5
        row = CANVAS_MM[1] / 2 - 0.5 - y_mm / self.recipe.scale_y
        z = sample(self.z_mm, np.atleast_2d(col), np.atleast_2d(row))
        return np.asarray(z, dtype=np.float64).reshape(np.shape(x_mm))

    def true_mm(self, drawn_mm: FloatArray) -> FloatArray:
        """Drawn (..., 2) positions to true (..., 3) ones on the bowed sheet, mm."""
        xy = np.asarray(drawn_mm, dtype=np.float64) * (self.recipe.scale_x, self.recipe.scale_y)
        return np.concatenate([xy, self.z_at(xy[..., 0], xy[..., 1])[..., None]], axis=-1)


def make_sheet(recipe: SheetRecipe, rng: np.random.Generator) -> Sheet:
    """Print, cut, fold and lay a sheet."""
    layout = design_layout(recipe.design, recipe.serial)
    return Sheet(
        _reflectance(layout, recipe, rng), _coverage(layout, recipe, rng), _lie(recipe, rng), layout, recipe
    )


def _reflectance(layout: CardLayout, recipe: SheetRecipe, rng: np.random.Generator) -> FloatArray:
    """Linear reflectance of the print: black ink by coverage, printer greys by an unknown monotone curve."""
    drawn = card_raster(replace(layout, steps=()), CANVAS_PX_PER_MM, CANVAS_MM)
    ink = 1 - drawn.astype(np.float32) / 255
    if recipe.ink_spread_mm:
        soft = blur(ink, 0.8)
        along, down = (cv2.Sobel(soft, cv2.CV_32F, *axis, scale=0.125) for axis in ((1, 0), (0, 1)))
        # An edge moved by s changes the coverage by s times its gradient.
        ink = np.clip(soft + cv2.magnitude(along, down) * (recipe.ink_spread_mm * CANVAS_PX_PER_MM), 0, 1)
    for step in layout.steps:
        a = step.area
        tone = (step.srgb_byte / 255) ** 2.2
        rows = [round((CANVAS_MM[1] / 2 - y) * CANVAS_PX_PER_MM) for y in (a.y_max_mm, a.y_min_mm)]
        cols = [round((CANVAS_MM[0] / 2 + x) * CANVAS_PX_PER_MM) for x in (a.x_min_mm, a.x_max_mm)]
        ink[rows[0] : rows[1], cols[0] : cols[1]] = 1 - tone**recipe.grey_power
    grey = recipe.paper_white + (recipe.ink_black - recipe.paper_white) * ink
    grey *= 1 + np.float32(0.004) * rng.standard_normal(grey.shape, np.float32)
    rgb = np.repeat(grey[..., None], 3, axis=2)
    for _ in range(recipe.boots):
        side = rng.integers(4)
        x = (-1, 1, rng.uniform(-1, 1), rng.uniform(-1, 1))[side] * CANVAS_MM[0] * 0.47
        y = (rng.uniform(-1, 1), rng.uniform(-1, 1), -1, 1)[side] * CANVAS_MM[1] * 0.47
        at = (int((x + CANVAS_MM[0] / 2) * CANVAS_PX_PER_MM), int((CANVAS_MM[1] / 2 - y) * CANVAS_PX_PER_MM))
        axes = tuple(int(CANVAS_PX_PER_MM * rng.uniform(15, 45)) for _ in "xy")
        cv2.ellipse(rgb, at, axes, float(rng.uniform(0, 180)), 0, 360, (0.045, 0.035, 0.025), -1)
    return np.asarray(rgb, dtype=np.float32)


def canvas_px(points_mm: FloatArray, density: float) -> FloatArray:
    """Drawn mm to canvas pixel coordinates (pixel centres)."""
    points = np.asarray(points_mm, dtype=np.float64)
    return np.stack(
        [
            (points[..., 0] + CANVAS_MM[0] / 2) * density - 0.5,
            (CANVAS_MM[1] / 2 - points[..., 1]) * density - 0.5,
        ],
        -1,
    )


def _coverage(layout: CardLayout, recipe: SheetRecipe, rng: np.random.Generator) -> FloatArray:
    """Where there is paper: inside the sheet, outside the hand-cut window and the holes of the tabs."""
    size = tuple(round(side * CANVAS_PX_PER_MM) for side in CANVAS_MM)
    mask = np.zeros((size[1], size[0]), np.uint8)
    half = np.array(PAPERS_MM[recipe.paper]) / (2 * recipe.scale_x, 2 * recipe.scale_y)
    unit = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float)
    outline = outline_mm(STRIP_PAPER) if recipe.design == STRIP_DESIGN else unit * half
    fill_polygon(mask, canvas_px(outline, CANVAS_PX_PER_MM), 255)
    w = layout.window
    corners = unit * (w.x_max_mm, w.y_max_mm) + rng.uniform(-1, 1, (4, 2)) * recipe.cut_mm
    fill_polygon(mask, canvas_px(corners, CANVAS_PX_PER_MM), 0)
    if recipe.tabs_up:
        for tab in layout.tabs:
            fill_polygon(mask, canvas_px(np.array([*tab.base_mm, tab.tip_flat_mm]), CANVAS_PX_PER_MM), 0)
    return np.asarray(mask.astype(np.float32) / 255, dtype=np.float32)


def _lie(recipe: SheetRecipe, rng: np.random.Generator) -> FloatArray:
    """Height of the sheet's top, one sample per drawn mm: quadratic bow and cockle about 80 mm long."""
    cols, rows = (int(side) for side in CANVAS_MM)
    x = (np.arange(cols) + 0.5 - cols / 2) * recipe.scale_x
    y = (rows / 2 - 0.5 - np.arange(rows)) * recipe.scale_y
    half_x, half_y = (side / 2 for side in PAPERS_MM[recipe.paper])
    u, v = (x / half_x)[None, :], (y / half_y)[:, None]
    a, b, c = recipe.bow_mm
    z = a * u * u + b * u * v + c * v * v
    waves = fractal_field(rows, 1.0, rng, short_mm=60, long_mm=110, hurst=0.5)[:, :cols]
    return np.asarray(z + recipe.cockle_mm * waves, dtype=np.float32)
