"""What goes wrong in single photos of a capture: another lens, another light, a card that moved."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from assessor.simulate.camera import ViewRecipe
from assessor.simulate.files import MAIN_LENS, zoom_area
from assessor.simulate.floors import Floor
from assessor.simulate.light import LightRecipe
from assessor.simulate.sheet import CANVAS_MM, Sheet
from assessor.simulate.stones import Stones
from assessor.values import Camera


@dataclass(frozen=True, slots=True)
class Slip:
    """What differs in one photo (counted from 0); every default changes nothing.

    light: shines instead of the capture's. phone_light: share of the light that comes from the phone's own lamp,
    which moves with it; flash: EXIF says that it fired. focal_ratio, k1, k2, lens_model: another lens. zoom:
    digital, cut out and enlarged. distance_mm: held so far away instead. defocus_px: radius of the blur.
    card_mm: the card has moved over the floor by so much along its x and y. lift_mm: wind holds the sheet's
    lift_side (+1 top or -1 bottom) edge up. no_exif: this file lost its EXIF.
    brightness: of the light over the recipe's; exposure: over 1 = white paper at the full raw level under a
    brightness of 1, set by hand and told in EXIF (None: the recipe's automatic one). white_rgb: the white balance's
    gains. taken_s: when, in s from the start.
    """

    photo: int
    light: LightRecipe | None = None
    phone_light: float = 0.0
    flash: bool = False
    focal_ratio: float = 1.0
    k1: float | None = None
    k2: float | None = None
    lens_model: str | None = MAIN_LENS
    zoom: float = 1.0
    distance_mm: float | None = None
    defocus_px: float | None = None
    card_mm: tuple[float, float] = (0.0, 0.0)
    lift_mm: float = 0.0
    lift_side: int = 1
    no_exif: bool = False
    brightness: float = 1.0
    exposure: float | None = None
    white_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)
    taken_s: float | None = None


def slipped_view(view: ViewRecipe, slip: Slip) -> ViewRecipe:
    """The view as it is with the slip's lens and distance."""
    return replace(
        view,
        focal_px=view.focal_px * slip.focal_ratio,
        k1=view.k1 if slip.k1 is None else slip.k1,
        k2=view.k2 if slip.k2 is None else slip.k2,
        distance_mm=view.distance_mm if slip.distance_mm is None else slip.distance_mm,
    )


def slipped_light(light: LightRecipe, slip: Slip, view: ViewRecipe) -> LightRecipe:
    """The light of one photo.

    The phone's own lamp comes beside an even room light; it takes the place of sun, lamp or window.
    """
    base = slip.light or light
    if not slip.phone_light:
        return base
    return replace(
        base,
        kind="torch",
        azimuth_deg=view.azimuth_deg % 360,
        elevation_deg=90.0 - view.tilt_deg,
        distance_mm=view.distance_mm,
        direct=slip.phone_light,
    )


def moved_floor(floor: Floor, card_mm: tuple[float, float]) -> Floor:
    """The floor as the card sees it after the card moved over it by (x, y) mm, to the nearest sample.

    The rim wraps round: it lies under the sheet.
    """
    shift = round(card_mm[1] * floor.px_per_mm), -round(card_mm[0] * floor.px_per_mm)
    stones = Stones(
        np.roll(floor.stones.labels, shift, (0, 1)),
        np.roll(floor.stones.dome_mm, shift, (0, 1)),
        floor.stones.sizes_mm,
    )
    return replace(
        floor,
        height_mm=np.roll(floor.height_mm, shift, (0, 1)),
        albedo_linear=np.roll(floor.albedo_linear, shift, (0, 1)),
        gloss=None if floor.gloss is None else np.roll(floor.gloss, shift, (0, 1)),
        bare_linear=None if floor.bare_linear is None else np.roll(floor.bare_linear, shift, (0, 1)),
        films=tuple(replace(f, strength=np.roll(f.strength, shift, (0, 1))) for f in floor.films),
        stones=stones,
    )


def lifted_sheet(sheet: Sheet, slip: Slip) -> Sheet:
    """The sheet with one short edge held up by wind: a quarter of it curls, by the square of the way."""
    rows = sheet.z_mm.shape[0]
    v = (1 - 2 * (np.arange(rows) + 0.5) / rows) * slip.lift_side
    curl = np.clip((v - 0.3) / (PAPER_EDGE - 0.3), 0, None) ** 2
    return replace(sheet, z_mm=(sheet.z_mm + np.float32(slip.lift_mm) * curl[:, None]).astype(np.float32))


PAPER_EDGE = 297.0 / CANVAS_MM[1]  # where an A4 sheet ends on the canvas, from its middle to its end


def zoomed_camera(camera: Camera, size_px: tuple[int, int], factor: float) -> Camera:
    """The camera that a digitally zoomed picture has."""
    x0, y0, width, height = zoom_area(size_px, factor)
    return _rescaled(camera, (x0, y0), (size_px[0] / width + size_px[1] / height) / 2)


def sent_camera(camera: Camera, size_px: tuple[int, int], sent_px: int) -> Camera:
    """The camera that a picture shrunk to sent_px on its longest side has."""
    if not sent_px or max(size_px) <= sent_px:
        return camera
    return _rescaled(camera, (0, 0), sent_px / max(size_px))


def _rescaled(camera: Camera, corner_px: tuple[int, int], factor: float) -> Camera:
    x, y = (
        (centre + 0.5 - corner) * factor - 0.5
        for centre, corner in zip(camera.centre_px, corner_px, strict=True)
    )
    return replace(camera, focal_px=camera.focal_px * factor, centre_px=(x, y))
