"""How the torch lights the sheet in each photo, with the other light taken off.

A torch photo shows torch and ambient light, the dark photo the ambient light alone. Light adds, so the dark photo,
scaled to the torch photo's exposure, is taken off. What is left on the plain paper is the torch's own light: inverse
square times cosine from where the tabs say it stands, times a smooth beam that is fitted to the paper (quadratic in
its logarithm) and bridges the window. The paper thus settles each photo's exposure and the beam; the torch's place
comes from the tabs alone, since the fall-off of an aimed beam errs by tens of percent (study.md part 4, E1).

The ambient scale is the ratio of exposures that EXIF tells, checked and, where EXIF says nothing, replaced by what
the tabs' shadows leave of the light (`Light.share`). Without a dark photo ambient light is taken as even: it then
only weakens the shading, and the shadows say by how much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from assessor.card.linear import LUMINANCE, linear_of_byte
from assessor.card.white import read_paper_light, white_basis, white_points_mm
from assessor.errors import TorchTooWeak
from assessor.values import (
    Adjustment,
    BoolArray,
    Camera,
    Exif,
    FloatArray,
    Light,
    Photo,
    ToneCurve,
    Torches,
    freeze,
)


@dataclass(frozen=True, slots=True)
class TorchPaperSettings:
    """Limits and doubts."""

    least_share: float = 0.15  # of the torch in the light on the paper: below, refused
    flag_share: float = 0.30
    u_exposure: float = 0.02  # relative: EXIF rounds, and phones correct a little without saying so
    max_closure: float = (
        4.0  # standard uncertainties between EXIF and shadows before the shadows are believed
    )
    clipped_byte: int = 253
    usual_distance_mm: float = 430.0  # where the tabs tell no distance
    rounds: int = 8


@dataclass(frozen=True, eq=False)
class TorchPaper:
    """The torch on the sheet in one photo.

    position_mm (3,): where it stands. gain_rgb (3,): linear level of the torch's light on paper at the window's
    centre. beam (6,): log of its unevenness over `white_basis`, 0 at the centre. ambient_scale: exposure over the
    dark photo's (0: no dark photo). share: torch part of the light on paper at the centre, u_share. spread: relative
    rms of the paper about the fit. closure: ambient light by the shadows over that by the dark photo, NaN where one
    is missing.
    """

    photo_name: str
    position_mm: FloatArray
    gain_rgb: FloatArray
    beam: FloatArray
    ambient_scale: float
    share: float
    u_share: float
    spread: float
    closure: float

    def __post_init__(self) -> None:
        for array in (self.position_mm, self.gain_rgb, self.beam):
            freeze(array)

    def cotangents(self, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How relative light on a face falls with its slopes dz/dx and dz/dy at points of the card plane."""
        away = self.position_mm
        return (x_mm - away[0]) / away[2], (y_mm - away[1]) / away[2]

    def log_light(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Log of the torch's light on level paper over that at the window's centre."""
        return _log_falloff(self.position_mm, x_mm, y_mm) + np.tensordot(
            self.beam, white_basis(x_mm, y_mm), axes=1
        )


def read_torch_paper(
    photos: Sequence[Photo],
    dark: Photo | None,
    adjustment: Adjustment,
    torches: Torches,
    curves: Sequence[ToneCurve],
    *,
    settings: TorchPaperSettings | None = None,
) -> tuple[tuple[TorchPaper, ...], tuple[str, ...]]:
    """Read the torch's light on the sheet in every torch photo; returns it with flags.

    photos and torches.lights run alike; adjustment.cameras and curves hold the torch photos first and then the dark
    one. Raises TorchTooWeak where the torch's part of the light is too small.
    """
    use = settings or TorchPaperSettings()
    scale = (adjustment.print_scale.x, adjustment.print_scale.y)
    points = white_points_mm() * scale
    dark_light = None
    if dark is not None:
        dark_light = _paper(dark, adjustment.cameras[len(photos)], curves[len(photos)], points, use)
    found = []
    for k, photo in enumerate(photos):
        seen = _paper(photo, adjustment.cameras[k], curves[k], points, use)
        exifs = (photo.exif, None if dark is None else dark.exif)
        found.append(
            _one(photo.name, points, (seen, dark_light), torches.lights[k], exifs, curve=curves[k], use=use)
        )
    share = float(np.median([one.share for one in found]))
    _refuse_weak(share, [photo.name for photo in photos], use)
    flags = ("torch-weak",) if share < use.flag_share else ()
    return tuple(found), flags if dark is not None else (*flags, "no-dark-photo")


def check_share(torches: Torches, settings: TorchPaperSettings | None = None) -> None:
    """Refuse a torch that the tabs' shadows tell to be lost in other light (TorchTooWeak): nothing else can be read."""
    if torches.lights:
        share = float(np.median([light.share for light in torches.lights]))
        _refuse_weak(share, torches.photo_names, settings or TorchPaperSettings())


def _refuse_weak(share: float, names: Sequence[str], use: TorchPaperSettings) -> None:
    if share < use.least_share:
        raise TorchTooWeak(
            f"the torch gives {share:.0%} of the light on the card, at least {use.least_share:.0%} is needed",
            file=", ".join(names),
        )


def _paper(
    photo: Photo, camera: Camera, curve: ToneCurve, points: FloatArray, use: TorchPaperSettings
) -> tuple[FloatArray, BoolArray]:
    """Linear light of the paper (N, 3) and where it can be used."""
    pixels = camera.project(np.column_stack([points, np.zeros(len(points))]))
    light, seen = read_paper_light(photo, pixels, curve.table)
    return light, seen & (light.max(1) < curve.table[use.clipped_byte])


def _log_falloff(position: FloatArray, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """Log of inverse square times cosine on the card plane, over its value at the window's centre."""
    square = (x_mm - position[0]) ** 2 + (y_mm - position[1]) ** 2 + position[2] ** 2
    return np.asarray(-1.5 * np.log(square / float(position @ position)))


def _one(
    name: str,
    points: FloatArray,
    light: tuple[tuple[FloatArray, BoolArray], tuple[FloatArray, BoolArray] | None],
    torch: Light,
    exifs: tuple[Exif, Exif | None],
    *,
    curve: ToneCurve,
    use: TorchPaperSettings,
) -> TorchPaper:
    (seen, ok), dark = light
    position = _position(torch, use)
    torch = _in_true_light(torch, seen[ok] @ LUMINANCE, points[ok], curve)
    fall = _log_falloff(position, points[:, 0], points[:, 1])
    scale, closure = 0.0, float("nan")
    if dark is not None:
        scale, closure = _ambient_scale(points, seen, (ok & dark[1], dark[0]), torch, exifs, use=use)
        own = seen - scale * dark[0]
        ok = ok & dark[1]
    else:
        # Even ambient light is the same share everywhere of what it is at the centre, not of the torch's light.
        centre = np.exp(_fit(np.log(np.maximum(seen, 1e-5)), points, fall, ok, use)[0][0])
        own = seen - (1 - torch.share) * centre
    ok = ok & (own @ LUMINANCE > 0.02 * np.median(seen @ LUMINANCE))
    fitted, spread = _fit(np.log(np.maximum(own, 1e-5)), points, fall, ok, use)
    gain = np.exp(fitted[0])
    whole = gain @ LUMINANCE
    ambient = _at_centre(dark[0] @ LUMINANCE, points) * scale if dark is not None else None
    share = torch.share if ambient is None else whole / (whole + ambient)
    return TorchPaper(
        photo_name=name,
        position_mm=position,
        gain_rgb=gain,
        beam=np.append(0.0, fitted[1:, :] @ LUMINANCE),
        ambient_scale=scale,
        share=float(share),
        u_share=float(torch.u_share if ambient is None else share * (1 - share) * use.u_exposure),
        spread=spread,
        closure=closure,
    )


def _in_true_light(torch: Light, level: FloatArray, points: FloatArray, curve: ToneCurve) -> Light:
    """The torch's share of the light by the photo's own curve; the tabs were read as if it were sRGB."""
    centre = _at_centre(level, points)
    coded = linear_of_byte()[round(float(np.interp(centre, curve.table, np.arange(256))))]
    left = np.interp((1 - torch.share) * coded, linear_of_byte(), np.arange(256))
    shaded = float(np.interp(left, np.arange(256), curve.table))
    return replace(torch, share=float(np.clip(1 - shaded / centre, 0.0, 1.0)))


def _position(torch: Light, use: TorchPaperSettings) -> FloatArray:
    if torch.position_mm is not None:
        return np.array(torch.position_mm, dtype=float)
    azimuth, elevation = np.deg2rad(torch.azimuth_deg), np.deg2rad(torch.elevation_deg)
    flat = np.cos(elevation)
    toward = np.array([flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation)])
    return np.asarray(use.usual_distance_mm * toward)


def _at_centre(level: FloatArray, points: FloatArray) -> float:
    """Smooth light at the window's centre, by the quadratic that the paper all round tells."""
    near = level > 0.3 * np.median(level)
    basis = white_basis(points[near, 0], points[near, 1]).T
    return float(np.exp(np.linalg.lstsq(basis, np.log(level[near]), rcond=None)[0][0]))


def _ambient_scale(
    points: FloatArray,
    seen: FloatArray,
    dark: tuple[BoolArray, FloatArray],
    torch: Light,
    exifs: tuple[Exif, Exif | None],
    *,
    use: TorchPaperSettings,
) -> tuple[float, float]:
    """Exposure of the torch photo over the dark photo's, and how the shadows close with it."""
    ok, ambient = dark
    told = exposure_ratio(*exifs)
    centre = [_at_centre(level[ok] @ LUMINANCE, points[ok]) for level in (seen, ambient)]
    by_shadow = (1 - torch.share) * centre[0] / centre[1]
    u_shadow = max(torch.u_share, 0.01) * centre[0] / centre[1]
    if told is None:
        return by_shadow, float("nan")
    closure = by_shadow / told
    u_told = use.u_exposure * told
    if abs(by_shadow - told) > use.max_closure * float(np.hypot(u_shadow, u_told)):
        return by_shadow, closure
    weights = np.array([1 / u_told**2, 1 / u_shadow**2])
    return float(weights @ (told, by_shadow) / weights.sum()), closure


def exposure_ratio(torch: Exif, dark: Exif | None) -> float | None:
    """Exposure of one photo over another's by EXIF; phones have one aperture, so a missing f-number is no harm."""
    if dark is None or not (torch.exposure_s and torch.iso and dark.exposure_s and dark.iso):
        return None
    ratio = torch.exposure_s * torch.iso / (dark.exposure_s * dark.iso)
    if torch.f_number and dark.f_number:
        ratio *= (dark.f_number / torch.f_number) ** 2
    return ratio


def _fit(
    log_light: FloatArray, points: FloatArray, fall: FloatArray, ok: BoolArray, use: TorchPaperSettings
) -> tuple[FloatArray, float]:
    """Coefficients (6, 3) of log light less the fall-off; shadows, dirt and glare lose their say."""
    basis = white_basis(points[:, 0], points[:, 1]).T
    target = log_light - fall[:, None]
    green = target[:, 1]
    weight = ok.astype(float)
    # Shadowed paper is darker: start from the brighter part.
    weight[green < np.median(green[ok]) - 0.5] = 0
    fitted, spread = np.zeros((6, 3)), 0.0
    for _ in range(use.rounds):
        root = np.sqrt(weight)[:, None]
        fitted = np.linalg.lstsq(basis * root, target * root, rcond=None)[0]
        residual = green - basis @ fitted[:, 1]
        spread = 1.4826 * float(np.median(np.abs(residual[ok])))
        weight = ok / (1 + (residual / max(2.5 * spread, 0.01)) ** 2) ** 2
    return fitted, spread
