"""Floors with known heights: shape by process, amplitude by a stated Sq, colour by paste and stones.

The card rests on the floor's highest peaks (the 99.95 % quantile), so with the paper's thickness almost
every height is negative. Heights are in the card frame: z = 0 is the top of the paper, row 0 lies at the
largest y.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from assessor.simulate import processes, real_shapes
from assessor.simulate.albedo import paint_flush, paint_stones, paste_albedo, photo_albedo
from assessor.simulate.cut_stones import pack_sections, paint_family
from assessor.simulate.dirt import Dirt, soil_floor
from assessor.simulate.dirt_recipe import DirtRecipe
from assessor.simulate.imaging import blur, shrink
from assessor.simulate.layers import polished
from assessor.simulate.noise import fractal_field
from assessor.simulate.soil import Film
from assessor.simulate.stones import Stones, make_stones
from assessor.values import FloatArray, freeze

PROCESSES = (
    "ground", "shot", "scarified", "scabbled", "aggregate",
    "fractal", "grit", "relief", "flat", "bumps", "pits", "flush",
)  # fmt: skip
# 50 % cut-offs of ISO 16610-61 as the standard deviation of the Gaussian: sqrt(ln 2 / (2 pi^2)).
SIGMA_PER_CUTOFF = 0.18739

# Steepest slope (99.5 % quantile over 0.1 mm, 68 degrees) that broken mortar is given; common practice.
STEEPEST = 2.5
FINE_MM = (0.15, 1.5)
SEALED_DARKER = 0.2  # a film shows concrete darker: common practice
_FORMULAS = {
    "ground": processes.ground,
    "shot": processes.shot,
    "scabbled": processes.scabbled,
    "fractal": processes.fractal,
    "bumps": processes.bumps,
    "pits": processes.pits,
    "flush": processes.ground,
}


@dataclass(frozen=True, slots=True)
class FloorRecipe:
    """What to make. sq_mm is reached in `band_mm` (S and L cut-off) on the middle 108 mm, or over all
    wavelengths where band_mm is None. lay_deg: direction of ridges, 0-180 from card +x, None draws one.
    albedo: "paste" or the path of a delit albedo map; contrast scales the mottling of the one, map_contrast all of the
    other's. data_dir: ../shared/data, for grit and relief. sealed: share of
    the floor under patches of sealer, which shine with gloss (see `gloss`). fine: rms of added grain, wavelengths of
    FINE_MM, over the shape's. dirt: what lies on it (see `dirt`). family: stones as a grinder cuts them, in the
    colours of one of `cut_stones.FAMILIES`; stone_fraction is then that of coarse ones alone and fine_fraction that of
    those of 2-4.75 mm. polish: strength of these stones' own dull shine.
    """

    process: str
    sq_mm: float = 0.1
    band_mm: tuple[float, float] | None = (2.5, 25.0)
    lay_deg: float | None = None
    albedo: str = "paste"
    contrast: float = 1.0
    map_contrast: float = 1.0
    stone_fraction: float | None = None
    paper_mm: float = 0.25
    side_mm: float = 140.0
    px_per_mm: float = 20.0
    data_dir: str | None = None
    sealed: float = 0.0
    gloss: float = 1.0
    fine: float = 0.0
    dirt: tuple[DirtRecipe, ...] = ()
    family: str = ""
    fine_fraction: float = 0.05
    polish: float = 0.0


@dataclass(frozen=True, eq=False)
class Floor:
    """A floor: height_mm (n, n) float32 below the card plane, albedo (n, n, 3) linear reflectance, stones.

    lay_deg: direction of the texture where the process has one, else None. gloss (n, n): strength of the shine of
    sealed patches, None where there are none. films: skins with a shine of their own (see `film`). dirt: every patch;
    bare_linear: albedo without them, None where there are none.
    """

    height_mm: FloatArray
    albedo_linear: FloatArray
    stones: Stones
    px_per_mm: float
    lay_deg: float | None
    recipe: FloorRecipe
    gloss: FloatArray | None = None
    films: tuple[Film, ...] = ()
    dirt: tuple[Dirt, ...] = ()
    bare_linear: FloatArray | None = None

    def __post_init__(self) -> None:
        for array in (self.height_mm, self.albedo_linear, self.gloss, self.bare_linear):
            freeze(array)


def make_floor(recipe: FloorRecipe, rng: np.random.Generator) -> Floor:
    """Make a square floor with known heights; ValueError for an unknown process or a missing data folder."""
    if recipe.process not in PROCESSES:
        raise ValueError(f"process must be one of {', '.join(PROCESSES)}, not {recipe.process!r}")
    n = round(recipe.side_mm * recipe.px_per_mm)
    lay = None
    if recipe.process == "scarified":
        lay = float(rng.uniform(0, 180)) if recipe.lay_deg is None else recipe.lay_deg % 180
    stones = _stones(recipe, n, rng)
    shape = _shape(recipe, n, rng, lay, stones)
    if recipe.fine > 0:
        grain = fractal_field(n, recipe.px_per_mm, rng, short_mm=FINE_MM[0], long_mm=FINE_MM[1], hurst=0.5)
        shape = shape + np.float32(recipe.fine * float(shape.std())) * grain
    if recipe.process == "flat" or recipe.sq_mm == 0:
        height = np.zeros((n, n), np.float32)
    else:
        height = _to_amplitude(shape, recipe)
    height -= np.float32(np.quantile(height[::3, ::3], 0.9995) + recipe.paper_mm)
    if recipe.albedo == "paste":
        albedo = paste_albedo(n, recipe.px_per_mm, rng, contrast=recipe.contrast)
    else:
        albedo = photo_albedo(Path(recipe.albedo), n, recipe.px_per_mm, rng, contrast=recipe.map_contrast)
    if recipe.family:
        paint_family(albedo, stones.labels, recipe.family, rng)
    elif recipe.process == "flush":
        paint_flush(albedo, stones.labels, rng)
    else:
        paint_stones(albedo, stones.labels, rng)
    gloss = None
    if recipe.sealed > 0:
        film = _sealed(n, recipe, rng)
        albedo *= (1 - np.float32(SEALED_DARKER) * film)[..., None]
        gloss = film * np.float32(recipe.gloss)
    return _soiled(Floor(height, albedo, stones, recipe.px_per_mm, lay, recipe, gloss))


def _soiled(floor: Floor) -> Floor:
    """The floor with its recipe's dirt and its polished stones."""
    recipe = floor.recipe
    if recipe.polish > 0:
        stone = (floor.stones.labels > 0).astype(np.float32)
        floor = replace(floor, films=(polished(stone, recipe.polish),))
    if not recipe.dirt:
        return floor
    soiled = soil_floor(
        floor.height_mm, floor.albedo_linear, floor.stones.labels, floor.px_per_mm, recipe.dirt,
        paper_mm=recipe.paper_mm,
    )  # fmt: skip
    return replace(
        floor, height_mm=soiled.height_mm, albedo_linear=soiled.albedo,
        films=(*floor.films, *soiled.films), dirt=soiled.dirt,
        bare_linear=soiled.bare if soiled.dirt else None,
    )  # fmt: skip


