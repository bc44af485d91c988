"""Seeded recipes over every process, level, light and fault: the check set that bias and coverage are judged on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np

from assessor.card.layout import PAPERS_MM
from assessor.simulate.capture import CaptureRecipe
from assessor.simulate.faults import FAULTS, with_fault
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
    "bumps": (0.05, 0.12),
    "pits": (0.05, 0.12),
}
LIGHTS = ("overcast", "window", "sun")
MEASURED_SHAPES = ("grit", "relief")


@dataclass(frozen=True, slots=True)
class Planned:
    """A recipe of the check set with what the crew's tape says about its print: bars along and across, mm.

    fault: what is the matter with phone or site. expected: codes of the errors that would be right, empty where
    the capture was shot as the guide says and must be measured (see `spoiled`).
    """

    recipe: CaptureRecipe
    measured_bars_mm: tuple[float, float]
    fault: str = "none"
    expected: tuple[str, ...] = ()


def plan_set(
    count: int, seed: int, *, data_dir: Path | None = None, small: bool = False, file_format: str = "jpg"
) -> list[Planned]:
    """Plan `count` captures shot as the guide says, spread evenly over process x level x light x fault.

    The k-th plan depends on seed and data only, never on count. data_dir: the folder with measured shapes and
    albedo maps; without it grit, relief and map albedo are left out. small: half the pixels each way and half the
    floor's density, for quick runs.
    """
    rng = np.random.default_rng([seed, 7])
    plans = []
    levels = {p: v for p, v in LEVELS_MM.items() if data_dir is not None or p not in MEASURED_SHAPES}
    for k, (process, level, light, fault) in enumerate(spread(count, rng, levels, LIGHTS, FAULTS)):
        own = np.random.default_rng([seed, k])
        recipe = _draw(f"c{seed:02d}-{k:03d}-{process}", (process, level, light), own, data_dir)
        recipe = with_fault(recipe, fault, np.random.default_rng([seed, k, 9]))
        sensor = replace(recipe.sensor, file_format=file_format)
        recipe = replace(recipe, seed=seed * 100_003 + k, sensor=sensor)
        plans.append(Planned(shrink_recipe(recipe) if small else recipe, read_tape(recipe.sheet, own), fault))
    return plans


def shrink_recipe(recipe: CaptureRecipe) -> CaptureRecipe:
    """The same capture at half the pixels each way and half the floor's density."""
    width, height = recipe.size_px
    return replace(
        recipe,
        size_px=(width // 2, height // 2),
        focal_px=recipe.focal_px / 2,
        centre_px=recipe.centre_px / 2,
        floor=replace(recipe.floor, px_per_mm=recipe.floor.px_per_mm / 2),
    )


Cell = tuple[str, float, str, str]  # process, level, light, fault


def spread(
    count: int,
    rng: np.random.Generator,
    levels: dict[str, tuple[float, ...]],
    lights: tuple[str, ...],
    faults: tuple[str, ...],
) -> list[Cell]:
    """Every process in turn; each time the cell that was met least, ties by lot.

    What counts are the values alone and in pairs, so that each fault meets every process, level and light before
    any pair of them comes again (a Latin square where the numbers allow one).
    """
    names = list(levels)
    sizes = (len(names), 0, len(lights), len(faults))
    met: dict[tuple[object, ...], int] = {}
    drawn = []
    for k in range(count):
        name = names[k % len(names)]
        cells = list(product((name,), levels[name], lights, faults))
        spans = (sizes[0], len(levels[name]), *sizes[2:])
        cost = [sum(w * met.get(key, 0) for key, w in _keys(cell, spans)) for cell in cells]
        least = min(cost)
        ties = [cell for cell, c in zip(cells, cost, strict=True) if c < least + 1e-9]
        cell = ties[int(rng.integers(len(ties)))]
        for key, _ in _keys(cell, spans):
            met[key] = met.get(key, 0) + 1
        drawn.append(cell)
    return drawn


def _keys(cell: Cell, spans: tuple[int, ...]) -> list[tuple[tuple[object, ...], float]]:
    """What is counted about a cell, each with a weight: a rare key (many values) weighs as much as a common one."""
    process, level, light, fault = cell
    _, levels, lights, faults = spans
    return [
        ((process, "fault", fault), 8.0 * faults),
        ((process, "level", level), 4.0 * levels),
        ((process, "light", light), 4.0 * lights),
        ((process, level, light), 1.0 * levels * lights),
        ((process, level, fault), 1.0 * levels * faults),
        ((process, light, "with", fault), 1.0 * lights * faults),
        (("fault", fault), 1.0 * faults / spans[0]),
        (("pair", light, fault), 2.0 * lights * faults / spans[0]),
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
        albedo=draw_albedo(rng, data_dir),
        contrast=float(rng.uniform(0.6, 1.4)),
        data_dir=str(data_dir) if data_dir else None,
    )
    sheet = draw_sheet(rng)
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
        exposure_ev=0.1,
    )


def draw_sheet(rng: np.random.Generator) -> SheetRecipe:
    """A print as home printers make it, laid by a careful hand."""
    common = rng.uniform(0.965, 1.015)
    return SheetRecipe(
        serial=int(rng.integers(0, 65536)),
        paper=sorted(PAPERS_MM)[int(rng.integers(2))],
        scale_x=float(common + rng.uniform(-0.004, 0.004)),
        scale_y=float(common + rng.uniform(-0.004, 0.004)),
        paper_white=float(rng.uniform(0.78, 0.9)),
        ink_black=float(rng.uniform(0.03, 0.07)),
        ink_spread_mm=float(rng.uniform(0.0, 0.06)),
        grey_power=float(rng.uniform(0.8, 1.3)),
        bow_mm=(float(rng.uniform(-0.6, 0.6)), float(rng.uniform(-0.2, 0.2)), float(rng.uniform(-0.6, 0.6))),
        cockle_mm=float(rng.uniform(0.03, 0.15)),
    )


def draw_albedo(rng: np.random.Generator, data_dir: Path | None) -> str:
    """Paste, or one of the measured maps where there are any."""
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


def read_tape(sheet: SheetRecipe, rng: np.random.Generator) -> tuple[float, float]:
    """Bars as read with a tape: true length plus 0.15 mm of reading, to the nearest half millimetre."""
    along, across = 250.0 * sheet.scale_y, 180.0 * sheet.scale_x
    read = [round(2 * (bar + rng.normal(0, 0.15))) / 2 for bar in (along, across)]
    return read[0], read[1]


def planned(
    recipe: CaptureRecipe,
    fault: str,
    rng: np.random.Generator,
    seed: int,
    file_format: str,
    *,
    small: bool,
) -> Planned:
    """The plan of a recipe: seeded, in the format asked for, with the tape read; fault: what tells it apart."""
    recipe = replace(recipe, seed=seed, sensor=replace(recipe.sensor, file_format=file_format))
    return Planned(shrink_recipe(recipe) if small else recipe, read_tape(recipe.sheet, rng), fault)
