"""Dirt with a body: sealer, coating, islands left in the lows, adhesive, repairs, a leaf, tape.

As `stains`: each function returns the new ground and the soft mask whose half is the patch's rim. Thicknesses and
films are common practice.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from assessor.simulate.albedo import paste_albedo
from assessor.simulate.dirt_recipe import DirtRecipe, Rgb
from assessor.simulate.soil import LUMINANCE, Film, Ground
from assessor.simulate.soil_shapes import blot, box, step, streaks
from assessor.simulate.stains import Laid
from assessor.values import FloatArray

SEALER_RGB: Rgb = (0.94, 1.0, 1.1)
GLUE_RGB: Rgb = (0.36, 0.24, 0.09)
PINHOLE_SHARE = 0.012  # of the area: the deepest fine pits, which a film bridges or fills
COAT_GREY: Rgb = (0.30, 0.31, 0.31)


def sealer(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """A thin clear film: slightly darker and deeper in colour, finest texture filled, shining; brush or roller edge."""
    grid, size = ground.grid, recipe.size_mm
    if rng.uniform() < 0.5:
        rim = blot(grid, recipe.at_mm, size, rng, turn_deg=recipe.turn_deg, rough=recipe.rough)
    else:
        rim = box(grid, recipe.at_mm, recipe.turn_deg, (1.5 * size, 0.75 * size), 4.0)
        u, v = grid.turned(recipe.at_mm, recipe.turn_deg)
        # Bristles run out unevenly at the end of a stroke.
        rim = rim + np.float32(1.6) * streaks(u, v, rng, along_mm=25, across_mm=1.5)
        rim = rim + np.float32(0.8) * grid.field(rng, 2, 30, 0.6)
    cover = step(rim, recipe.edge_mm)
    body = np.clip(1 + 0.16 * grid.field(rng, 1.5, 40, 0.5), 0.4, 1.5).astype(np.float32)
    # At the rim the film is a little thicker, as every film that dried is.
    bead = step(rim, 0.5) * step(np.float32(1.8) - rim, 1.4)
    effect = cover * (body + 0.3 * bead) * (1 - np.float32(0.3) * ground.stone)
    ground = ground.dimmed(np.asarray(effect, np.float32), cover, recipe.contrast, recipe.rgb or SEALER_RGB)
    ground = ground.filled(cover, 0.25, 0.3 * recipe.thickness_mm, 0.7)
    return ground.shining(cover * np.clip(body, 0, 1), recipe), cover


def coating(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """A thick coat with a colour of its own and chipped rims; it fills the texture."""
    grid = ground.grid
    rim = blot(grid, recipe.at_mm, recipe.size_mm, rng, turn_deg=recipe.turn_deg, rough=1.3 * recipe.rough)
    rim = rim + np.float32(0.7) * grid.field(rng, 0.5, 5, 0.25)
    worn = grid.field(rng, 0.6, 14, 0.4)
    cover = step(np.minimum(rim, np.float32(1.6) * (worn + np.float32(2.1))), recipe.edge_mm)
    alpha = cover * np.clip(0.96 + 0.03 * grid.field(rng, 0.2, 2, 0.2), 0.8, 1)
    ground = ground.painted(np.asarray(alpha, np.float32), cover, recipe.contrast, recipe.rgb or COAT_GREY)
    ground = ground.filled(cover, 0.9, recipe.thickness_mm)
    # Orange peel of a roller, hundredths of a millimetre.
    peel = np.float32(0.006) * grid.field(rng, 1.2, 4, 0.3) * cover
    ground = replace(ground, height_mm=ground.height_mm + peel)
    return ground.shining(cover, recipe), cover


def islands(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """Old skin that a grinder bridged: left in the low spots and the deepest pinholes of the floor."""
    grid, height = ground.grid, ground.height_mm
    if recipe.size_mm >= 200:
        around: FloatArray = np.ones(height.shape, np.float32)
    else:
        around = step(blot(grid, recipe.at_mm, recipe.size_mm, rng, turn_deg=recipe.turn_deg), 6.0)
    band = np.asarray(grid.soft(height, 1.0) - grid.soft(height, 14.0), np.float32)
    lows = grid.soft(band, 1.2)
    spread = np.float32(max(float(lows.std()), 1e-6))
    limit = float(np.quantile(lows[::5, ::5], recipe.amount))
    # Where a blade touched the rim of a low, skin hangs on in ragged bits.
    ragged = np.float32(0.18) * grid.field(rng, 0.4, 5, 0.3)
    left = step((np.float32(limit) - lows) / spread + ragged, 0.35) * around
    pits = height - grid.soft(height, 0.8)
    edge = np.float32(np.quantile(pits[::5, ::5], PINHOLE_SHARE))
    fine = np.float32(max(float(pits.std()), 1e-6))
    holes = step((edge - pits) / fine, 0.6) * around
    cover = np.maximum(left, holes)
    alpha = np.maximum(left * np.clip(0.88 + 0.08 * grid.field(rng, 0.4, 6, 0.3), 0.4, 1), 0.8 * holes)
    rgb = recipe.rgb or COAT_GREY
    ground = ground.painted(np.asarray(alpha, np.float32), left, recipe.contrast, rgb)
    ground = ground.filled(cover, 0.8, 0.5 * recipe.thickness_mm, 0.85)
    return ground.shining(cover, recipe), left


def adhesive(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """Adhesive or mastic: ridges that a notched trowel left in arcs, with a thin skin and scraped places between."""
    grid = ground.grid
    rim = blot(grid, recipe.at_mm, recipe.size_mm, rng, turn_deg=recipe.turn_deg, rough=1.2 * recipe.rough)
    rim = rim + np.float32(0.5) * grid.field(rng, 0.5, 6, 0.4)
    cover = step(rim, recipe.edge_mm)
    swing, pitch = rng.uniform(120, 420), rng.uniform(4.0, 7.5)
    u, v = grid.turned(recipe.at_mm, recipe.turn_deg)
    phase = (np.hypot(u, v + np.float32(swing)) + 0.5 * grid.field(rng, 3, 40, 0.7)) / np.float32(pitch)
    ridge = np.clip(np.cos(2 * np.pi * phase) * 1.4 - 0.25, 0, 1).astype(np.float32)
    ridge *= step(grid.field(rng, 1.2, 25, 0.5) + 0.85, 0.7)
    scraped = step(grid.field(rng, 1.0, 14, 0.4) + 1.15, 0.8)
    stain = np.clip(0.45 + 0.12 * grid.field(rng, 0.4, 8, 0.3), 0.15, 0.9)
    alpha = cover * np.maximum(0.97 * ridge, stain * (0.35 + 0.65 * scraped))
    ground = ground.painted(np.asarray(alpha, np.float32), cover, recipe.contrast, recipe.rgb or GLUE_RGB)
    ground = ground.filled(cover * scraped, 0.4, 0.02, 0.8)
    rise = cover * grid.soft(ridge, 0.25) * np.float32(recipe.thickness_mm)
    ground = replace(ground, height_mm=ground.height_mm + rise)
    return ground.shining(np.asarray(alpha, np.float32), recipe), cover


def repair(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """A repair in another mortar: its own grey, sand and texture, within a sharp outline and a hairline seam."""
    grid = ground.grid
    if rng.uniform() < 0.6:
        sides = (1.25 * recipe.size_mm, 0.8 * recipe.size_mm)
        rim = box(grid, recipe.at_mm, recipe.turn_deg, sides, rng.uniform(1, 8))
        rim = rim + np.float32(0.5) * grid.field(rng, 1.0, 25, 0.6)
    else:
        rim = blot(grid, recipe.at_mm, recipe.size_mm, rng, turn_deg=recipe.turn_deg, rough=recipe.rough)
    cover = step(rim, recipe.edge_mm)
    inside = cover > 0.5
    mortar = paste_albedo(grid.n, grid.px_per_mm, rng, contrast=float(rng.uniform(0.4, 1.2)))
    if inside.any():
        wanted = float(np.log(ground.albedo[inside] @ LUMINANCE).mean()) + recipe.contrast
        mortar = mortar * np.float32(np.exp(wanted - float(np.log(mortar[inside] @ LUMINANCE).mean())))
    mortar = mortar * np.array(recipe.rgb or (1.0, 1.0, 1.0), np.float32)
    albedo = ground.albedo + cover[..., None] * (np.clip(mortar, 0.02, 0.85) - ground.albedo)
    seam = step(np.float32(0.35) - np.abs(rim), 0.3) * step(grid.field(rng, 1, 30, 0.6) + 0.3, 0.8)
    albedo = albedo * (1 - np.float32(0.45) * seam)[..., None]
    grain = grid.field(rng, 0.3, 6, 0.5) * np.float32(0.5 * float(ground.height_mm[::7, ::7].std()))
    level = grid.soft(ground.height_mm, 8.0) + grain
    height = ground.height_mm + cover * (level - ground.height_mm) - np.float32(0.15) * seam
    return replace(ground, albedo=albedo, height_mm=np.asarray(height, np.float32)), cover


def leaf(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """A fallen leaf, a few tenths of a millimetre to a few above the floor, with veins."""
    grid, half = ground.grid, recipe.size_mm / 2
    u, v = grid.turned(recipe.at_mm, recipe.turn_deg)
    v = v - np.float32(rng.uniform(-0.08, 0.08) / half) * u * u
    t = np.clip(u / np.float32(half), -1, 1)
    wide = np.float32(rng.uniform(0.4, 0.62) * half) * (1 - t * t) ** np.float32(0.8) * (1 - 0.25 * t)
    teeth = 0.35 * np.abs(np.sin(u * np.float32(2 * np.pi / 5.5)))
    rim = np.where(np.abs(u) < half, wide - np.abs(v) + teeth * (wide > 1), np.float32(-1) * np.abs(v) - 1)
    stalk = np.where((u < -half * 0.9) & (u > -half * 1.4), np.float32(0.7) - np.abs(v), np.float32(-5))
    cover = step(np.maximum(rim, stalk).astype(np.float32), 0.25)
    rib = step(0.5 - np.abs(v), 0.5)
    side = np.abs(((u - 0.9 * np.abs(v)) / 6.5) % 1 - 0.5) * 6.5
    rib = np.maximum(rib, 0.7 * step(0.32 - side, 0.35))
    alpha = cover * np.float32(1.0)
    ground = ground.painted(alpha, cover, recipe.contrast, recipe.rgb or (0.26, 0.16, 0.05))
    tone = np.exp(0.18 * grid.field(rng, 0.5, 20, 0.5) * cover + np.float32(0.3) * rib * cover)
    albedo = np.clip(ground.albedo * tone[..., None], 0.015, 0.8)
    curl = np.float32(0.3) + np.float32(recipe.thickness_mm) * (np.abs(v) / np.float32(half)) ** 2
    level = grid.soft(ground.height_mm, 3.0) + curl + np.float32(0.05) * rib
    height = ground.height_mm + cover * np.maximum(level - ground.height_mm, 0)
    ground = replace(ground, albedo=albedo, height_mm=np.asarray(height, np.float32))
    return ground.shining(cover, recipe), cover


def tape(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """A strip of adhesive tape of size_mm width, torn at one end, with a few creases."""
    grid = ground.grid
    u, v = grid.turned(recipe.at_mm, recipe.turn_deg)
    torn = np.float32(rng.uniform(10, 45)) + np.float32(1.2) * streaks(v, u * 0, rng, along_mm=2, across_mm=9)
    rim = np.minimum(np.float32(recipe.size_mm / 2) - np.abs(v), torn - u)
    cover = step(rim, 0.2)
    ground = ground.painted(cover, cover, recipe.contrast, recipe.rgb or (0.52, 0.45, 0.33))
    crease = np.clip(np.abs(streaks(u, v, rng, along_mm=9, across_mm=30)) - 1.7, 0, 1)
    albedo = ground.albedo * (1 + np.float32(0.06) * crease * cover)[..., None]
    level = grid.soft(ground.height_mm, 1.2) + np.float32(recipe.thickness_mm) + np.float32(0.04) * crease
    height = ground.height_mm + cover * np.maximum(level - ground.height_mm, 0)
    ground = replace(ground, albedo=np.asarray(albedo, np.float32), height_mm=np.asarray(height, np.float32))
    return ground.shining(cover, recipe), cover


def polished(stone: FloatArray, strength: float) -> Film:
    """The dull shine of stones that a grinder's finest disc has gone over."""
    return Film(np.asarray(stone * np.float32(strength), np.float32), 30.0)
