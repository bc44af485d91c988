"""How each kind of dirt is drawn at random: size, contrast, edge, skin; ranges are common practice, set by eye."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from assessor.simulate.dirt_recipe import DirtRecipe

TAPES = ((0.52, 0.45, 0.33), (0.08, 0.16, 0.42), (0.45, 0.46, 0.47), (0.05, 0.05, 0.05), (0.7, 0.7, 0.68))
LEAVES = ((0.24, 0.14, 0.05), (0.12, 0.2, 0.05), (0.4, 0.28, 0.06), (0.22, 0.08, 0.04))
COATS = (
    (0.30, 0.31, 0.31), (0.34, 0.14, 0.09), (0.2, 0.3, 0.22), (0.5, 0.47, 0.38), (0.16, 0.2, 0.3), (0.1, 0.1, 0.1),
)  # fmt: skip
GLUES = ((0.36, 0.24, 0.09), (0.45, 0.36, 0.2), (0.03, 0.028, 0.025))


def _start(kind: str, rng: np.random.Generator) -> DirtRecipe:
    size = float(np.exp(rng.uniform(np.log(15), np.log(75))))
    reach = max(48 - 0.35 * size, 15)
    return DirtRecipe(
        kind,
        (float(rng.uniform(-reach, reach)), float(rng.uniform(-reach, reach))),
        size,
        turn_deg=float(rng.uniform(0, 360)),
        rough=float(rng.uniform(0.25, 0.9)),
        seed=int(rng.integers(2**31)),
    )


def _dark(rng: np.random.Generator) -> float:
    """Contrast of a dark patch: strong, medium or weak."""
    share = rng.uniform()
    low, high = (-0.7, -0.3) if share < 0.48 else (-0.3, -0.15) if share < 0.88 else (-0.15, -0.1)
    return float(rng.uniform(low, high))


def _oil(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    return replace(start, contrast=_dark(rng), edge_mm=float(rng.uniform(1.5, 9)))


def _damp(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    # 0.55-0.85 of the dry reflectance (Lekner and Dorf 1988 explain why it saturates; from memory, verify).
    kept = float(rng.uniform(0.55, 0.85))
    size = start.size_mm * float(rng.uniform(1.0, 1.8))
    gloss = 0.12 if rng.uniform() < 0.3 else 0.0
    return replace(
        start,
        contrast=math.log(kept),
        edge_mm=float(rng.uniform(3, 16)),
        size_mm=size,
        gloss=gloss,
        exponent=30.0,
    )


def _tyre(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    return replace(
        start, contrast=_dark(rng), size_mm=float(rng.uniform(18, 65)), edge_mm=float(rng.uniform(1.5, 6)),
        at_mm=(start.at_mm[0] * 0.6, start.at_mm[1] * 0.6),
    )  # fmt: skip


def _rust(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    return replace(
        start,
        contrast=float(rng.uniform(-0.6, -0.15)),
        size_mm=min(start.size_mm, 45),
        edge_mm=rng.uniform(2, 6),
    )


def _powder(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    edge = 1.5 if start.kind in ("slurry", "footprint") else float(rng.uniform(2, 10))
    size = float(rng.uniform(240, 310)) if start.kind == "footprint" else max(start.size_mm, 22.0)
    if start.kind == "efflorescence":
        size = max(size, 45.0)
    return replace(start, contrast=float(rng.uniform(0.1, 0.5)), edge_mm=edge, size_mm=size)


def _sealer(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    return replace(
        start, contrast=float(rng.uniform(-0.3, -0.04)), edge_mm=float(rng.uniform(0.5, 3)),
        size_mm=max(start.size_mm, 26.0), gloss=float(rng.uniform(0.4, 1.0)),
        exponent=float(np.exp(rng.uniform(np.log(40), np.log(160)))), thickness_mm=float(rng.uniform(0.02, 0.1)),
    )  # fmt: skip


def _coating(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    rgb = COATS[int(rng.integers(len(COATS)))]
    contrast = _dark(rng) if start.contrast < 0 or rng.uniform() < 0.6 else float(rng.uniform(0.1, 0.45))
    islands = start.kind == "islands"
    return replace(
        start, contrast=contrast, rgb=rgb, edge_mm=float(rng.uniform(0.3, 1.0)),
        size_mm=300.0 if islands and rng.uniform() < 0.5 else max(start.size_mm, 60.0 if islands else 24.0),
        amount=float(rng.uniform(0.06, 0.3)), gloss=float(rng.uniform(0.1, 0.8)),
        exponent=float(np.exp(rng.uniform(np.log(40), np.log(160)))), thickness_mm=float(rng.uniform(0.1, 0.45)),
    )  # fmt: skip


def _adhesive(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    rgb = GLUES[int(rng.integers(len(GLUES)))]
    contrast = float(rng.uniform(-0.9, -0.5)) if rgb[0] < 0.1 else float(rng.uniform(-0.6, -0.15))
    return replace(
        start, contrast=contrast, rgb=rgb, edge_mm=float(rng.uniform(0.5, 2)), size_mm=max(start.size_mm, 28.0),
        thickness_mm=float(rng.uniform(0.15, 0.9)), gloss=float(rng.uniform(0.0, 0.25)), exponent=30.0,
    )  # fmt: skip


def _repair(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    contrast = float(rng.uniform(0.1, 0.4) * rng.choice([-1, 1]))
    rgb = float(rng.uniform(0.97, 1.05)), 1.0, float(rng.uniform(0.94, 1.06))
    return replace(start, contrast=contrast, edge_mm=0.5, rgb=rgb, size_mm=max(start.size_mm, 25.0))


def _leaf(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    rgb = LEAVES[int(rng.integers(len(LEAVES)))]
    return replace(
        start, contrast=float(rng.uniform(-0.8, -0.15)), rgb=rgb, size_mm=float(rng.uniform(28, 75)),
        thickness_mm=float(rng.uniform(0.3, 3.0)), gloss=float(rng.uniform(0.0, 0.15)), exponent=25.0,
    )  # fmt: skip


def _tape(start: DirtRecipe, rng: np.random.Generator) -> DirtRecipe:
    rgb = TAPES[int(rng.integers(len(TAPES)))]
    dark = sum(rgb) < 0.8
    return replace(
        start, contrast=float(rng.uniform(-0.8, -0.3) if dark else rng.uniform(0.15, 0.5)), rgb=rgb,
        size_mm=float(rng.uniform(15, 50)), thickness_mm=0.13, gloss=float(rng.uniform(0.0, 0.4)), exponent=60.0,
        at_mm=(start.at_mm[0] * 0.4, start.at_mm[1] * 0.4),
    )  # fmt: skip


Draw = Callable[[DirtRecipe, np.random.Generator], DirtRecipe]
DRAWN: dict[str, Draw] = {
    "oil": _oil, "damp": _damp, "tyre": _tyre, "rust": _rust, "dust": _powder, "footprint": _powder,
    "slurry": _powder, "laitance": _powder, "efflorescence": _powder, "sealer": _sealer, "coating": _coating,
    "islands": _coating, "adhesive": _adhesive, "repair": _repair, "leaf": _leaf, "tape": _tape,
}  # fmt: skip


def draw_dirt(kind: str, rng: np.random.Generator, *, dark: bool = False) -> DirtRecipe:
    """A piece of dirt of one look of `dirt_recipe.PATCH_LOOKS`; dark: darker than the floor where it may be either."""
    start = _start(kind, rng)
    return DRAWN[kind](replace(start, contrast=-1.0 if dark else 1.0), rng)
