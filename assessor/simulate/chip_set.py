"""A moulded set of reference chips and captures of it: one colour, slightly shiny, shapes of several processes.

Invented: every chip has the amplitude that the shipped prior gives its grade, and a shape of the sort of floor that is
often moulded for it (domain figures 1.2, trade literature), so that a scale made of its photos has a known truth.
Low grades are shot with a torch, the others from four sides with washable dots on them, since one plain colour gives
stereo nothing to match.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from assessor.card.designs import CHIP_DESIGN, window_of
from assessor.grading.scale import shipped_scale
from assessor.simulate.capture import CaptureRecipe, RenderedCapture, photograph, render_capture
from assessor.simulate.catalogue import shrink_recipe
from assessor.simulate.floors import Floor, FloorRecipe, make_floor
from assessor.simulate.light import LightRecipe
from assessor.simulate.noise import speckle_field
from assessor.simulate.sensor import SensorRecipe
from assessor.simulate.sheet import SheetRecipe, make_sheet
from assessor.simulate.slips import moved_floor
from assessor.simulate.torchlight import TorchRecipe
from assessor.simulate.truth import fine_band, without_plane
from assessor.values import Band, FloatArray

BAND = Band(2.5, 25.0)
TORCH_UP_TO = 4  # grades that are shot with a torch
# Shape of each chip, a process of the renderer.
SHAPES = {
    1: "fractal",
    2: "ground",
    3: "shot",
    4: "fractal",
    5: "shot",
    6: "scarified",
    7: "shot",
    8: "scabbled",
    9: "scarified",
    10: "scabbled",
}
RIM_MM = 6.0  # of the window, not evaluated


@dataclass(frozen=True, slots=True)
class ChipSetRecipe:
    """A chip set. colour: linear reflectance; gloss: strength of its shine; dots: share under washable dots.

    sheet_serial: of the chip sheet. small: half the pixels each way and half the chips' density, for quick runs.
    """

    seed: int = 1
    colour: tuple[float, float, float] = (0.30, 0.31, 0.33)
    gloss: float = 0.04
    dots: float = 0.3
    dot_mm: float = 0.25
    dot_white: float = 0.62
    sheet_serial: int = 77
    px_per_mm: float = 12.0
    small: bool = False

    @property
    def density(self) -> float:
        """Samples of a chip per mm."""
        return self.px_per_mm / 2 if self.small else self.px_per_mm


def chip_sq_mm(grade: int) -> float:
    """Sq that a chip of this grade is made with, mm in BAND over the middle 108 mm of its mould: the prior's, blasted.

    One process for all, so that the set rises by the prior's step whatever the shapes.
    """
    curve = shipped_scale("ten-chip").curves_for(BAND, "blasted")[0]
    return float(np.exp(curve.log_median[grade - 1]))


def make_chip(grade: int, recipe: ChipSetRecipe, *, dots: bool) -> Floor:
    """The chip of a grade as a floor below the sheet; dots: with washable dots on it."""
    rng = np.random.default_rng([recipe.seed, grade])
    shape = FloorRecipe(
        SHAPES[grade],
        chip_sq_mm(grade),
        lay_deg=30.0,
        stone_fraction=0.0,
        px_per_mm=recipe.density,
    )
    floor = make_floor(shape, rng)
    n = floor.height_mm.shape[0]
    # Moulded all of one stuff: a percent of grain is the finest that pigment leaves.
    grain = 1 + np.float32(0.01) * speckle_field(n, rng, sd_px=0.1 * recipe.density)
    albedo = grain[..., None] * np.array(recipe.colour, np.float32)
    if dots:
        _dab(albedo, recipe, np.random.default_rng([recipe.seed, grade, 1]))
    return replace(floor, albedo_linear=np.asarray(albedo, np.float32))


def _dab(albedo: FloatArray, recipe: ChipSetRecipe, rng: np.random.Generator) -> None:
    """Dab washable white over a chip, in place: dots of many sizes, thin enough to add no height."""
    n = albedo.shape[0]
    for share, size in ((0.6, 1.0), (0.4, 2.2)):
        field = speckle_field(n, rng, sd_px=size * recipe.dot_mm * recipe.density)
        cut = float(np.quantile(field[::37, ::37], 1 - recipe.dots * share))
        cover = np.clip((field - np.float32(cut)) * 5, 0, 1)[..., None]
        albedo += cover * (np.float32(recipe.dot_white) - albedo)


def chip_truth_mm(chip: Floor, band: Band = BAND) -> float:
    """True Sq of a chip on the evaluation area of the chip sheet's window, mm."""
    area = window_of(CHIP_DESIGN).less(RIM_MM)
    n, d = chip.height_mm.shape[0], chip.px_per_mm
    across, down = (round(half * d) for half in (area.x_max_mm, area.y_max_mm))
    middle = chip.height_mm[n // 2 - down : n // 2 + down, n // 2 - across : n // 2 + across]
    heights, _ = fine_band(without_plane(middle.astype(np.float64)), d, band.short_mm, band.long_mm)
    return float(np.sqrt(np.mean(heights**2)))


def render_floor(grade: int, take: int, recipe: ChipSetRecipe) -> RenderedCapture:
    """Photos of another floor of a chip's shape and amplitude under the window card: concrete, not moulded."""
    own = np.random.default_rng([recipe.seed, grade, take, 3])
    torch = grade <= TORCH_UP_TO
    shot = CaptureRecipe(
        name=f"floor{grade:02d}-{take}",
        floor=FloorRecipe(
            SHAPES[grade], chip_sq_mm(grade), lay_deg=30.0, stone_fraction=0.0, px_per_mm=recipe.density
        ),
        sheet=SheetRecipe(serial=recipe.sheet_serial + 1, cockle_mm=0.15),
        sensor=SensorRecipe(psf_px=float(own.uniform(0.55, 0.8)), snr_db=float(own.uniform(34, 38))),
        seed=recipe.seed * 2003 + grade * 37 + take,
        photos=0 if torch else 4,
        distance_mm=(300.0, 380.0),
        torch=TorchRecipe() if torch else None,
    )
    return render_capture(shrink_recipe(shot) if recipe.small else shot)


def render_chip(
    grade: int, take: int, recipe: ChipSetRecipe, *, sides: Sequence[int] = (8,)
) -> RenderedCapture:
    """Photos of a chip under the chip sheet; take counts its captures, each laid and shot anew.

    sides: how many sides the torch is held on, where the grade is shot with one.
    """
    own = np.random.default_rng([recipe.seed, grade, take, 2])
    torch = grade <= TORCH_UP_TO
    chip = make_chip(grade, recipe, dots=not torch)
    # Laid anew each time: a few millimetres off, and as often turned end for end.
    if own.random() < 0.5:
        turned = (chip.height_mm[::-1, ::-1].copy(), chip.albedo_linear[::-1, ::-1].copy())
        chip = replace(chip, height_mm=turned[0], albedo_linear=turned[1])
    chip = moved_floor(chip, (float(own.uniform(-2, 2)), float(own.uniform(-2, 2))))
    shot = CaptureRecipe(
        name=f"chip{grade:02d}-{take}",
        floor=chip.recipe,
        light=LightRecipe(
            "overcast" if torch or own.random() < 0.5 else "window",
            azimuth_deg=float(own.uniform(0, 360)),
            gloss=recipe.gloss,
        ),
        sheet=SheetRecipe(
            serial=recipe.sheet_serial,
            design=CHIP_DESIGN,
            bow_mm=tuple(own.normal(0, 0.2, 3)),
            cockle_mm=0.15,
        ),
        sensor=SensorRecipe(psf_px=float(own.uniform(0.55, 0.8)), snr_db=float(own.uniform(34, 38))),
        seed=recipe.seed * 1009 + grade * 31 + take,
        photos=0 if torch else 4,
        distance_mm=(300.0, 380.0),
        torch=TorchRecipe(lights=sides[take % len(sides)]) if torch else None,
    )
    if recipe.small:
        shot = shrink_recipe(shot)
    streams = [np.random.default_rng([shot.seed, k]) for k in range(3)]
    return photograph(shot, chip, make_sheet(shot.sheet, streams[0]), None, streams[1:])
