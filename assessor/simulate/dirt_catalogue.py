"""Seeded captures that surface findings are judged on: clean floors, patches of every kind, shadows, cut aggregate.

A third is clean, with all that may be taken for dirt. Most captures are one photo; some add a low photo toward the
light, some are `angles` or `torch`. Maps of measured albedo are those that no training uses.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from assessor.simulate.capture import CaptureRecipe
from assessor.simulate.caster import CasterRecipe
from assessor.simulate.catalogue import Planned, draw_sheet, planned
from assessor.simulate.cut_stones import FAMILIES
from assessor.simulate.dirt_draws import draw_dirt
from assessor.simulate.dirt_recipe import DirtRecipe
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import LightRecipe
from assessor.simulate.sensor import SensorRecipe
from assessor.simulate.torchlight import TorchRecipe

PX_PER_MM = 10.0
# Held out from training; how often each is taken.
MAPS = {
    "brushed_concrete": 0.4, "anti_slip_concrete": 0.12, "asphalt_02": 0.18, "asphalt_track": 0.2,
    "brown_mud_rocks_01": 0.1,
}  # fmt: skip
# Of 33 captures in a shuffled round: what lies on the floor, how it is shot.
ROUND = (
    ("clean-cut", ""), ("clean-cut", ""), ("clean-cut", ""), ("clean-cut", "low"), ("clean-cut", "angles"),
    ("clean-mottle", ""), ("clean-mottle", ""), ("clean-swirls", "low"), ("clean-joint", ""), ("clean-crack", ""),
    ("clean-colour", "torch"),
    ("oil", ""), ("oil", ""), ("oil", "low"), ("damp", ""), ("damp", ""), ("damp", "angles"), ("tyre", ""),
    ("dark", ""),
    ("light", ""), ("light", ""), ("light", ""), ("light", ""),
    ("sealer", ""), ("sealer", "low"), ("sealer", "low"), ("sealer", "angles"), ("coat", "low"),
    ("other", ""), ("other", ""),
    ("shadow", ""), ("shadow", "again"), ("shadow-oil", "again"),
)  # fmt: skip
LIGHT_LOOKS = ("dust", "footprint", "slurry", "laitance", "efflorescence")
OTHER_LOOKS = ("repair", "leaf", "tape", "adhesive", "rust")
COAT_LOOKS = ("coating", "islands", "islands")
DARK_LOOKS = ("adhesive", "rust", "coating", "islands")
SQ_MM = {"ground": (0.02, 0.14), "flush": (0.02, 0.1), "shot": (0.05, 0.3), "scarified": (0.2, 0.5),
         "fractal": (0.03, 0.2)}  # fmt: skip
GRAIN = {"shot": 0.12, "fractal": 0.05, "ground": 0.05, "flush": 0.05}


def plan_surface(
    count: int, seed: int, *, data_dir: Path | None = None, small: bool = False, file_format: str = "jpg"
) -> list[Planned]:
    """Plan `count` captures in shuffled rounds of ROUND; the plan's fault is its line there.

    The k-th plan depends on seed and data only, never on count. data_dir, small: as in `catalogue.plan_set`.
    """
    plans = []
    for k in range(count):
        turn = k // len(ROUND)
        shuffle = np.random.default_rng([seed, turn, 50])
        order = shuffle.permutation(len(ROUND))
        what, how = ROUND[order[k % len(ROUND)]]
        own = np.random.default_rng([seed, k, 51])
        recipe = _draw(f"f{seed:02d}-{k:03d}-{what}", what, how, own, data_dir)
        fault = f"{what}+{how}" if how else what
        plans.append(planned(recipe, fault, own, seed * 100_003 + k, file_format, small=small))
    return plans


def _draw(name: str, what: str, how: str, rng: np.random.Generator, data_dir: Path | None) -> CaptureRecipe:
    floor = _floor(what, rng, data_dir)
    dirt = _floor_looks(what, rng) + _dirt(what, rng)
    floor = replace(floor, dirt=dirt)
    recipe = CaptureRecipe(
        name,
        floor,
        light=_light(what, how, rng),
        sheet=draw_sheet(rng),
        sensor=_sensor(rng),
        photos=1,
        focal_px=float(rng.uniform(2750, 3100)),
        k1=float(rng.uniform(-0.03, 0.05)),
        k2=float(rng.uniform(-0.03, 0.02)),
        tilt_deg=(0.0, 12.0),
        distance_mm=(300.0, 420.0),
        sides_deg=(float(rng.uniform(0, 360)),),
        low_photo=how == "low",
        again=how == "again",
    )
    if what.startswith("shadow"):
        recipe = replace(recipe, casters=_casters(recipe.light, how, rng))
    if how == "angles":
        # A shiny floor shows it to a phone that leans enough, from the side opposite the light.
        shiny = what == "sealer"
        first = (
            recipe.light.azimuth_deg + 180 if shiny and rng.uniform() < 0.75 else float(rng.uniform(0, 360))
        )
        sides = tuple((first + 90.0 * k) % 360 for k in range(4))
        tilt = (18.0, 26.0) if shiny else (12.0, 18.0)
        return replace(recipe, photos=4, sides_deg=sides, tilt_deg=tilt)
    if how == "torch":
        return replace(recipe, photos=0, light=_room(rng), torch=_torch(rng))
    return recipe


def _floor(what: str, rng: np.random.Generator, data_dir: Path | None) -> FloorRecipe:
    """The floor under it all: process, stones, albedo."""
    cut = what == "clean-cut"
    names = (
        ("flush", "ground") if cut else ("ground", "ground", "flush", "shot", "shot", "scarified", "fractal")
    )
    process = names[int(rng.integers(len(names)))]
    low, high = SQ_MM[process]
    maps = [] if data_dir is None else sorted((data_dir / "concrete_albedo").glob("*.jpg"))
    albedo = "paste"
    half = 0.5 if what.startswith("clean") else 0.4
    if maps and rng.uniform() < (0.25 if cut else half):
        name = str(rng.choice(list(MAPS), p=list(MAPS.values()))) if not cut else "brushed_concrete"
        albedo = str(next(path for path in maps if name in path.name))
    busy = "mud" in albedo or "anti" in albedo
    contrast = float(np.exp(rng.uniform(np.log(0.6), np.log(1.5))))
    if cut:
        coarse, fine = float(rng.uniform(0.0, 0.45)), float(rng.uniform(0.0, 0.12))
    else:
        most = 0.0 if albedo != "paste" and "brushed" not in albedo else 0.35
        coarse = (
            float(rng.uniform(0, most))
            if process in ("flush", "ground")
            else float(rng.uniform(0, 0.2 * most))
        )
        fine = 0.2 * coarse
    return FloorRecipe(
        process,
        float(np.exp(rng.uniform(np.log(low), np.log(high)))),
        band_mm=(0.8, 25.0),
        albedo=albedo,
        contrast=contrast,
        map_contrast=min(contrast, 0.8) if busy else min(contrast, 1.2),
        data_dir=str(data_dir) if data_dir else None,
        px_per_mm=PX_PER_MM,
        fine=GRAIN.get(process, 0.0) * float(rng.uniform(0.5, 1.5)),
        family=FAMILIES[int(rng.integers(len(FAMILIES)))],
        stone_fraction=coarse,
        fine_fraction=fine,
        polish=float(rng.uniform(0.02, 0.15)) if rng.uniform() < 0.3 else 0.0,
    )


def _floor_looks(what: str, rng: np.random.Generator) -> tuple[DirtRecipe, ...]:
    """What a clean floor shows; dirty ones now and then too."""
    chosen = what.removeprefix("clean-") if what.startswith("clean") else ""
    found = []
    # A joint would hold all the skin that islands leave in the lows.
    kinds = ("mottle", "swirls") if what in ("coat", "dark") else ("mottle", "swirls", "joint", "crack")
    for kind in kinds:
        if kind == chosen or rng.uniform() < (0.12 if chosen else 0.10):
            found.append(_look(kind, kind == chosen, rng))
    if chosen == "colour":
        found.append(replace(_look("mottle", True, rng), size_mm=float(rng.uniform(90, 140))))
    return tuple(found)


def _look(kind: str, strong: bool, rng: np.random.Generator) -> DirtRecipe:
    seed = int(rng.integers(2**31))
    at = float(rng.uniform(-35, 35)), float(rng.uniform(-35, 35))
    turn = float(rng.uniform(0, 180))
    if kind == "mottle":
        amount = rng.uniform(0.07, 0.14) if strong else rng.uniform(0.02, 0.07)
        return DirtRecipe(kind, size_mm=float(rng.uniform(40, 130)), amount=float(amount), seed=seed)
    if kind == "swirls":
        return DirtRecipe(kind, amount=float(rng.uniform(0.05, 0.12) if strong else 0.04), seed=seed)
    edge = rng.uniform(2.5, 5.5) if kind == "joint" else np.exp(rng.uniform(np.log(0.12), np.log(1.0)))
    return DirtRecipe(kind, at, edge_mm=float(edge), turn_deg=turn, seed=seed)


def _dirt(what: str, rng: np.random.Generator) -> tuple[DirtRecipe, ...]:
    """The patch that this capture is about, and sometimes a second one."""
    kinds: dict[str, tuple[str, ...]] = {
        "oil": ("oil",), "damp": ("damp",), "tyre": ("tyre",), "dark": DARK_LOOKS, "light": LIGHT_LOOKS,
        "sealer": ("sealer",), "coat": COAT_LOOKS, "other": OTHER_LOOKS, "shadow-oil": ("oil", "damp"),
    }  # fmt: skip
    if what not in kinds:
        return ()
    choice = kinds[what]
    kind = choice[int(rng.integers(len(choice)))]
    first = draw_dirt(kind, rng, dark=what == "dark")
    if rng.uniform() < 0.08 and kind not in ("islands", "footprint"):
        second = ("oil", "damp", "dust")[int(rng.integers(3))]
        other = draw_dirt(second, rng)
        across = -30.0 if first.at_mm[0] > 0 else 30.0
        return first, replace(other, at_mm=(across, other.at_mm[1]), size_mm=min(other.size_mm, 30.0))
    return (first,)


def _colour(rng: np.random.Generator) -> tuple[float, float, float]:
    return float(rng.uniform(0.94, 1.06)), 1.0, float(rng.uniform(0.94, 1.06))


def _room(rng: np.random.Generator) -> LightRecipe:
    kind = ("overcast", "window", "ceiling")[int(rng.integers(3))]
    elevation = float(rng.uniform(20, 45)) if kind == "window" else float(rng.uniform(55, 75))
    return LightRecipe(kind, float(rng.uniform(0, 360)), elevation, ambient_rgb=_colour(rng))


def _light(what: str, how: str, rng: np.random.Generator) -> LightRecipe:
    """Any light for one photo; a low one where the crew shoots low toward it; a hard one that casts shadows."""
    azimuth = float(rng.uniform(0, 360))
    if what.startswith("shadow"):
        return _hard(azimuth, float(rng.uniform(25, 70)), rng)
    if how == "low":
        elevation = float(rng.uniform(28, 42))
        if rng.uniform() < 0.4:
            return LightRecipe("window", azimuth, elevation, ambient_rgb=_colour(rng))
        return _hard(azimuth, elevation, rng)
    if how == "angles" and what in ("sealer", "coat"):
        elevation = float(rng.uniform(60, 76))
        if rng.uniform() < 0.5:
            return LightRecipe("ceiling", azimuth, elevation, ambient_rgb=_colour(rng))
        return _hard(azimuth, elevation, rng)
    if rng.uniform() < 0.6:
        return _room(rng)
    return _hard(azimuth, float(rng.uniform(18, 70)), rng)


def _hard(azimuth: float, elevation: float, rng: np.random.Generator) -> LightRecipe:
    """Sun or a hall's lamp."""
    light = LightRecipe(
        "sun", azimuth, elevation, direct=float(rng.uniform(0.45, 0.88)), ambient_rgb=_colour(rng)
    )
    if rng.uniform() < 0.5:
        return light
    half = float(np.exp(rng.uniform(np.log(0.3), np.log(3.0))))
    warm = float(rng.uniform(0.95, 1.06)), 1.0, float(rng.uniform(0.9, 1.03))
    return replace(light, kind="lamp", half_angle_deg=half, direct_rgb=warm)


