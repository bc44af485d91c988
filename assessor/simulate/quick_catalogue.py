"""Seeded recipes of quick captures: one photo (`single`), and two with a torch on opposite sides (`pair`).

They are what a learned estimate is judged on, so they are wide in what confuses it: every process over its levels,
light that was held as the guide says and light that was not, paste and measured albedo, phones of every make.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from assessor.simulate.beam import Beam
from assessor.simulate.capture import CaptureRecipe
from assessor.simulate.catalogue import (
    MEASURED_SHAPES,
    Planned,
    draw_sheet,
    planned,
    spread,
)
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import ROOMS, LightRecipe, direct_share
from assessor.simulate.sensor import SensorRecipe
from assessor.simulate.torchlight import TorchRecipe

BAND_MM = (0.8, 25.0)  # in which levels are reached and estimates are made
# Of the floor: what the model sees are samples of 0.2 mm. At 20, for twice the time, contrast of waves under 0.4 mm is
# 5-10 % stronger, of longer ones the same within 6 % (ground and shot floors, Sq 0.03-0.2 mm, lamp at 30 degrees).
PX_PER_MM = 10.0
# Lowest and highest Sq in BAND_MM that each process leaves (domain knowledge of the trade: common practice).
REACH_MM: dict[str, tuple[float, float]] = {
    "ground": (0.02, 0.35),
    "shot": (0.05, 0.7),
    "scarified": (0.2, 1.6),
    "scabbled": (0.3, 1.6),
    "aggregate": (0.15, 1.6),
    "fractal": (0.02, 0.8),
    "flush": (0.02, 0.25),
    "grit": (0.03, 0.4),
    "relief": (0.1, 1.2),
}
LEVEL_RATIO = 1.6  # of one level to the next
# A low light from one side, as the guide asks, in three of five; else a hard light anywhere, or a soft one.
SINGLE_LIGHTS = ("low-sun", "low-lamp", "low-torch", "any-hard", "any-soft")
PAIR_LIGHTS = ("strong", "weak")
SPLIT_SHARE = 0.65  # of the light, that parts a strong torch from a weak one
ALBEDOS = ("paste", "photo")
HARD = ("sun", "lamp", "torch")
DAMP = 0.1  # share of captures with sealed or damp patches
ELEVATIONS_DEG = (8, 20, 35, 50, 65, 90)
# Stones and sand have no grain of their own in these.
GRAIN = {"shot": 0.12, "fractal": 0.05, "ground": 0.05, "flush": 0.05}


def levels_mm(process: str) -> tuple[float, ...]:
    """Sq from the lowest to the highest that a process leaves, evenly by ratio."""
    low, high = REACH_MM[process]
    count = max(round(math.log(high / low) / math.log(LEVEL_RATIO)), 1) + 1
    return tuple(low * (high / low) ** (k / (count - 1)) for k in range(count))


def plan_single(
    count: int, seed: int, *, data_dir: Path | None = None, small: bool = False, file_format: str = "jpg"
) -> list[Planned]:
    """Plan `count` captures of one photo, spread over process x level x light x albedo.

    The k-th plan depends on seed and data only, never on count. data_dir, small: as in `catalogue.plan_set`. The
    plan's fault is its albedo's source.
    """
    plans = []
    cells = spread(count, np.random.default_rng([seed, 27]), _levels(data_dir), SINGLE_LIGHTS, ALBEDOS)
    for k, (process, level, light, albedo) in enumerate(cells):
        own = np.random.default_rng([seed, k, 31])
        recipe = _draw(f"s{seed:02d}-{k:03d}-{process}", (process, level, albedo), own, data_dir)
        recipe = replace(
            recipe,
            light=_single_light(light, own),
            photos=1,
            sides_deg=(float(own.uniform(0, 360)),),
            tilt_deg=(0.0, 12.0),
            distance_mm=(300.0, 420.0),
        )
        plans.append(planned(recipe, albedo, own, seed * 100_003 + k, file_format, small=small))
    return plans


def plan_pair(
    count: int, seed: int, *, data_dir: Path | None = None, small: bool = False, file_format: str = "jpg"
) -> list[Planned]:
    """Plan `count` captures of two photos with the torch on opposite sides; else as `plan_single`."""
    plans = []
    cells = spread(count, np.random.default_rng([seed, 28]), _levels(data_dir), PAIR_LIGHTS, ALBEDOS)
    for k, (process, level, light, albedo) in enumerate(cells):
        own = np.random.default_rng([seed, k, 32])
        recipe = _draw(f"q{seed:02d}-{k:03d}-{process}", (process, level, albedo), own, data_dir)
        share = (0.3, SPLIT_SHARE) if light == "weak" else (SPLIT_SHARE, 0.95)
        recipe = replace(recipe, light=_room(own), photos=0, torch=_pair_torch(share, own))
        plans.append(planned(recipe, albedo, own, seed * 100_003 + k, file_format, small=small))
    return plans


def tags_of(recipe: CaptureRecipe) -> Mapping[str, str]:
    """What a quick capture may be grouped by: process, light, elevation, share, albedo, contrast, patches, rule.

    rule: "guide" where the light stands as the guide asks (from one side, 20-50 degrees, a third of the light at
    least), else "other".
    """
    light, torch = recipe.light, recipe.torch
    kind, share = light.kind, direct_share(light)
    elevation: float | None = light.elevation_deg if share > 0 or kind in ("window", "ceiling") else None
    low = kind in HARD and share >= 0.33 and 20 <= light.elevation_deg <= 50
    if torch is not None:
        kind, share, elevation = "torch", torch.share, float(np.mean(torch.elevation_deg))
        low = True
    paste = recipe.floor.albedo == "paste"
    contrast = recipe.floor.contrast if paste else recipe.floor.map_contrast
    return {
        "process": recipe.floor.process,
        "light": kind,
        "elevation": "none" if elevation is None else _band(elevation, ELEVATIONS_DEG, "deg"),
        "share": "none" if share <= 0 else _band(share, (0.0, 0.33, 0.65, 1.0), ""),
        "albedo": "paste" if paste else "photo",
        "map": "-" if paste else Path(recipe.floor.albedo).name.split("_diff")[0],
        "contrast": _band(contrast, (0.5, 0.85, 1.2, 1.6), "x"),
        "patches": "sealed" if recipe.floor.sealed > 0 else "none",
        "rule": "guide" if low else "other",
    }


def _band(value: float, edges: tuple[float, ...], unit: str) -> str:
    k = min(max(int(np.searchsorted(edges, value, side="right")) - 1, 0), len(edges) - 2)
    return f"{edges[k]:g}-{edges[k + 1]:g}{' ' if unit else ''}{unit}"


def _levels(data_dir: Path | None) -> dict[str, tuple[float, ...]]:
    return {p: levels_mm(p) for p in REACH_MM if data_dir is not None or p not in MEASURED_SHAPES}


def _draw(
    name: str, cell: tuple[str, float, str], rng: np.random.Generator, data_dir: Path | None
) -> CaptureRecipe:
    """Floor, print and phone; cell: process, Sq and albedo's source."""
    process, level_mm, source = cell
    low, high = REACH_MM[process]
    half = 0.5 * math.log(LEVEL_RATIO)
    contrast = float(np.exp(rng.uniform(np.log(0.5), np.log(1.6))))
    albedo = "paste" if source == "paste" else _map(rng, data_dir)
    floor = FloorRecipe(
        process,
        float(np.clip(level_mm * np.exp(rng.uniform(-half, half)), low, high)),
        band_mm=BAND_MM,
        albedo=albedo,
        contrast=contrast if albedo == "paste" else 1.0,
        map_contrast=1.0 if albedo == "paste" else contrast,
        data_dir=str(data_dir) if data_dir else None,
        px_per_mm=PX_PER_MM,
        fine=GRAIN.get(process, 0.0),
    )
    if rng.uniform() < DAMP:
        floor = replace(floor, sealed=float(rng.uniform(0.1, 0.5)), gloss=float(rng.uniform(0.2, 1.5)))
    return CaptureRecipe(
        name,
        floor,
        sheet=draw_sheet(rng),
        sensor=_sensor(rng),
        focal_px=float(rng.uniform(2800, 3050)),
        k1=float(rng.uniform(-0.03, 0.05)),
        k2=float(rng.uniform(-0.03, 0.02)),
        exposure_ev=0.15,
    )


