"""Water drops in one photo: bead or flat, how wide, and what contact angle that makes with the drop's volume.

Optical evidence (`drop_beads`, `drop_films`) and the drop's volume must agree: a bead wider than its volume allows, or
a film as narrow as a bead, is called "can't tell". Where a bead's highlight lies off its middle is a second reading of
its shape, apart from the width: where the two disagree, or the drop is narrower than its volume can be, it is "can't
tell" as well.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from assessor.surface.drop_beads import BeadSettings, FoundBead, find_beads
from assessor.surface.drop_films import AGAINST_DRY, FilmSettings, FoundFilm, find_films, likeness
from assessor.surface.drop_shape import ContactAngle, contact_angle, drop_profile
from assessor.surface.drop_values import DropPhoto, PhotoDrop, PhotoShape
from assessor.surface.drop_view import DROP_GRID, DropView, view_of
from assessor.values import CardSighting, Evidence, FloatArray, Light, Lighting, PrintScale, Rectified

__all__ = ["DROP_GRID", "DropPhotoSettings", "read_drops"]

SOFT_LIGHT = (
    "No lamp or sun that casts a sharp shadow was seen, so a bead can't be told from the floor: shine a torch from one"
    " side, 30 to 45 degrees above the floor, and take the photo again."
)
COARSE = (
    "The photo is too coarse or blurred for drops: hold the phone 300-400 mm above the card and tap to focus."
)
MOVED = (
    "The photo before the drops was not used: it shows another place, or the card was moved. Leave the card where it"
    " lies between the two photos."
)
FLAT_NOTE = (
    "A film, a damp mark, an oil stain and a sealed patch look alike from above: only the record tells that water lay"
    " there."
)


@dataclass(frozen=True, slots=True)
class DropPhotoSettings:
    """Limits of what is said of a photo.

    volume_mm3, u_volume: of a drop whose volume is not known: 20 drops to a millilitre (from memory, verify), with
    pipettes and bottles between 0.03 and 0.08 mL. u_known: relative, of a volume that a person gives (common practice).
    flattest_bead_deg, steepest_film_deg: contact angles beyond which it is neither bead nor film (our choice).
    most_u_deg: an angle known less well is not given. softest_deg: half angle of a light that still makes a sharp
    highlight (simulated windows have 28 and more, lamps 2 at the most). coarsest_px_per_mm, bluntest_mm: of the photo,
    for beads. least_alike: correlation with the photo before; simulated pairs of one place have 0.93 and more, 0.4 at
    most after the card moved by 1.5 mm. speck_u_mm: how well a highlight's place is read; gate: standard deviations.
    """

    beads: BeadSettings = field(default_factory=BeadSettings)
    films: FilmSettings = field(default_factory=FilmSettings)
    against_dry: FilmSettings = AGAINST_DRY
    least_alike: float = 0.7
    volume_mm3: float = 50.0
    u_volume: float = 0.35
    u_known: float = 0.1
    flattest_bead_deg: float = 45.0
    steepest_film_deg: float = 20.0
    most_u_deg: float = 25.0
    softest_deg: float = 8.0
    coarsest_px_per_mm: float = 4.0
    bluntest_mm: float = 0.8
    speck_u_mm: float = 0.12
    gate: float = 3.0


def read_drops(
    rectified: Rectified,
    *,
    lighting: Lighting | None,
    camera_mm: FloatArray,
    sighting: CardSighting,
    volume_mm3: float | None = None,
    print_scale: PrintScale | None = None,
    before: Rectified | None = None,
    settings: DropPhotoSettings | None = None,
) -> DropPhoto:
    """Find the drops in one photo, rectified on `DROP_GRID`.

    camera_mm (3,): the camera's centre; volume_mm3: of one drop, None where not known; before: the same window before
    the drops. Photos that are too coarse show no drops and say so.
    """
    settings = settings or DropPhotoSettings()
    light = _lamp(lighting, settings)
    azimuth = None if light is None else light.azimuth_deg
    px_per_mm = sighting.px_per_mm
    if px_per_mm < settings.coarsest_px_per_mm or sighting.edge_width_mm > settings.bluntest_mm:
        return DropPhoto(rectified.photo_name, (), azimuth, px_per_mm, (COARSE,))
    view = view_of(rectified, light, camera_mm)
    scale = print_scale or PrintScale()
    u_scale = float(np.hypot(scale.u_x, scale.u_y)) / np.sqrt(2)
    volume = _Volume(
        volume_mm3 or settings.volume_mm3,
        (settings.u_known if volume_mm3 else settings.u_volume) * (volume_mm3 or settings.volume_mm3),
    )
    beads = [_bead(one, view, volume, u_scale, settings) for one in find_beads(view, settings.beads)]
    dry = None if before is None else view_of(before, None, camera_mm)
    moved = dry is not None and likeness(view, dry, settings.films) < settings.least_alike
    if dry is None or moved:
        flat = find_films(view, settings.films)
    else:
        flat = find_films(view, settings.against_dry, before=dry)
    new = dry is not None and not moved
    films = [_film(one, volume, u_scale, settings, new=new) for one in flat]
    # What lies under or about a bead is the bead's own shadow and wet ground.
    apart = [film for film in films if not any(_meet(film, bead) for bead in beads)]
    notes = (
        *((SOFT_LIGHT,) if azimuth is None else ()),
        *((MOVED,) if moved else ()),
        *((FLAT_NOTE,) if apart and not new else ()),
    )
    return DropPhoto(rectified.photo_name, (*beads, *apart), azimuth, px_per_mm, notes)


def _lamp(lighting: Lighting | None, settings: DropPhotoSettings) -> Light | None:
    """The strongest light where it is small enough to make a highlight."""
    if lighting is None or not lighting.lights or lighting.lights[0].softness_deg > settings.softest_deg:
        return None
    return lighting.lights[0]


@dataclass(frozen=True, slots=True)
class _Volume:
    mm3: float
    u_mm3: float


def _meet(film: PhotoDrop, bead: PhotoDrop) -> bool:
    away = np.hypot(*(np.array(film.centre_mm) - np.array(bead.centre_mm)))
    return bool(away < (film.width_mm + bead.width_mm) / 2)


def _bead(
    one: FoundBead, view: DropView, volume: _Volume, u_scale: float, settings: DropPhotoSettings
) -> PhotoDrop:
    u_width = float(np.hypot(one.u_width_mm, u_scale * one.width_mm))
    angle: ContactAngle | None = contact_angle(volume.mm3, one.width_mm, volume.u_mm3, u_width)
    assert angle is not None
    evidence = [
        Evidence("highlight", one.speck, None, "a lamp's highlight on the side toward the light"),
        Evidence("rim", one.rim, None, "a round rim about it, changes of brightness on all sides"),
    ]
    shape: PhotoShape = "bead"
    why = "a lamp's highlight and a round rim: it stands up"
    if angle.deg < settings.flattest_bead_deg:
        shape = "cannot-tell"
        much = f"{volume.mm3 / 1000:.3g} mL so wide"
        why = f"a lamp's highlight and a round rim, but {much} stands at {angle.deg:.0f} degrees: no bead, no film"
    lost = against = ""
    if angle.at_limit:
        against = "it is narrower than a drop of that volume can be"
    else:
        off, u_off = _off_middle(one, view, volume, angle, u_width=u_width, settings=settings)
        words = "place of the highlight against that of a drop so wide and so much, mm"
        evidence.append(Evidence("highlight-place", off, u_off, words))
        if abs(off) > settings.gate * u_off:
            against = "the highlight lies where a drop of that volume and width would not have it"
        elif angle.u_deg > settings.most_u_deg:
            lost = f"it would be {angle.deg:.0f} ± {1.645 * angle.u_deg:.0f} degrees"
    if against:
        shape, why, angle = "cannot-tell", f"a lamp's highlight and a round rim, but {against}", None
    elif lost:
        why, angle = f"{why}; no angle: {lost}", None
    return PhotoDrop(
        _place(one.centre_mm),
        one.outline_mm.copy(),
        one.width_mm,
        u_width,
        shape,
        why,
        angle,
        tuple(evidence),
    )


def _off_middle(
    one: FoundBead,
    view: DropView,
    volume: _Volume,
    angle: ContactAngle,
    *,
    u_width: float,
    settings: DropPhotoSettings,
) -> tuple[float, float]:
    """How far off the middle the highlight lies beyond where it should, mm along the line to the lamp, and u."""
    tilt = float(np.degrees(np.arccos(np.clip(one.half_vector[2], -1, 1))))
    level = one.half_vector[:2] / max(float(np.hypot(*one.half_vector[:2])), 1e-6)
    expected, height = _where(volume.mm3, angle.deg, tilt)
    # Seen on the card plane, what stands higher shifts away from the camera's foot.
    true = one.speck_mm - height * (one.speck_mm - view.camera_mm[:2]) / view.camera_mm[2]
    seen = float((true - one.centre_mm) @ level)
    by_angle = _where(volume.mm3, min(angle.deg + angle.u_deg, 165.0), tilt)[0] - expected
    by_light = _where(volume.mm3, angle.deg, tilt + 1.0)[0] - expected
    u_tilt = np.hypot(view.u_light_deg, 1.0) / 2  # the half vector turns by half of what the light does
    u = np.sqrt(settings.speck_u_mm**2 + (u_width / 4) ** 2 + by_angle**2 + (by_light * u_tilt) ** 2)
    return seen - expected, float(u)


def _where(volume_mm3: float, angle_deg: float, tilt_deg: float) -> tuple[float, float]:
    """Distance from the middle at which a drop's surface leans by tilt_deg, and its height there, mm."""
    profile = drop_profile(volume_mm3, float(np.clip(angle_deg, 6.0, 165.0)))
    lean = np.linspace(0, float(np.clip(angle_deg, 6.0, 165.0)), profile.radius_mm.size)
    at = min(tilt_deg, float(lean[-1]))
    return float(np.interp(at, lean, profile.radius_mm)), float(
        profile.height_mm - np.interp(at, lean, profile.depth_mm)
    )