def _casters(light: LightRecipe, how: str, rng: np.random.Generator) -> tuple[CasterRecipe, ...]:
    """Who stands in the light of the first photo, and where they moved to before the second."""
    shape = ("head", "arm", "pole", "phone", "wall")[int(rng.integers(5))]
    far = {
        "head": (900, 2000),
        "arm": (250, 700),
        "pole": (150, 900),
        "phone": (250, 450),
        "wall": (500, 2500),
    }
    at = float(rng.uniform(-35, 35)), float(rng.uniform(-35, 35))
    turn = rng.uniform(-12, 12) if shape == "head" else rng.uniform(0, 360)
    first = CasterRecipe(
        shape, at, float(rng.uniform(*far[shape])), float(turn), float(rng.uniform(0.8, 1.2))
    )
    if how != "again":
        return (first,)
    way, reach = rng.uniform(0, 2 * np.pi), rng.uniform(45, 160)
    moved = at[0] + float(reach * np.cos(way)), at[1] + float(reach * np.sin(way))
    return first, replace(first, at_mm=moved, turn_deg=first.turn_deg + float(rng.uniform(-25, 25)))


def _sensor(rng: np.random.Generator) -> SensorRecipe:
    """A phone of any make in a hand that holds fairly still."""
    plain = rng.uniform() < 0.4
    return SensorRecipe(
        psf_px=float(rng.uniform(0.55, 0.9) if plain else rng.uniform(0.5, 1.4)),
        motion_px=float(rng.choice([0.0, 0.0, 1.0, 2.0])),
        motion_deg=float(rng.uniform(0, 180)),
        exposure=float(rng.uniform(0.62, 0.92)),
        snr_db=float(rng.uniform(30, 39)),
        sharpen=float(rng.uniform(0.1, 0.5) if plain else rng.uniform(0.3, 1.0)),
        s_curve=float(rng.uniform(0.0, 0.2) if plain else rng.uniform(0.0, 0.45)),
        lift_ev=0.0 if plain else float(rng.uniform(0.0, 0.4)),
        toe=0.0 if plain else float(rng.uniform(0.0, 0.15)),
        local=0.0 if plain else float(rng.uniform(0.0, 0.08)),
        denoise=0.0 if plain else float(rng.choice([0.0, rng.uniform(0.2, 0.6)])),
        vignette=float(rng.uniform(0.0, 0.08)),
        quality=int(rng.integers(72, 94)),
    )


def _torch(rng: np.random.Generator) -> TorchRecipe:
    return TorchRecipe(
        lights=8, share=float(rng.uniform(0.6, 0.85)), exposure=float(rng.uniform(0.42, 0.58)),
        locked=bool(rng.uniform() < 0.6), white_held=bool(rng.uniform() < 0.6),
    )  # fmt: skip
