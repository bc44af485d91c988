"""Dirt that colours: oil, damp, rubber, rust, dust, slurry, footprints, laitance, efflorescence.

Looks are common practice, set by eye on rendered pictures; contrasts are asked for by the recipe. Each function lays
one recipe on the ground and returns the new ground and the soft mask whose half is the patch's rim.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from assessor.simulate.dirt_recipe import DirtRecipe, Rgb
from assessor.simulate.soil import LUMINANCE, Ground
from assessor.simulate.soil_shapes import blot, branches, cells, draw_paths, drops, sole, step, streaks
from assessor.values import FloatArray

Laid = tuple[Ground, FloatArray]

OIL_RGB: Rgb = (0.9, 1.0, 1.2)  # what oil takes of red, green and blue: it leaves a warm dark
RUBBER_RGB: Rgb = (1.02, 1.0, 0.98)
RUST_RGB: Rgb = (0.3, 1.1, 1.9)
DUST_RGB: Rgb = (0.56, 0.53, 0.49)
SLURRY_RGB: Rgb = (0.55, 0.545, 0.53)
SALT_RGB: Rgb = (0.80, 0.80, 0.78)


def oil(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """Oil or grease soaked in: darkest in the middle, a soft edge, splashes, less in stones than in paste."""
    grid, size = ground.grid, recipe.size_mm
    rim = blot(grid, recipe.at_mm, size, rng, turn_deg=recipe.turn_deg, rough=recipe.rough)
    splash = drops(grid, recipe.at_mm, (0.45 * size, 0.5 * size + 22), int(rng.integers(2, 16)), rng)
    soaked = np.maximum(step(rim, recipe.edge_mm), step(splash, min(recipe.edge_mm, 1.2)) * np.float32(0.85))
    deep = step(rim - np.float32(0.22 * size), 0.4 * size)
    fringe = step(rim + np.float32(0.5 * recipe.edge_mm), 2.5 * recipe.edge_mm + 2)
    effect = np.maximum(0.74 * soaked + 0.26 * deep * soaked, np.float32(0.22) * fringe)
    effect *= 1 - np.float32(0.5) * ground.stone
    effect *= np.clip(1 + np.float32(0.13) * grid.field(rng, 0.4, 12, 0.4), 0.4, 1.6)
    return ground.dimmed(effect, soaked, recipe.contrast, OIL_RGB).shining(soaked * soaked, recipe), soaked


def damp(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """Damp: pores fill, the darkening saturates over a wide edge, colours deepen, stones hardly change."""
    grid = ground.grid
    rim = blot(grid, recipe.at_mm, recipe.size_mm, rng, turn_deg=recipe.turn_deg, rough=recipe.rough)
    rim = rim + np.float32(0.12 * recipe.edge_mm) * grid.field(rng, 0.6, 6, 0.4)
    wet = np.clip(rim / np.float32(recipe.edge_mm) + 0.5, 0, 1)
    cover = np.asarray((1 - np.exp(-3 * wet)) / np.float32(1 - np.exp(-3)), np.float32)
    effect = cover * (1 - np.float32(0.45) * ground.stone)
    luminance = np.maximum(ground.albedo @ LUMINANCE, 1e-3)[..., None]
    deeper = (ground.albedo / luminance) ** (np.float32(0.22) * cover[..., None])
    ground = replace(ground, albedo=ground.albedo * deeper)
    return ground.dimmed(effect, cover, recipe.contrast, (1.0, 1.0, 1.0)).shining(cover, recipe), cover


def tyre(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """Rubber smeared on the peaks by a wheel: a band of streaks along its way, with or without a tread."""
    grid = ground.grid
    u, v = grid.turned(recipe.at_mm, recipe.turn_deg)
    bend = rng.uniform(-1, 1) / 500
    v = v - np.float32(bend) * u * u
    width = recipe.size_mm
    frayed = np.float32(0.05 * width) * streaks(u, v * 0, rng, along_mm=30, across_mm=3)
    band = step(np.float32(width / 2) - np.abs(v) + frayed, recipe.edge_mm)
    drawn = streaks(u, v, rng, along_mm=rng.uniform(25, 80), across_mm=rng.uniform(0.5, 1.6))
    drawn += 0.7 * streaks(u, v, rng, along_mm=80, across_mm=6)
    effect = band * np.clip(1 + np.float32(0.38) * drawn, 0.1, 2.2)
    if rng.uniform() < 0.55:
        effect *= _tread(u, v, width, rng)
    rough = ground.height_mm - grid.soft(ground.height_mm, 1.5)
    up = rough / np.float32(max(float(rough.std()), 1e-6))
    effect = effect * (0.45 + 0.55 / (1 + np.exp(-2.5 * (up + 0.2))))
    return ground.dimmed(effect, band, recipe.contrast, RUBBER_RGB).shining(band * 0.5, recipe), band


def _tread(u: FloatArray, v: FloatArray, width: float, rng: np.random.Generator) -> FloatArray:
    """Blocks and the grooves between them, 1 on a block."""
    pitch, slant = rng.uniform(14, 26), rng.uniform(0.3, 1.0)
    if rng.uniform() < 0.5:
        v = np.abs(v)
    phase = np.abs(((u + np.float32(slant) * v) / np.float32(pitch)) % 1 - 0.5) * np.float32(pitch)
    middle = np.abs(v) - np.float32(0.07 * width)
    gap = np.maximum(step(2.6 - phase, 1.2), step(-middle, 1.0))
    return np.asarray(1 - np.float32(rng.uniform(0.45, 0.8)) * gap, dtype=np.float32)


def rust(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """Rust from a nail or shavings: specks with an orange-brown bloom round them."""
    grid, size = ground.grid, recipe.size_mm
    rim = blot(grid, recipe.at_mm, size, rng, turn_deg=recipe.turn_deg, rough=1.3 * recipe.rough, stretch=1.6)
    cover = step(rim, recipe.edge_mm)
    core = step(rim - np.float32(0.2 * size), 0.25 * size)
    effect = (
        cover * (0.55 + 0.45 * core) * np.clip(1 + np.float32(0.28) * grid.field(rng, 0.3, 9, 0.3), 0.1, 2)
    )
    ground = ground.dimmed(effect, cover, recipe.contrast, RUST_RGB)
    specks = step(drops(grid, recipe.at_mm, (0, 0.4 * size), int(rng.integers(4, 20)), rng) - 0.6, 0.5)
    dark = np.array([0.10, 0.045, 0.02], np.float32)
    albedo = ground.albedo + np.float32(0.8) * specks[..., None] * (dark - ground.albedo)
    return replace(ground, albedo=albedo), cover


def dust(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """Loose dust: a light veil, thicker in the lows, that washes fine texture out."""
    grid = ground.grid
    rim = blot(grid, recipe.at_mm, recipe.size_mm, rng, turn_deg=recipe.turn_deg, rough=1.4 * recipe.rough)
    cover = step(rim, recipe.edge_mm)
    lows = grid.soft(ground.height_mm, 0.8) - ground.height_mm
    lows = lows / np.float32(max(float(lows.std()), 1e-6))
    veil = 0.5 + 0.13 * grid.field(rng, 0.5, 25, 0.4) + 0.08 * np.clip(lows, -2, 2)
    return _powder(ground, recipe, cover, cover * np.clip(veil, 0.12, 0.95), DUST_RGB)


def footprint(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """A boot's print in dust: bars of the tread where it pressed, fainter between; the mask is the whole sole."""
    grid = ground.grid
    u, v = grid.turned(recipe.at_mm, recipe.turn_deg)
    scale = np.float32(290 / max(recipe.size_mm, 60.0))
    side = np.float32(rng.choice([-1, 1]))
    # The ball of the foot is what the recipe's place means.
    rim, press = sole(u * scale + 55, v * scale * side)
    rim = rim / scale
    cover = step(rim + np.float32(0.5) * grid.field(rng, 0.6, 8, 0.5), recipe.edge_mm)
    pressed = np.clip(0.62 + 0.3 * grid.field(rng, 1.0, 50, 0.5), 0.05, 1)
    veil = (0.2 + 0.6 * grid.soft(press, 0.25)) * pressed + 0.05 * grid.field(rng, 0.4, 3, 0.3)
    return _powder(ground, recipe, cover, cover * np.clip(veil, 0.05, 0.95), DUST_RGB)