def _film(
    one: FoundFilm, volume: _Volume, u_scale: float, settings: DropPhotoSettings, *, new: bool
) -> PhotoDrop:
    u_width = float(np.hypot(one.u_width_mm, u_scale * one.width_mm))
    angle = contact_angle(volume.mm3, one.width_mm, volume.u_mm3, u_width)
    evidence = (
        Evidence("darker", one.step_log, None, "darker than the floor about it, natural log of brightness"),
        Evidence("edge", one.all_round, None, "share of its edge where it is darker inside than outside"),
    )
    shape: PhotoShape = "flat"
    what = "darker than before the drops" if new else "a dark patch"
    why = f"{what}, without a highlight: a wet film or a damp mark"
    if angle.deg - angle.u_deg > settings.steepest_film_deg:
        shape = "cannot-tell"
        why = (
            f"{what}, without a highlight, but {volume.mm3 / 1000:.3g} mL so narrow would stand up"
            f" ({angle.deg:.0f} degrees) if none of it had soaked in"
        )
    return PhotoDrop(
        _place(one.centre_mm), one.outline_mm.copy(), one.width_mm, u_width, shape, why, None, evidence
    )


def _place(centre_mm: FloatArray) -> tuple[float, float]:
    return float(centre_mm[0]), float(centre_mm[1])