def _sealed(n: int, recipe: FloorRecipe, rng: np.random.Generator) -> FloatArray:
    """Where sealer lies, (n, n) 0..1: patches some centimetres wide with soft rims."""
    field = fractal_field(n, recipe.px_per_mm, rng, short_mm=15, long_mm=90, hurst=0.7)
    edge = float(np.quantile(field[::7, ::7], 1 - min(recipe.sealed, 1.0)))
    return np.asarray(np.clip((field - np.float32(edge)) * 5 + 0.5, 0, 1), dtype=np.float32)


def _stones(recipe: FloorRecipe, n: int, rng: np.random.Generator) -> Stones:
    """Particles by process: standing where aggregate is exposed, flush where a grinder cut through them."""
    standing = recipe.process == "aggregate"
    usual = {
        "aggregate": (0.30, 0.50),
        "flush": (0.25, 0.5),
        "ground": (0.0, 0.35),
        "shot": (0.0, 0.15),
        "scabbled": (0.0, 0.2),
    }
    low, high = usual.get(recipe.process, (0.0, 0.0))
    fraction = float(rng.uniform(low, high)) if recipe.stone_fraction is None else recipe.stone_fraction
    largest = float(rng.uniform(8.0, 14.0))
    if recipe.family:
        largest *= 1.4
        fine = recipe.fine_fraction
        return pack_sections(n, recipe.px_per_mm, rng, coarse=fraction, fine=fine, largest_mm=largest)
    return make_stones(
        n, recipe.px_per_mm, rng, fraction=fraction, largest_mm=largest, standing=0.3 if standing else 0.0
    )