def slurry(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """Grinding slurry dried on: a smooth grey-white skin with a tide line, crazed where it is thick."""
    grid, size = ground.grid, recipe.size_mm
    rim = blot(grid, recipe.at_mm, size, rng, turn_deg=recipe.turn_deg, rough=1.1 * recipe.rough, stretch=1.7)
    cover = step(rim, recipe.edge_mm)
    tide = step(rim, 0.6) * step(2.4 - rim, 1.5)
    flow = grid.field(rng, 2.0, size, 0.7)
    alpha = cover * np.clip(0.7 + 0.12 * flow + 0.2 * tide, 0.25, 0.97)
    if rng.uniform() < 0.6:
        crazed = step(np.float32(0.18) - cells(grid, rng.uniform(4, 9), rng), 0.2)
        alpha = alpha * (1 - np.float32(0.75) * crazed * step(rim - 3 + 2 * flow, 2))
    ground = ground.filled(cover, 0.7, 0.02, 0.8)
    return _powder(ground, recipe, cover, alpha, SLURRY_RGB)


def _powder(ground: Ground, recipe: DirtRecipe, cover: FloatArray, alpha: FloatArray, rgb: Rgb) -> Laid:
    """A powder of a light colour, with what it does to fine texture."""
    alpha = np.asarray(alpha, np.float32)
    ground = ground.painted(alpha, cover, recipe.contrast, recipe.rgb or rgb)
    return ground.smoothed(np.clip(1.3 * alpha, 0, 1), 0.45, 0.75), cover


def laitance(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """A weak whitish skin left in blotches that grow together."""
    grid, size = ground.grid, recipe.size_mm
    rim = blot(grid, recipe.at_mm, size, rng, turn_deg=recipe.turn_deg, rough=recipe.rough)
    blotch = grid.field(rng, 2.5, max(0.45 * size, 12), 0.5)
    cover = step(rim, recipe.edge_mm + 2) * step(blotch + 0.75, 0.8)
    alpha = cover * np.clip(0.55 + 0.14 * grid.field(rng, 0.4, 10, 0.3), 0.1, 0.95)
    ground = ground.painted(np.asarray(alpha, np.float32), cover, recipe.contrast, recipe.rgb or SALT_RGB)
    return ground.smoothed(cover, 0.3, 0.5), cover


def efflorescence(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """Salts that bloomed along hair cracks: white branching veins with a crystalline fringe and blooms."""
    grid, size = ground.grid, recipe.size_mm
    veins = draw_paths(grid, branches(recipe.at_mm, size, rng), rng)
    fringe = np.clip(2.6 * grid.soft(veins, 1.3), 0, 1)
    crystals = np.clip(0.5 + 0.55 * grid.field(rng, 0.3, 4, 0.2), 0, 1)
    bloom = step(blot(grid, recipe.at_mm, 0.4 * size, rng, rough=1.2), 0.2 * size)
    bloom = bloom * step(grid.field(rng, 1.0, 10, 0.4) + 0.2, 1.0)
    cover = np.maximum(np.maximum(veins, fringe), bloom)
    alpha = np.clip(np.maximum(veins * 0.95, cover * (0.35 + 0.6 * crystals)), 0, 0.97)
    ground = ground.painted(np.asarray(alpha, np.float32), cover, recipe.contrast, recipe.rgb or SALT_RGB)
    rise = np.float32(0.08) * alpha * crystals
    return replace(ground, height_mm=ground.height_mm + np.asarray(rise, np.float32)), cover
