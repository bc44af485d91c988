"""Seeded recipes of photos with water drops: a spot's drop and its control in the card's window, or a dry window.

Wide in what confuses: stones, sealed patches that shine, swirls of grinding, every kind of light, phones of every make.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from assessor.simulate.capture import CaptureRecipe
from assessor.simulate.catalogue import draw_albedo, draw_sheet
from assessor.simulate.drops import DropRecipe
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import LightRecipe
from assessor.simulate.sensor import SensorRecipe

PX_PER_MM = 12.0
# Sq in 2.5-25 mm: drops are put on floors that are ground or lightly blasted; on rough ones they run.
FLOORS_MM = {"ground": (0.02, 0.12), "flush": (0.02, 0.12), "shot": (0.05, 0.25)}
LIGHTS = ("lamp", "sun", "torch", "window", "overcast", "lamp")
SCENES = ("bead-film", "bead-bead", "film-absorbed", "dry", "bead-absorbed", "low-film")


@dataclass(frozen=True, slots=True)
class PlannedDrops:
    """A photo to render and the drops in it; scene: one of SCENES."""

    recipe: CaptureRecipe
    drops: tuple[DropRecipe, ...]
    scene: str
    light: str


def plan_drops(count: int, seed: int, *, data_dir: Path | None = None) -> list[PlannedDrops]:
    """Plan `count` photos; the k-th depends on seed and data only. data_dir: ../shared/data, for measured albedo."""
    plans = []
    for k in range(count):
        rng = np.random.default_rng([seed, k, 50])
        process = tuple(FLOORS_MM)[k % 3]
        scene, light = SCENES[k % len(SCENES)], LIGHTS[(k // len(SCENES) + k) % len(LIGHTS)]
        floor = FloorRecipe(
            process,
            float(rng.uniform(*FLOORS_MM[process])),
            albedo=draw_albedo(rng, data_dir) if process != "flush" else "paste",
            contrast=float(rng.uniform(0.6, 1.4)),
            stone_fraction=float(rng.uniform(0.1, 0.4)) if process == "flush" or scene == "dry" else None,
            px_per_mm=PX_PER_MM,
        )
        if scene == "dry" and rng.uniform() < 0.3:
            floor = replace(floor, sealed=float(rng.uniform(0.1, 0.4)), gloss=float(rng.uniform(0.2, 1.0)))
        recipe = CaptureRecipe(
            f"w{seed:02d}-{k:03d}-{scene}",
            floor,
            light=_light(light, rng),
            sheet=draw_sheet(rng),
            sensor=_sensor(rng),
            seed=seed * 100_003 + k,
            photos=1,
            sides_deg=(float(rng.uniform(0, 360)),),
            tilt_deg=(0.0, 12.0),
            distance_mm=(300.0, 400.0),
            focal_px=float(rng.uniform(2800, 3050)),
            k1=float(rng.uniform(-0.03, 0.05)),
            k2=float(rng.uniform(-0.03, 0.02)),
        )
        plans.append(PlannedDrops(recipe, _drops(scene, rng), scene, light))
    return plans


def _light(kind: str, rng: np.random.Generator) -> LightRecipe:
    azimuth = float(rng.uniform(0, 360))
    if kind == "overcast":
        return LightRecipe("overcast")
    if kind == "window":
        return LightRecipe("window", azimuth_deg=azimuth, elevation_deg=float(rng.uniform(20, 50)))
    return LightRecipe(
        kind,
        azimuth_deg=azimuth,
        elevation_deg=float(rng.uniform(25, 60)),
        half_angle_deg=0.27 if kind == "sun" else float(rng.uniform(0.5, 2.5)),
        direct=float(rng.uniform(0.45, 0.9)),
        distance_mm=float(rng.uniform(400, 900)),
    )


def _sensor(rng: np.random.Generator) -> SensorRecipe:
    return SensorRecipe(
        psf_px=float(rng.uniform(0.5, 1.3)),
        exposure=float(rng.uniform(0.65, 0.95)),
        snr_db=float(rng.uniform(30, 39)),
        sharpen=float(rng.uniform(0.1, 0.9)),
        s_curve=float(rng.uniform(0.0, 0.3)),
        local=float(rng.choice([0.0, 0.0, 0.05])),
        quality=int(rng.integers(75, 95)),
    )


def _drops(scene: str, rng: np.random.Generator) -> tuple[DropRecipe, ...]:
    """Two drops left and right of the window's middle, none in a dry one."""
    if scene == "dry":
        return ()
    names = scene.split("-")
    volume = float(rng.uniform(20, 80))
    turn = rng.uniform(-0.4, 0.4)
    drops = []
    for side, name in zip((-1, 1), names, strict=True):
        x, y = side * rng.uniform(22, 32), rng.uniform(-18, 18)
        place = (float(x * np.cos(turn) - y * np.sin(turn)), float(x * np.sin(turn) + y * np.cos(turn)))
        if name in ("bead", "low"):
            low, high = (55, 105) if name == "bead" else (20, 45)
            drops.append(
                DropRecipe(
                    "bead", *place, volume, float(rng.uniform(low, high)),
                    uneven=float(rng.uniform(0.0, 0.08)), darker=float(rng.uniform(0.6, 0.8)),
                )
            )  # fmt: skip
            continue
        drops.append(
            DropRecipe(
                "film" if name == "film" else "absorbed",
                *place,
                volume,
                width_mm=float(rng.uniform(14, 32)),
                uneven=float(rng.uniform(0.05, 0.3)),
                darker=float(rng.uniform(0.55, 0.78) if name == "film" else rng.uniform(0.6, 0.85)),
                gloss=float(rng.uniform(0.0, 0.2)),
            )
        )
    return tuple(drops)
