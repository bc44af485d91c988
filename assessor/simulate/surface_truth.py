"""What truly lies in the window of a rendered capture: one mask a patch, aggregate's area fractions, and tags.

Masks show the window as cut, about the card's centre, row 0 at the largest y: 255 where a piece's effect is more than
half of its own full effect.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from assessor.simulate.capture import RenderedCapture, caster_of
from assessor.simulate.cut_stones import area_shares
from assessor.simulate.dirt import Dirt
from assessor.simulate.film import film_shine
from assessor.simulate.imaging import resize, sample
from assessor.simulate.light import direct_share
from assessor.simulate.march import FloorTexture
from assessor.simulate.noise import grid_mm
from assessor.simulate.scene import Scene
from assessor.simulate.soil import LUMINANCE
from assessor.simulate.truth import EVALUATION_MM
from assessor.values import BoolArray, FloatArray, PatchKind

MASK_PX_PER_MM = 5.0
SMALLEST_MM2 = 20.0  # a piece with less in the window is no patch that anyone could be asked to find
ISLANDS_TOGETHER_MM = 3.0  # islands closer than this are outlined as one
FAINTEST_SHADOW = 0.1  # of the direct light, at its darkest
# A map whose own stones are no part of the truth leaves aggregate unknown.
PLAIN_MAPS = ("paste", "brushed_concrete")
NO_TEXTURE = ("joint", "crack", "leaf", "tape")  # their heights are nobody's texture
CLEAR_LOOKS = ("oil", "damp", "sealer")  # stones show through


@dataclass(frozen=True, slots=True)
class SurfaceRow:
    """One row of surface truth, without bands: a kind's code with its mask and contrast, a count or a fraction."""

    quantity: str
    unit: str
    value: str | float
    mask: str = ""
    px_per_mm: float | None = None
    contrast: float | None = None


@dataclass(frozen=True, eq=False)
class TruePatch:
    """One patch of the window: kind, look, mask (rows, cols), mean log of luminance in it over what was there."""

    kind: PatchKind
    look: str
    mask: BoolArray
    contrast: float
    gloss: float
    photo: int | None = None

    @property
    def area_mm2(self) -> float:
        """Area in the window."""
        return float(self.mask.sum()) / MASK_PX_PER_MM**2


def true_patches(capture: RenderedCapture) -> list[TruePatch]:
    """Every patch with SMALLEST_MM2 or more in the window: dirt in the order it was laid, then shadows by photo."""
    found = []
    for piece in capture.floor.dirt:
        found += _pieces(capture, piece)
    for photo in range(len(capture.recipe.casters)):
        shadow = _shadow(capture, photo)
        if shadow is not None:
            found.append(shadow)
    return [patch for patch in found if patch.area_mm2 >= SMALLEST_MM2]


def surface_rows(capture: RenderedCapture) -> tuple[list[SurfaceRow], dict[str, bytes]]:
    """Rows of the truth table and the mask files (PNG) by path in the set's folder."""
    name = capture.recipe.name
    rows, files = [], {}
    for k, patch in enumerate(true_patches(capture), 1):
        path = f"masks/{name}/patch{k}.png"
        files[path] = cv2.imencode(".png", patch.mask.astype(np.uint8) * 255)[1].tobytes()
        rows.append(SurfaceRow("patch", "", patch.kind, path, MASK_PX_PER_MM, round(patch.contrast, 4)))
    rows.append(SurfaceRow("false_patches", "1", 0.0))
    if _aggregate_known(capture):
        coarse, visible = area_shares(capture.floor.stones, capture.floor.px_per_mm, EVALUATION_MM / 2)
        rows.append(SurfaceRow("coarse_fraction", "1", coarse))
        rows.append(SurfaceRow("visible_fraction", "1", visible))
    return rows, files


def surface_tags(capture: RenderedCapture) -> dict[str, object]:
    """What a capture may be grouped by; patches: one entry each, in the order of the truth's rows.

    shine: what a film adds in each photo, over the lit floor: where it is next to nothing, no photo can show the film.
    """
    recipe, floor = capture.recipe, capture.recipe.floor
    patches = true_patches(capture)
    largest = max(patches, key=lambda patch: patch.area_mm2, default=None)
    map_name = "-" if floor.albedo == "paste" else Path(floor.albedo).name.split("_diff")[0]
    return {
        "clean": "yes" if not patches else "no",
        "kind": "none" if largest is None else largest.kind,
        "look": "none" if largest is None else largest.look,
        "contrast": None if largest is None else round(largest.contrast, 3),
        "area_mm2": None if largest is None else round(largest.area_mm2, 1),
        "gloss": None if largest is None else round(largest.gloss, 3),
        "family": floor.family or "-",
        "process": floor.process,
        "albedo": "paste" if floor.albedo == "paste" else "photo",
        "map": map_name,
        "light": recipe.light.kind,
        "low": "yes" if recipe.low_photo else "no",
        "again": "yes" if recipe.again else "no",
        "floor_looks": [piece.kind for piece in floor.dirt if piece.code is None],
        "patches": [
            {"kind": p.kind, "look": p.look, "contrast": round(p.contrast, 3), "area_mm2": round(p.area_mm2, 1),
             "gloss": round(p.gloss, 3), "photo": p.photo,
             "shine": [round(v, 3) for v in shine_seen(capture, p.mask)] if p.gloss > 0 else []}
            for p in patches
        ],
    }  # fmt: skip


