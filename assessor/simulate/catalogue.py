"""Seeded recipes over every process, level and light: the check set that bias and coverage are judged on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from assessor.card.layout import PAPERS_MM
from assessor.simulate.capture import CaptureRecipe
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import LightRecipe
from assessor.simulate.sensor import SensorRecipe
from assessor.simulate.sheet import SheetRecipe

# Sq in 2.5-25 mm that each process is used for (domain knowledge of the trade: common practice).
LEVELS_MM: dict[str, tuple[float, ...]] = {
    "ground": (0.02, 0.04, 0.08, 0.16),
    "shot": (0.05, 0.1, 0.2, 0.4),
    "scarified": (0.2, 0.4, 0.8, 1.3),
    "scabbled": (0.4, 0.8, 1.3),
    "aggregate": (0.2, 0.4, 0.8, 1.3),
    "fractal": (0.02, 0.05, 0.1, 0.2, 0.4),
    "grit": (0.03, 0.08, 0.2),
    "relief": (0.15, 0.4, 0.8),
}
LIGHTS = ("overcast", "window", "sun")
MEASURED_SHAPES = ("grit", "relief")


@dataclass(frozen=True, slots=True)
class Planned:
    """A recipe of the check set with what the crew's tape says about its print: bars along and across, mm."""

    recipe: CaptureRecipe
    measured_bars_mm: tuple[float, float]


def plan_set(
    count: int, seed: int, *, data_dir: Path | None = None, small: bool = False, file_format: str = "jpg"
) -> list[Planned]:
    """Plan `count` captures, the same for the same seed, spread evenly over process x level x light.

    data_dir: the folder with measured shapes and albedo maps; without it grit, relief and map albedo are
    left out. small: half the pixels each way and half the floor's density, for quick runs.
    """
    rng = np.random.default_rng([seed, 7])
    plans = []
    for k, (process, level, light) in enumerate(_spread(count, rng, measured=data_dir is not None)):
        own = np.random.default_rng([seed, k])
        recipe = _draw(f"c{seed:02d}-{k:03d}-{process}", (process, level, light), own, data_dir)
        sensor = replace(recipe.sensor, file_format=file_format)
        recipe = replace(recipe, seed=seed * 100_003 + k, sensor=sensor)
        if small:
            width, height = recipe.size_px
            recipe = replace(
                recipe,
                size_px=(width // 2, height // 2),
                focal_px=recipe.focal_px / 2,
                floor=replace(recipe.floor, px_per_mm=recipe.floor.px_per_mm / 2),
            )
        plans.append(Planned(recipe, _tape(recipe.sheet, own)))
    return plans


def _spread(count: int, rng: np.random.Generator, *, measured: bool) -> list[tuple[str, float, str]]:
    """Every process in turn, each walking through its levels and lights in a shuffled order."""
    names = [p for p in LEVELS_MM if measured or p not in MEASURED_SHAPES]
    queues = {}
    for name in names:
        cells = [(name, level, light) for level in LEVELS_MM[name] for light in LIGHTS]
        queues[name] = [cells[i] for i in rng.permutation(len(cells))]
    return [
        queues[names[k % len(names)]][(k // len(names)) % len(queues[names[k % len(names)]])]
        for k in range(count)
    ]


def _draw(
    name: str, cell: tuple[str, float, str], rng: np.random.Generator, data_dir: Path | None
) -> CaptureRecipe:
    """Everything a crew that follows the guide leaves to chance."""
    process, level, kind = cell
    floor = FloorRecipe(
        process,
        # The middle of a cell is not special: levels are smeared by a fifth, inside 0.02-1.4 mm.
        float(np.clip(level * np.exp(rng.uniform(-0.2, 0.2)), 0.02, 1.4)),
        albedo=_albedo(rng, data_dir),
        contrast=float(rng.uniform(0.6, 1.4)),
        data_dir=str(data_dir) if data_dir else None,
    )
    common = rng.uniform(0.965, 1.015)
    sheet = SheetRecipe(
        serial=int(rng.integers(0, 65536)),
        paper=sorted(PAPERS_MM)[int(rng.integers(2))],
        scale_x=float(common + rng.uniform(-0.004, 0.004)),
        scale_y=float(common + rng.uniform(-0.004, 0.004)),
        paper_white=float(rng.uniform(0.78, 0.9)),
        ink_black=float(rng.uniform(0.03, 0.07)),
        ink_spread_mm=float(rng.uniform(0.0, 0.06)),
        grey_power=float(rng.uniform(0.8, 1.3)),
        bow_mm=(float(rng.uniform(-0.6, 0.6)), float(rng.uniform(-0.2, 0.2)), float(rng.uniform(-0.6, 0.6))),
        cockle_mm=float(rng.uniform(0.05, 0.3)),
    )
    sensor = SensorRecipe(
        psf_px=float(rng.uniform(0.55, 0.85)),
        defocus_px=float(rng.choice([0.0, 0.0, 1.0])),
        motion_px=float(rng.choice([0.0, 0.0, 1.5])),
        motion_deg=float(rng.uniform(0, 180)),
        exposure=float(rng.uniform(0.7, 0.95)),
        snr_db=float(rng.uniform(33, 39)),
        sharpen=float(rng.uniform(0.2, 0.6)),
        s_curve=float(rng.uniform(0.0, 0.3)),
        local=float(rng.uniform(0.0, 0.08)),
        vignette=float(rng.uniform(0.0, 0.08)),
    )
    near = float(rng.uniform(300, 370))
    return CaptureRecipe(
        name,
        floor,
        light=_light(kind, rng),
        sheet=sheet,
        sensor=sensor,
        focal_px=float(rng.uniform(2800, 3050)),
        k1=float(rng.uniform(-0.03, 0.05)),
        k2=float(rng.uniform(-0.03, 0.02)),
        # Coarse floors want less tilt, fine floors more (the shooting guide).
        tilt_deg=(15.0, 20.0) if level < 0.1 else (10.0, 16.0),
        distance_mm=(near, near + 70),
    )


def _albedo(rng: np.random.Generator, data_dir: Path | None) -> str:
    maps = sorted((data_dir / "concrete_albedo").glob("*.jpg")) if data_dir else []
    maps = [m for m in maps if "mud" not in m.name]  # loose stones are no concrete
    if not maps or rng.uniform() < 0.6:
        return "paste"
    return str(maps[int(rng.integers(len(maps)))])


def _light(kind: str, rng: np.random.Generator) -> LightRecipe:
    azimuth = float(rng.uniform(0, 360))
    if kind == "sun":
        return LightRecipe("sun", azimuth, float(rng.uniform(25, 50)), 0.27, float(rng.uniform(0.7, 0.85)))
    if kind == "window":
        return LightRecipe("window", azimuth, float(rng.uniform(20, 45)), ambient_rgb=(1.0, 1.0, 0.97))
    return LightRecipe("overcast", azimuth, ambient_rgb=(0.97, 1.0, 1.04))


def _tape(sheet: SheetRecipe, rng: np.random.Generator) -> tuple[float, float]:
    """Bars as read with a tape: true length plus 0.15 mm of reading, to the nearest half millimetre."""
    along, across = 250.0 * sheet.scale_y, 180.0 * sheet.scale_x
    read = [round(2 * (bar + rng.normal(0, 0.15))) / 2 for bar in (along, across)]
    return read[0], read[1]