def _map(rng: np.random.Generator, data_dir: Path | None) -> str:
    """A measured albedo map, paste where there is none."""
    maps = sorted((data_dir / "concrete_albedo").glob("*.jpg")) if data_dir else []
    maps = [m for m in maps if "mud" not in m.name]  # loose stones are no concrete
    return str(maps[int(rng.integers(len(maps)))]) if maps else "paste"


def _sensor(rng: np.random.Generator) -> SensorRecipe:
    """A phone of any make in any hand; a third hold still, sharpen little and leave the tone alone."""
    plain = rng.uniform() < 0.35
    return SensorRecipe(
        psf_px=float(rng.uniform(0.55, 0.85) if plain else rng.uniform(0.5, 1.6)),
        motion_px=float(rng.choice([0.0, 0.0, 1.0] if plain else [0.0, 1.0, 2.5])),
        motion_deg=float(rng.uniform(0, 180)),
        exposure=float(rng.uniform(0.65, 0.95)),
        snr_db=float(rng.uniform(29, 39)),
        sharpen=float(rng.uniform(0.1, 0.5) if plain else rng.uniform(0.3, 1.2)),
        s_curve=float(rng.uniform(0.0, 0.2) if plain else rng.uniform(0.0, 0.5)),
        lift_ev=0.0 if plain else float(rng.uniform(0.0, 0.5)),
        toe=0.0 if plain else float(rng.uniform(0.0, 0.2)),
        local=0.0 if plain else float(rng.uniform(0.0, 0.08)),
        denoise=0.0 if plain else float(rng.choice([0.0, rng.uniform(0.2, 0.7)])),
        vignette=float(rng.uniform(0.0, 0.08)),
        quality=int(rng.integers(72, 96)),
    )


