"""Lays dirt on a floor and says where it lies: one soft mask a piece, in mm on the floor's own grid."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from assessor.simulate import floor_marks, layers, stains
from assessor.simulate.dirt_recipe import DirtRecipe
from assessor.simulate.soil import DARKEST, LUMINANCE, Film, Ground
from assessor.simulate.soil_shapes import Grid
from assessor.values import FloatArray, freeze

LAYING: dict[str, Callable[[Ground, DirtRecipe, np.random.Generator], tuple[Ground, FloatArray]]] = {
    "oil": stains.oil,
    "damp": stains.damp,
    "tyre": stains.tyre,
    "rust": stains.rust,
    "dust": stains.dust,
    "footprint": stains.footprint,
    "slurry": stains.slurry,
    "laitance": stains.laitance,
    "efflorescence": stains.efflorescence,
    "sealer": layers.sealer,
    "coating": layers.coating,
    "islands": layers.islands,
    "adhesive": layers.adhesive,
    "repair": layers.repair,
    "leaf": layers.leaf,
    "tape": layers.tape,
    "crack": floor_marks.crack,
    "joint": floor_marks.joint,
    "swirls": floor_marks.swirls,
    "mottle": floor_marks.mottle,
}
LOOSE = ("leaf", "tape")  # the card lies on the floor, not on them
ORDER = ("mottle", "swirls", "joint", "crack")  # the floor's own looks come before what lies on it


@dataclass(frozen=True, eq=False)
class Dirt:
    """One piece as it lies: cover (n, n) 0..1, half at its rim; contrast: mean log of luminance inside over before."""

    recipe: DirtRecipe
    cover: FloatArray
    contrast: float

    def __post_init__(self) -> None:
        freeze(self.cover)


@dataclass(frozen=True, eq=False)
class Soiled:
    """A floor with its dirt: heights, albedo, films, and every piece that is a patch; bare: albedo without these."""

    height_mm: FloatArray
    albedo: FloatArray
    films: tuple[Film, ...]
    dirt: tuple[Dirt, ...]
    bare: FloatArray


def soil_floor(
    height_mm: FloatArray,
    albedo: FloatArray,
    labels: np.ndarray[tuple[int, int], np.dtype[np.int32]],
    px_per_mm: float,
    recipes: tuple[DirtRecipe, ...],
    *,
    paper_mm: float,
) -> Soiled:
    """Lay all recipes, the floor's own looks first; what raises the floor raises the card that lies on it."""
    grid = Grid(height_mm.shape[0], px_per_mm)
    stone = grid.soft((labels > 0).astype(np.float32), 0.05)
    ground = Ground(height_mm, albedo, stone, grid)
    first = [r for kind in ORDER for r in recipes if r.kind == kind]
    laid: list[Dirt] = []
    bare = ground.albedo
    for recipe in (*first, *(r for r in recipes if r.kind not in ORDER)):
        before = ground.albedo
        bare = before if not laid else bare
        ground, cover = LAYING[recipe.kind](ground, recipe, np.random.default_rng([recipe.seed, 41]))
        if recipe.kind not in LOOSE:
            over = float(np.quantile(ground.height_mm[::3, ::3], 0.9995)) + paper_mm
            if over > 0:
                ground = Ground(ground.height_mm - np.float32(over), ground.albedo, stone, grid, ground.films)
        if recipe.code is not None:
            laid.append(
                Dirt(recipe, np.asarray(cover, np.float32), contrast_of(cover, before, ground.albedo))
            )
    clean = np.clip(ground.albedo, DARKEST, None).astype(np.float32)
    return Soiled(
        np.asarray(ground.height_mm, np.float32), clean, ground.films, tuple(laid), bare if laid else clean
    )


def contrast_of(cover: FloatArray, before: FloatArray, after: FloatArray) -> float:
    """Mean natural log of luminance inside a mask over what it was; 0 where the mask is empty."""
    inside = cover > 0.5
    if not inside.any():
        return 0.0
    ratio = np.maximum(after[inside] @ LUMINANCE, 1e-4) / np.maximum(before[inside] @ LUMINANCE, 1e-4)
    return float(np.log(ratio).mean())