def _shape(
    recipe: FloorRecipe, n: int, rng: np.random.Generator, lay_deg: float | None, stones: Stones
) -> FloatArray:
    """The process's height field, free of scale."""
    name, density, level = recipe.process, recipe.px_per_mm, recipe.sq_mm
    if name == "flat":
        return np.zeros((n, n), np.float32)
    if name == "scarified":
        return processes.scarified(n, density, level, rng, lay_deg or 0.0)
    if name == "aggregate":
        return processes.exposed(n, density, rng, stones.dome_mm)
    if name in ("grit", "relief"):
        if recipe.data_dir is None:
            raise ValueError(f"process {name} needs data_dir, the folder with the measured shapes")
        measured = real_shapes.grit if name == "grit" else real_shapes.relief
        return measured(Path(recipe.data_dir), n, density, rng)
    return _FORMULAS[name](n, density, level, rng)


def _to_amplitude(shape: FloatArray, recipe: FloorRecipe) -> FloatArray:
    """Scale to the wanted Sq; where that makes slopes no broken concrete keeps, round those places and scale again.

    Only the steep places are smoothed, so that coarse floors keep their fine roughness elsewhere.
    """
    density = recipe.px_per_mm
    for _ in range(5):
        scaled = np.asarray(shape * np.float32(recipe.sq_mm / _sq(shape, recipe)), dtype=np.float32)
        slope = _steepness(scaled, density)
        if np.quantile(slope[::3, ::3], 0.995) <= STEEPEST:
            break
        steep = blur((slope > 0.8 * STEEPEST).astype(np.float32), 0.3 * density)
        shape = shape + np.clip(2 * steep, 0, 1) * (blur(shape, 0.4 * density) - shape)
    return scaled


def _steepness(height_mm: FloatArray, px_per_mm: float) -> FloatArray:
    """Larger slope along rows or columns over 0.1 mm (or one sample), same shape."""
    lag = max(round(0.1 * px_per_mm), 1)
    along, down = np.zeros_like(height_mm), np.zeros_like(height_mm)
    along[:, lag:] = height_mm[:, lag:] - height_mm[:, :-lag]
    down[lag:] = height_mm[lag:] - height_mm[:-lag]
    return np.asarray(np.maximum(np.abs(along), np.abs(down)) * np.float32(px_per_mm / lag))


def _sq(height: FloatArray, recipe: FloorRecipe) -> float:
    """Sq of the middle 108 mm in the wanted band (or of everything), plane removed, reflecting ends."""
    n = height.shape[0]
    half = min(round(54.0 * recipe.px_per_mm), n // 2)
    part = np.array(height[n // 2 - half : n // 2 + half, n // 2 - half : n // 2 + half])
    if recipe.band_mm is not None:
        short, long = (SIGMA_PER_CUTOFF * c * recipe.px_per_mm for c in recipe.band_mm)
        # Long waves need no fine grid: the L-filter at a tenth of the density costs a hundredth.
        step = max(int(short / 2), 1)
        part = shrink(blur(part, short), step)
        part -= _plane(part)
        part = part - blur(part, long / step)
    else:
        part -= _plane(part)
    return max(float(part.std()), 1e-9)


def _plane(height: FloatArray) -> FloatArray:
    """Least-squares plane of a full grid (rows and columns are orthogonal there)."""
    rows, cols = height.shape
    u = np.linspace(-1, 1, cols, dtype=np.float32)
    v = np.linspace(-1, 1, rows, dtype=np.float32)
    a = float((height.mean(0) * u).sum() / (u * u).sum())
    b = float((height.mean(1) * v).sum() / (v * v).sum())
    return np.asarray(height.mean() + a * u[None, :] + b * v[:, None], dtype=np.float32)