def _single_light(family: str, rng: np.random.Generator) -> LightRecipe:
    """A light of one of SINGLE_LIGHTS."""
    azimuth = float(rng.uniform(0, 360))
    colour = (float(rng.uniform(0.94, 1.06)), 1.0, float(rng.uniform(0.94, 1.06)))
    if family == "any-soft":
        kind = ROOMS[int(rng.integers(len(ROOMS)))]
        elevation = float(rng.uniform(15, 50)) if kind == "window" else float(rng.uniform(50, 80))
        return LightRecipe(kind, azimuth, elevation, ambient_rgb=colour)
    low = family.startswith("low-")
    kind = family.removeprefix("low-") if low else HARD[int(rng.integers(len(HARD)))]
    elevation = float(rng.uniform(20, 50) if low else rng.uniform(8, 80))
    # The ambient share runs from 0.02 to all but a shadow that can be told.
    direct = float(rng.uniform(0.4, 0.95) if low else 1 - rng.uniform(0.02, 0.9))
    light = LightRecipe(kind, azimuth, elevation, direct=direct, ambient_rgb=colour)
    if kind == "sun":
        return light
    if kind == "lamp":
        return replace(light, half_angle_deg=float(np.exp(rng.uniform(np.log(0.3), np.log(8.0)))))
    return replace(
        light,
        distance_mm=float(rng.uniform(350, 1500)),
        source_mm=float(np.exp(rng.uniform(np.log(2.0), np.log(25.0)))),
        beam=_beam(rng),
        direct_rgb=_torch_rgb(rng),
        room=_room(rng),
    )


def _room(rng: np.random.Generator) -> LightRecipe:
    """The light beside the torch: an even hall, a far window or a bright ceiling panel."""
    kind, azimuth = ROOMS[int(rng.integers(len(ROOMS)))], float(rng.uniform(0, 360))
    colour = (float(rng.uniform(0.94, 1.06)), 1.0, float(rng.uniform(0.94, 1.06)))
    elevation = float(rng.uniform(20, 45)) if kind == "window" else float(rng.uniform(55, 75))
    return LightRecipe(kind, azimuth, elevation, ambient_rgb=colour)


def _beam(rng: np.random.Generator) -> Beam:
    """A phone's lamp or a torch: its unevenness."""
    return Beam(
        aim_mm=(float(rng.uniform(-25, 25)), float(rng.uniform(-25, 25))),
        power=float(rng.uniform(1.5, 4.5)),
        ring=float(rng.uniform(0.0, 0.08)),
        ring_deg=float(rng.uniform(12, 25)),
        spot=float(rng.uniform(0.0, 0.12)),
        turn_deg=float(rng.uniform(0, 360)),
    )


def _torch_rgb(rng: np.random.Generator) -> tuple[float, float, float]:
    return float(rng.uniform(0.93, 1.02)), 1.0, float(rng.uniform(0.98, 1.1))


def _pair_torch(share: tuple[float, float], rng: np.random.Generator) -> TorchRecipe:
    """A torch held low on one side, then across."""
    middle = float(rng.uniform(18, 42))
    return TorchRecipe(
        lights=2,
        # Either end off by as much: opposite within 25 degrees.
        scatter_deg=12.5,
        elevation_deg=(middle, middle),
        wobble_deg=3.0,
        distance_mm=(300.0, 500.0),
        share=float(rng.uniform(*share)),
        beam=_beam(rng),
        source_mm=float(rng.uniform(2.0, 4.0)),
        rgb=_torch_rgb(rng),
        white_held=bool(rng.uniform() < 0.5),
        locked=bool(rng.uniform() < 0.5),
        dark=False,
        exposure=float(rng.uniform(0.4, 0.6)),
        tilt_deg=(0.0, 10.0),
        phone_mm=(300.0, 420.0),
    )
