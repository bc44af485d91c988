"""What shows on a clean floor and is no patch: cracks, saw cuts, swirls, strong mottle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from assessor.simulate.dirt_recipe import DirtRecipe
from assessor.simulate.soil import Ground
from assessor.simulate.soil_shapes import draw_paths, step, wander
from assessor.simulate.stains import Laid

CRACK_DEEP_MM, JOINT_DEEP_MM = 1.2, 3.0


def crack(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """A crack across the floor, edge_mm wide, with a fork now and then and a hair of dirt beside it."""
    grid = ground.grid
    turn = np.deg2rad(recipe.turn_deg)
    start = recipe.at_mm[0] - 105 * np.cos(turn), recipe.at_mm[1] - 105 * np.sin(turn)
    main = wander((float(start[0]), float(start[1])), recipe.turn_deg, 210, rng)
    paths = [(main, recipe.edge_mm)]
    if rng.uniform() < 0.5:
        k = int(rng.integers(70, 140))
        fork = recipe.turn_deg + rng.choice([-1, 1]) * rng.uniform(25, 60)
        at = float(main[k, 0]), float(main[k, 1])
        paths.append((wander(at, fork, rng.uniform(30, 110), rng), 0.7 * recipe.edge_mm))
    line = draw_paths(grid, paths, rng)
    beside = np.clip(2.0 * grid.soft(line, 1.4), 0, 1)
    dark = np.exp(np.float32(-1.1) * line - np.float32(0.10) * beside)
    height = ground.height_mm - np.float32(CRACK_DEEP_MM) * line
    albedo = ground.albedo * dark[..., None]
    return replace(ground, height_mm=height, albedo=np.asarray(albedo, np.float32)), line


def joint(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """A saw cut, edge_mm wide, straight, with spalled arrises; dusty or dark inside."""
    grid = ground.grid
    _, v = grid.turned(recipe.at_mm, recipe.turn_deg)
    spall = np.clip(grid.field(rng, 0.5, 7, 0.4) - 1.2, 0, 2.5).astype(np.float32)
    inside = step(np.float32(recipe.edge_mm / 2) - np.abs(v) + np.float32(0.15) * spall, 0.2)
    worn = step(np.float32(recipe.edge_mm / 2 + 0.4) - np.abs(v) + np.float32(0.9) * spall, 1.0)
    height = (
        ground.height_mm - np.float32(JOINT_DEEP_MM) * inside - np.float32(0.25) * (worn - inside).clip(0)
    )
    tone = np.exp(np.float32(rng.uniform(-0.9, 0.1)) * inside + np.float32(0.12) * (worn - inside).clip(0))
    albedo = ground.albedo * tone[..., None]
    return replace(ground, height_mm=height, albedo=np.asarray(albedo, np.float32)), inside


def swirls(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """Arcs of a grinder's segments, lighter where they burnished or bruised the paste; amount: their log contrast."""
    grid = ground.grid
    tone = np.zeros_like(ground.height_mm)
    cut = np.zeros_like(ground.height_mm)
    for _ in range(int(rng.integers(5, 14))):
        away, turn = rng.uniform(60, 190), rng.uniform(0, 2 * np.pi)
        centre = float(away * np.cos(turn)), float(away * np.sin(turn))
        u, v = grid.turned(centre, 0.0)
        ring = away + rng.uniform(-45, 45)
        width = float(np.exp(rng.uniform(np.log(0.4), np.log(5.0))))
        off = np.hypot(u, v) - np.float32(ring)
        arc = step(np.float32(width / 2) - np.abs(off), 0.6 * width)
        lines = np.cos(off * np.float32(2 * np.pi / rng.uniform(0.7, 1.6)))
        fade = step(np.cos(np.arctan2(v, u) - np.float32(rng.uniform(-np.pi, np.pi))) + 0.4, 1.0)
        tone += (
            np.float32(rng.choice([-0.6, 1.0, 1.0]) * rng.uniform(0.4, 1.0))
            * arc
            * fade
            * (0.7 + 0.3 * lines)
        )
        cut += arc * fade * np.float32(0.012) * lines
    albedo = ground.albedo * np.exp(np.float32(recipe.amount) * tone)[..., None]
    height = ground.height_mm - cut.clip(0)
    return replace(ground, albedo=np.asarray(albedo, np.float32), height_mm=height), np.abs(tone)


def mottle(ground: Ground, recipe: DirtRecipe, rng: np.random.Generator) -> Laid:
    """The clouds of trowelled or unevenly cured concrete; amount: standard deviation of their log contrast."""
    grid = ground.grid
    clouds = grid.field(rng, 8, recipe.size_mm, 0.6) + 0.35 * grid.field(rng, 1.5, 15, 0.4)
    warm = grid.field(rng, 15, 120, 0.7)
    tint = np.array([0.04, 0.0, -0.06], np.float32)
    log = np.float32(recipe.amount) * (clouds[..., None] + warm[..., None] * tint)
    return replace(ground, albedo=np.asarray(ground.albedo * np.exp(log), np.float32)), np.abs(clouds)