def shine_seen(capture: RenderedCapture, mask: BoolArray) -> list[float]:
    """What films add to a patch in each photo: mean of their shine over the lit floor's, by luminance."""
    floor, blank = capture.floor, np.zeros((1, 1, 3), np.float32)
    rows, cols = np.nonzero(mask[::4, ::4])
    x = ((cols * 4 + 0.5 - mask.shape[1] / 2) / MASK_PX_PER_MM).astype(np.float32)[None]
    y = ((mask.shape[0] / 2 - rows * 4 - 0.5) / MASK_PX_PER_MM).astype(np.float32)[None]
    texture = FloorTexture(floor.height_mm, floor.albedo_linear, blank, floor.px_per_mm)
    under = sample(floor.albedo_linear, *texture.pixels(x, y)) @ LUMINANCE
    shares = []
    for camera, light in zip(capture.cameras, capture.lights, strict=True):
        scene = Scene(capture.sheet, blank, texture, light, films=floor.films)
        shares.append(float((film_shine(x, y, camera, scene) @ LUMINANCE).mean() / under.mean()))
    return shares


def texture_known(capture: RenderedCapture) -> bool:
    """Whether heights in the window are texture: no joint, crack, leaf or tape in it."""
    return all(piece.kind not in NO_TEXTURE for piece in capture.recipe.floor.dirt)


def _aggregate_known(capture: RenderedCapture) -> bool:
    recipe = capture.recipe.floor
    plain = recipe.albedo == "paste" or any(name in recipe.albedo for name in PLAIN_MAPS)
    return plain and all(piece.code is None or piece.kind in CLEAR_LOOKS for piece in recipe.dirt)


def _window(capture: RenderedCapture, field: FloatArray) -> FloatArray:
    """A field of the floor cut to the window as printed, at MASK_PX_PER_MM."""
    sheet, density = capture.recipe.sheet, capture.floor.px_per_mm
    window = capture.sheet.layout.window
    half_x, half_y = window.x_max_mm * sheet.scale_x, window.y_max_mm * sheet.scale_y
    n = field.shape[0]
    a, b = round(half_x * density), round(half_y * density)
    part = field[n // 2 - b : n // 2 + b, n // 2 - a : n // 2 + a]
    size = round(2 * a / density * MASK_PX_PER_MM), round(2 * b / density * MASK_PX_PER_MM)
    return resize(np.ascontiguousarray(part), size, cv2.INTER_AREA)


def _pieces(capture: RenderedCapture, piece: Dirt) -> list[TruePatch]:
    """A piece of dirt as one patch; islands as groups of what lies close together."""
    recipe = piece.recipe
    mask = np.asarray(_window(capture, piece.cover) > 0.5)
    groups = [mask]
    if recipe.kind == "islands":
        across = 2 * round(ISLANDS_TOGETHER_MM / 2 * MASK_PX_PER_MM) + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (across, across))
        count, labels = cv2.connectedComponents(cv2.dilate(mask.astype(np.uint8), kernel))
        groups = [np.asarray(mask & (labels == k)) for k in range(1, count)]
    code = recipe.code
    assert code is not None
    return [TruePatch(code, recipe.kind, group, piece.contrast, recipe.gloss) for group in groups]


def _shadow(capture: RenderedCapture, photo: int) -> TruePatch | None:
    """The shadow cast in one photo; None where nothing of it falls into the window."""
    caster = caster_of(capture.recipe, photo, capture.lights[photo])
    if caster is None:
        return None
    n = round(capture.floor.height_mm.shape[0] / capture.floor.px_per_mm * MASK_PX_PER_MM)
    x, y = grid_mm(n, MASK_PX_PER_MM)
    hidden = 1 - caster.open_direct(*np.broadcast_arrays(x, y))
    full = capture.floor.height_mm.shape
    part = _window(capture, resize(hidden, (full[1], full[0])))
    darkest = float(part.max())
    if darkest < FAINTEST_SHADOW:
        return None
    mask = np.asarray(part > 0.5 * darkest)
    share = direct_share(capture.lights[photo])
    contrast = float(np.log(1 - share * np.minimum(part[mask], 0.999)).mean())
    return TruePatch("shadow", "shadow", mask, contrast, 0.0, photo + 1)
