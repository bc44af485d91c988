"""Seeded recipes of `torch` captures, of captures with angles too (`fused`), and of torch captures that break rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from assessor.simulate.beam import Beam
from assessor.simulate.capture import CaptureRecipe
from assessor.simulate.catalogue import (
    MEASURED_SHAPES,
    Planned,
    draw_albedo,
    draw_sheet,
    planned,
    shrink_recipe,
    spread,
)
from assessor.simulate.faults import with_fault
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import ROOMS, LightRecipe
from assessor.simulate.sensor import SensorRecipe
from assessor.simulate.torchlight import TorchRecipe

BAND_MM = (0.5, 8.0)  # in which levels are reached
STEEP_MM = 0.2  # over this Sq in 0.5-25 mm the guide wants the torch higher
LOW_DEG, HIGH_DEG = (18.0, 30.0), (30.0, 40.0)
# Sq in 0.5-8 mm: finely prepared floors, where the kind is at home, and some that are too coarse for a low torch.
TORCH_LEVELS_MM: dict[str, tuple[float, ...]] = {
    "ground": (0.012, 0.02, 0.035, 0.06, 0.1, 0.16),
    "shot": (0.03, 0.06, 0.1, 0.16, 0.28),
    "flush": (0.015, 0.03, 0.06, 0.12),
    "fractal": (0.012, 0.025, 0.05, 0.1, 0.18),
    "grit": (0.02, 0.05, 0.1),
    "bumps": (0.03, 0.08),
    "pits": (0.03, 0.08),
}
# Sq in 2.5-25 mm, where angles see too.
FUSED_LEVELS_MM: dict[str, tuple[float, ...]] = {
    "ground": (0.1, 0.16),
    "shot": (0.1, 0.2, 0.4),
    "fractal": (0.1, 0.2, 0.4),
    "flush": (0.1,),
    "grit": (0.1, 0.2),
}
COUNTS = ("8", "4")  # lights; every fifth capture has 6 instead
TORCH_FAULTS = (
    "none", "rolling", "shading", "denoise", "cockle", "sealed", "balance", "unlocked", "no-dark", "uneven",
)  # fmt: skip
FUSED_FAULTS = ("none", "rolling", "shading", "breathing", "stabiliser")
# Sq in 0.5-25 mm over that in 0.5-8 mm, as these floors have it (seed 3, 0.1 mm).
LONG_SHARE = {"ground": 1.33, "flush": 1.33, "shot": 1.6, "fractal": 2.4, "grit": 3.2}
# Stones and sand have no grain of their own in these.
GRAIN = {"shot": 0.12, "fractal": 0.05, "ground": 0.05, "flush": 0.05}


def plan_torch(
    count: int, seed: int, *, data_dir: Path | None = None, small: bool = False, file_format: str = "jpg"
) -> list[Planned]:
    """Plan `count` torch captures shot as the guide says, spread over process x level x lights x fault.

    The k-th plan depends on seed and data only, never on count. data_dir, small: as in `catalogue.plan_set`.
    """
    levels = _levels(TORCH_LEVELS_MM, data_dir)
    plans = []
    cells = spread(count, np.random.default_rng([seed, 17]), levels, COUNTS, TORCH_FAULTS)
    for k, (process, level, lights, fault) in enumerate(cells):
        own = np.random.default_rng([seed, k, 21])
        sides = 6 if k % 5 == 3 else int(lights)
        name = f"t{seed:02d}-{k:03d}-{process}-{sides}"
        recipe = _draw(name, (process, _smeared(level, own), sides), own, data_dir)
        recipe = _with_torch_fault(recipe, fault, own)
        plans.append(planned(recipe, fault, own, seed * 100_003 + k, file_format, small=small))
    return plans


def plan_fused(
    count: int, seed: int, *, data_dir: Path | None = None, small: bool = False, file_format: str = "jpg"
) -> list[Planned]:
    """Plan `count` captures of four photos from the sides and eight or four with a torch over one card."""
    levels = _levels(FUSED_LEVELS_MM, data_dir)
    plans = []
    cells = spread(count, np.random.default_rng([seed, 18]), levels, COUNTS, FUSED_FAULTS)
    for k, (process, level, lights, fault) in enumerate(cells):
        own = np.random.default_rng([seed, k, 22])
        name = f"f{seed:02d}-{k:03d}-{process}-{lights}"
        recipe = _draw(name, (process, _smeared(level, own), int(lights)), own, data_dir)
        near, torch = float(own.uniform(300, 350)), recipe.torch
        assert torch is not None
        recipe = replace(
            recipe,
            photos=4,
            floor=replace(recipe.floor, band_mm=(2.5, 25.0)),
            sensor=replace(recipe.sensor, exposure=float(own.uniform(0.7, 0.95))),
            tilt_deg=(12.0, 17.0),
            distance_mm=(near, near + 60),
            exposure_ev=0.1,
            # The level is that of 2.5-25 mm here, nearly all of 0.5-25.
            torch=replace(torch, elevation_deg=HIGH_DEG if level >= STEEP_MM else LOW_DEG),
        )
        recipe = with_fault(recipe, fault, own)
        plans.append(planned(recipe, fault, own, seed * 100_003 + k, file_format, small=small))
    return plans


def _levels(of: dict[str, tuple[float, ...]], data_dir: Path | None) -> dict[str, tuple[float, ...]]:
    return {p: levels for p, levels in of.items() if data_dir is not None or p not in MEASURED_SHAPES}


def _smeared(level_mm: float, rng: np.random.Generator) -> float:
    """The middle of a cell is not special."""
    return float(np.clip(level_mm * np.exp(rng.uniform(-0.2, 0.2)), 0.012, 0.5))


def _draw(
    name: str, cell: tuple[str, float, int], rng: np.random.Generator, data_dir: Path | None
) -> CaptureRecipe:
    """Everything a crew that follows the guide leaves to chance; cell: process, Sq and number of lights."""
    process, level_mm, lights = cell
    floor = FloorRecipe(
        process,
        level_mm,
        band_mm=BAND_MM,
        albedo="paste" if process == "flush" else draw_albedo(rng, data_dir),
        contrast=float(rng.uniform(0.6, 1.4)),
        data_dir=str(data_dir) if data_dir else None,
        fine=GRAIN.get(process, 0.0),
    )
    sheet = draw_sheet(rng)
    sensor = SensorRecipe(
        psf_px=float(rng.uniform(0.55, 0.85)),
        motion_px=float(rng.choice([0.0, 0.0, 1.0])),
        motion_deg=float(rng.uniform(0, 180)),
        snr_db=float(rng.uniform(33, 39)),
        sharpen=float(rng.uniform(0.2, 0.6)),
        s_curve=float(rng.uniform(0.0, 0.35)),
        lift_ev=float(rng.uniform(0.0, 0.3)),
        vignette=float(rng.uniform(0.0, 0.06)),
    )
    return CaptureRecipe(
        name,
        floor,
        light=_room(rng),
        sheet=sheet,
        sensor=sensor,
        photos=0,
        focal_px=float(rng.uniform(2800, 3050)),
        k1=float(rng.uniform(-0.03, 0.05)),
        k2=float(rng.uniform(-0.03, 0.02)),
        torch=_torch(
            lights, HIGH_DEG if level_mm * LONG_SHARE.get(process, 1.0) > STEEP_MM else LOW_DEG, rng
        ),
    )


def _room(rng: np.random.Generator) -> LightRecipe:
    """The light beside the torch: an even hall, a far window or a bright ceiling panel."""
    kind, azimuth = ROOMS[int(rng.integers(len(ROOMS)))], float(rng.uniform(0, 360))
    colour = (float(rng.uniform(0.94, 1.06)), 1.0, float(rng.uniform(0.94, 1.06)))
    elevation = float(rng.uniform(20, 45)) if kind == "window" else float(rng.uniform(55, 75))
    return LightRecipe(kind, azimuth, elevation, ambient_rgb=colour)


def _torch(lights: int, elevation_deg: tuple[float, float], rng: np.random.Generator) -> TorchRecipe:
    """A phone's lamp in a helper's hand."""
    beam = Beam(
        power=float(rng.uniform(1.5, 4.5)),
        ring=float(rng.uniform(0.0, 0.08)),
        ring_deg=float(rng.uniform(12, 25)),
        spot=float(rng.uniform(0.0, 0.12)),
        turn_deg=float(rng.uniform(0, 360)),
    )
    return TorchRecipe(
        lights=lights,
        elevation_deg=elevation_deg,
        share=float(rng.uniform(0.4, 0.95)),
        beam=beam,
        source_mm=float(rng.uniform(2.0, 4.0)),
        rgb=(float(rng.uniform(0.93, 1.02)), 1.0, float(rng.uniform(0.98, 1.1))),
        exposure=float(rng.uniform(0.4, 0.55)),
    )


def _with_torch_fault(recipe: CaptureRecipe, fault: str, rng: np.random.Generator) -> CaptureRecipe:
    """The same capture with one of TORCH_FAULTS; it must still be measured."""
    torch = recipe.torch
    assert torch is not None
    if fault == "sealed":
        floor = replace(
            recipe.floor, sealed=float(rng.uniform(0.1, 0.35)), gloss=float(rng.uniform(0.5, 1.5))
        )
        return replace(recipe, floor=floor)
    if fault == "denoise":
        return replace(recipe, sensor=replace(recipe.sensor, denoise=float(rng.uniform(0.2, 0.5))))
    changed: dict[str, TorchRecipe] = {
        "balance": replace(torch, white_held=False),
        "unlocked": replace(torch, locked=False),
        "no-dark": replace(torch, dark=False),
        "uneven": replace(torch, aim_mm=60.0, beam=replace(torch.beam or Beam(), ring=0.15, spot=0.25)),
    }
    if fault in changed:
        return replace(recipe, torch=changed[fault])
    return with_fault(recipe, fault, rng)


Change = Callable[[CaptureRecipe, TorchRecipe, np.random.Generator], CaptureRecipe]


def _relit(recipe: CaptureRecipe, torch: TorchRecipe, rng: np.random.Generator) -> CaptureRecipe:
    return replace(recipe, sensor=replace(recipe.sensor, local=float(rng.uniform(0.15, 0.25))))


def _weak(recipe: CaptureRecipe, torch: TorchRecipe, rng: np.random.Generator) -> CaptureRecipe:
    return replace(recipe, torch=replace(torch, share=float(rng.uniform(0.05, 0.25))))


def _one_side(recipe: CaptureRecipe, torch: TorchRecipe, rng: np.random.Generator) -> CaptureRecipe:
    return replace(recipe, torch=replace(torch, arc_deg=float(rng.uniform(40, 80))))


def _tabs_down(recipe: CaptureRecipe, torch: TorchRecipe, rng: np.random.Generator) -> CaptureRecipe:
    return replace(recipe, sheet=replace(recipe.sheet, tabs_up=False))


def _three_sides(recipe: CaptureRecipe, torch: TorchRecipe, rng: np.random.Generator) -> CaptureRecipe:
    return replace(recipe, torch=replace(torch, lights=3))


def _coarse(recipe: CaptureRecipe, torch: TorchRecipe, rng: np.random.Generator) -> CaptureRecipe:
    floor = replace(recipe.floor, process="scabbled", sq_mm=float(rng.uniform(0.9, 1.3)), band_mm=(2.5, 25.0))
    return replace(recipe, floor=floor, torch=replace(torch, elevation_deg=LOW_DEG))


def _defocus(recipe: CaptureRecipe, torch: TorchRecipe, rng: np.random.Generator) -> CaptureRecipe:
    return replace(recipe, sensor=replace(recipe.sensor, defocus_px=float(rng.uniform(7, 11))))


def _far(recipe: CaptureRecipe, torch: TorchRecipe, rng: np.random.Generator) -> CaptureRecipe:
    return replace(recipe, torch=replace(torch, phone_mm=(900.0, 1100.0)))


# What spoils, how, and the error codes that would be right.
TORCH_SPOILED: dict[str, tuple[Change, tuple[str, ...]]] = {
    "relit": (_relit, ("phone-relit",)),
    "weak": (_weak, ("torch-too-weak", "kind-unclear")),
    "one-side": (_one_side, ("torches-alike",)),
    "tabs-down": (_tabs_down, ("torches-alike", "kind-unclear")),
    "three-sides": (_three_sides, ("torches-alike", "kind-unclear")),
    "coarse": (_coarse, ("too-coarse-for-torch",)),
    "defocus": (_defocus, ("too-blurred",)),
    "too-far": (_far, ("too-far",)),
}


def plan_torch_spoiled(
    count: int, seed: int, *, data_dir: Path | None = None, small: bool = False, file_format: str = "jpg"
) -> list[Planned]:
    """Plan `count` torch captures that must be refused, each kind of TORCH_SPOILED in turn."""
    plans, kinds = [], list(TORCH_SPOILED)
    for k, plan in enumerate(plan_torch(count, seed, data_dir=data_dir, file_format=file_format)):
        # Kinds move on by one each round, so that each meets every process in time.
        kind = kinds[(k + k // len(kinds)) % len(kinds)]
        change, expected = TORCH_SPOILED[kind]
        torch = plan.recipe.torch
        assert torch is not None
        recipe = change(plan.recipe, torch, np.random.default_rng([seed, k, 23]))
        recipe = replace(recipe, name=f"u{seed:02d}-{k:03d}-{kind}")
        recipe = shrink_recipe(recipe) if small else recipe
        # The judge takes the last code for "too few are left".
        plans.append(replace(plan, recipe=recipe, fault=kind, expected=(*expected, "too-few-photos")))
    return plans
