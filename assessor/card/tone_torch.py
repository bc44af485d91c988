"""How the phone wrote light into bytes, from a `torch` capture, where heights go with the slope of that curve.

Shading tells heights through relative differences of light, so an error of the curve's local slope d log(light) /
d log(sRGB-coded light) is as large an error of heights. Printed greys of unknown reflectance, seen at any number of
light levels, give the curve's shape but never its slope as a whole: if a curve fits, every power of it fits as well
(the exponent ambiguity of radiometric self-calibration, Grossberg & Nayar 2003). What settles the power is light whose
ratios are known. A locked capture has it: white paper under a torch whose place the tabs tell. Its light falls off 5:1
over the sheet with the inverse square and the cosine, in as many directions as there are photos. Lens shading and
stains stay put meanwhile, so they fall out. What is not known stays in the fit with a prior, and in the uncertainty:

- the torch's place (a few percent of the distance), its beam (a bell about an aim that is off by some degrees), smooth
  unevenness of beam and paper;
- the ambient light: point by point from the photo without torch (a smooth model of a window's light on a wavy sheet
  errs by tens of percent), its share of each photo from the tabs' shadows and, where EXIF tells exposures, from them;
- relighting by the phone: paper in dark surroundings comes out brighter (see `relit`).

`u_slope` says how well heights are known by the curve: the uncertainty of the local slope over the floor's levels, less
what cancels when ambient light is taken off through the same curve (nearly all of it where the torch is weak).

One curve for all photos: its slope over log coded light runs straight between knots, with a Gaussian-process prior.
That follows S-curves, lifted darks and shoulders without being any of them (`tone_torch_fit`). Exposures compare
ambient light only: the torch's is another one in every photo.

Sources: Grossberg & Nayar, "Determining the camera response from images: what is knowable?", IEEE PAMI 25 (2003), from
memory, verify; IEC 61966-2-1 (sRGB); priors from memory, verify.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from assessor.card.layout import STEP_BYTES, Rectangle, card_layout
from assessor.card.linear import LUMINANCE, linear_from_srgb, linear_of_byte, srgb_from_linear
from assessor.card.relit import WhiteReading, read_white
from assessor.card.steps import StepReading, read_steps
from assessor.card.tone import GREYS, SIDES, ToneSettings, curve_basis, exposure_of, grey_prior
from assessor.card.tone_torch_curve import integral_terms
from assessor.card.tone_torch_fit import CurveFit, fit_torch_curve, torch_light_terms
from assessor.card.tone_torch_light import TorchPlace, place_of, sheet_points, tab_shade
from assessor.card.tone_torch_model import PaperSeen, StepsSeen, TorchFitSettings
from assessor.values import Adjustment, Camera, FloatArray, Photo, Tone, ToneCurve, Torches

LEVELS = (10, 25, 50, 75, 90)  # percentiles of the floor's levels at which the slope must be known
WINDOW_SAMPLES = 48  # across the window, for the floor's levels
BRIGHTEST = float(np.log(0.94))  # coded light beyond which shoulders and clipping begin


@dataclass(frozen=True, slots=True)
class TorchToneSettings:
    """Limits, and the settings of the fit."""

    greys: ToneSettings = field(default_factory=ToneSettings)
    fit: TorchFitSettings = field(default_factory=TorchFitSettings)
    sd_same_grey: float = 0.02  # one drawn grey printed on four sides
    max_log_uneven: float = 0.4  # paper across one step, in the torch's fall-off
    shade_margin_mm: float = 1.5  # tabs lean, edges are soft
    # Rendered captures read -0.01 to 0.03 without local tone mapping, 0.11 with 0.10, 0.14 with 0.12.
    max_relit: float = 0.06
    max_misfit: float = 0.035
    usual_spread: float = 0.6  # rms of good paper over the error that the fit allows it
    # What the equations leave out, on heights, over the torch's share: rendered captures with shares of 0.8 err by 1 %
    # rms (8 lights, uneven beams too), with 0.3 by 4 %.
    u_model: float = 0.01
    # The same without a dark photo: slopes of four such renders erred by 2, 8, 3 and 0 %.
    u_no_dark: float = 0.05


def read_torch_tone(
    photos: Sequence[Photo],
    adjustment: Adjustment,
    torches: Torches,
    settings: TorchToneSettings | None = None,
    *,
    window: Rectangle | None = None,
) -> Tone:
    """Fit one tone curve to all photos of a `torch` capture, and say whether the phone relit them.

    photos in the order of adjustment.cameras, those without a torch too; torches: of the others, by name, read from
    photos as sRGB codes them (`rectify` without a curve). A photo that has no light there counts as one without a
    torch, so leave it out if one burned. window: where the floor shows (None: the window card's). Each curve carries
    `u_slope`. With no lights the curve's power is the prior's, and `u_slope` says so. Never raises.
    """
    settings = settings or TorchToneSettings()
    scale = (adjustment.print_scale.x, adjustment.print_scale.y)
    places = {name: place_of(light) for name, light in zip(torches.photo_names, torches.lights, strict=True)}
    whites = [
        read_white(photo, camera, scale) for photo, camera in zip(photos, adjustment.cameras, strict=True)
    ]
    # What surrounds a place is as bright as the light there, but for what is printed: that part stays put.
    around = np.median([white.log_around - white.log_white for white in whites], axis=0)
    dark = next(
        (white for photo, white in zip(photos, whites, strict=True) if photo.name not in places), None
    )
    papers, readings = [], []
    for photo, camera, white in zip(photos, adjustment.cameras, whites, strict=True):
        place = places.get(photo.name)
        papers.append(
            _paper(photo, replace(white, log_around=around), adjustment, torches, settings, dark=dark)
        )
        readings.append(_usable(read_steps(photo, camera, scale), place, scale, settings))
    steps = _steps(readings)
    fit = fit_torch_curve(papers, steps, _grey_prior(settings), torches.u_tan_common, settings.fit)
    misfit = _misfit(steps, fit, len(photos))
    widen = max(fit.spread / settings.usual_spread, misfit / settings.greys.sd_side, 1.0) ** 2
    burning = [k for k, photo in enumerate(photos) if photo.name in places] or range(len(photos))
    area = window or card_layout(0).window
    levels = _floor_levels([photos[k] for k in burning], [adjustment.cameras[k] for k in burning], area)
    covariance = fit.covariance * widen
    curve = _curve(fit, covariance, levels, papers, settings.u_no_dark if dark is None else settings.u_model)
    u_relit = fit.u_relit * np.sqrt(widen)
    told = fit.relit - 2 * u_relit > settings.max_relit or misfit > settings.max_misfit
    greys = fit.log_grey.reshape(len(SIDES), GREYS)
    spread = covariance[len(fit.slopes) :, len(fit.slopes) :].diagonal().reshape(len(SIDES), GREYS)
    return Tone(
        curves=tuple(replace(curve, photo_name=photo.name) for photo in photos),
        grey_reflectance=np.concatenate([[1.0], np.exp(greys.mean(0))]),
        u_grey=np.concatenate([[0.0], np.sqrt(spread.mean(0))]),
        relit=fit.relit,
        u_relit=float(u_relit),
        misfit=misfit,
        flags=("phone-relit",) if told else (),
    )


def _paper(
    photo: Photo,
    white: WhiteReading,
    adjustment: Adjustment,
    torches: Torches,
    settings: TorchToneSettings,
    *,
    dark: WhiteReading | None,
) -> PaperSeen:
    """The plain paper of one photo, without what is burnt out or lies at a shadow's edge."""
    scale = (adjustment.print_scale.x, adjustment.print_scale.y)
    use = white.seen & (white.log_white < BRIGHTEST)
    use[::2] &= False  # every second place tells as much
    if dark is not None:
        use &= dark.seen
    lit = np.ones(len(use), bool)
    u_distance, u_tan, shade, u_shade = settings.fit.sd_log_distance, 0.0, float("nan"), 1.0
    place = None
    if photo.name in torches.photo_names:
        k = torches.photo_names.index(photo.name)
        u_tan, light = torches.u_tan_own[k], torches.lights[k]
        place = place_of(light)
        shaded, touched = tab_shade(place, white.xy_mm, scale, settings.shade_margin_mm)
        use &= shaded | ~touched
        lit = ~shaded
        rest = max(1 - light.share, 0.01)
        shade, u_shade = float(np.log(rest)), light.u_share / rest
        if light.position_mm is None:
            u_distance = settings.fit.sd_log_distance_unread
    points, slopes = sheet_points(white.xy_mm[use], adjustment.bow_mm)
    return PaperSeen(
        x=white.log_white[use],
        around=white.log_around[use],
        points_mm=points,
        slopes=slopes,
        lit=lit[use],
        place=place,
        u_log_distance=u_distance,
        u_log_tan=max(u_tan, 0.003),
        log_shade=shade,
        u_log_shade=u_shade,
        log_exposure=float(np.log(exposure_of(photo.exif) or np.nan)),
        x_ambient=None if dark is None or place is None else dark.log_white[use],
    )


def _usable(
    readings: Sequence[StepReading],
    place: TorchPlace | None,
    scale: tuple[float, float],
    settings: TorchToneSettings,
) -> list[StepReading]:
    """Printed greys that no tab's shadow touches."""
    a = [reading.step.area for reading in readings]
    clear = np.ones(len(a), bool)
    if place is not None:
        # Corners and middles of each step and of the paper beside it.
        xs = np.array([np.linspace(r.x_min_mm - 2, r.x_max_mm + 2, 7) for r in a]) * scale[0]
        ys = np.array([np.linspace(r.y_min_mm - 2, r.y_max_mm + 2, 7) for r in a]) * scale[1]
        at = np.stack(np.broadcast_arrays(xs[:, :, None], ys[:, None, :]), -1).reshape(-1, 2)
        _, touched = tab_shade(place, at, scale, settings.shade_margin_mm)
        clear = np.asarray(~touched.reshape(len(a), -1).any(1))
    return [
        reading
        for reading, ok in zip(readings, clear, strict=True)
        if ok
        and reading.seen
        and reading.uneven < settings.max_log_uneven
        and reading.step.srgb_byte != STEP_BYTES[0]
    ]


def _steps(readings: Sequence[Sequence[StepReading]]) -> StepsSeen:
    """Printed greys of all photos; a step's index is GREYS times its side plus its grey."""
    rows = []
    for k, photo in enumerate(readings):
        for reading in photo:
            step = GREYS * SIDES.index(reading.step.side) + STEP_BYTES.index(reading.step.srgb_byte) - 1
            rows.append((reading.level_rgb @ LUMINANCE, reading.white_rgb @ LUMINANCE, step, k))
    table = np.array(rows, dtype=float).reshape(-1, 4)
    level, white = np.log(np.clip(table[:, :2], 3e-4, 1.0)).T
    use = white < BRIGHTEST
    index = table[use, 2:].astype(int)
    return StepsSeen(level[use], white[use], index[:, 0], index[:, 1])


def _grey_prior(settings: TorchToneSettings) -> tuple[FloatArray, FloatArray]:
    mean, covariance = grey_prior(settings.greys)
    sides = len(SIDES)
    every = np.kron(np.ones((sides, sides)), covariance)
    return np.tile(mean, sides), every + settings.sd_same_grey**2 * np.eye(GREYS * sides)


def _misfit(steps: StepsSeen, fit: CurveFit, photos: int) -> float:
    """Relative rms over sides of how far a photo's steps stand from the curve that fits all photos, worst photo.

    Black left out; each side is the median over its greys, and a photo with less than three sides says nothing.
    """
    worst = 0.0
    side, grey = np.divmod(steps.step.astype(int), GREYS)
    for k in range(photos):
        own = (steps.photo == k) & (grey < GREYS - 1)
        sides = [
            np.median(fit.residual[own & (side == s)])
            for s in range(len(SIDES))
            if (own & (side == s)).sum() >= 2
        ]
        if len(sides) >= 3:
            worst = max(worst, float(np.std(sides)))
    return worst


def _floor_levels(photos: Sequence[Photo], cameras: Sequence[Camera], w: Rectangle) -> FloatArray:
    """Log coded light of the floor in its window at some percentiles, over all photos."""
    at = (np.arange(WINDOW_SAMPLES) + 0.5) / WINDOW_SAMPLES
    x, y = np.meshgrid(
        w.x_min_mm + (w.x_max_mm - w.x_min_mm) * at, w.y_min_mm + (w.y_max_mm - w.y_min_mm) * at
    )
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    found = []
    for photo, camera in zip(photos, cameras, strict=True):
        width, height = photo.size_px
        column, row = np.clip(np.rint(camera.project(points)), 0, (width - 1, height - 1)).astype(int).T
        found.append(linear_of_byte()[photo.rgb_u8[row, column]] @ LUMINANCE)
    return np.asarray(np.log(np.maximum(np.percentile(np.concatenate(found), LEVELS), 1e-3)))


def _curve(
    fit: CurveFit, covariance: FloatArray, levels: FloatArray, papers: Sequence[PaperSeen], u_model: float
) -> ToneCurve:
    """The curve as a table, with the two terms that `tone` would call it by and what is not known of it; unnamed."""
    own = covariance[: len(fit.slopes), : len(fit.slopes)]
    coded = np.arange(1, 256) / 255
    x = np.log(linear_from_srgb(coded))
    light = np.exp(fit.log_light(x))
    # Least squares of both terms, and what the slopes' errors do to them.
    true = srgb_from_linear(light)
    project = np.linalg.pinv(curve_basis(coded))
    rise = (srgb_from_linear(light * 1.001) - true) / 1e-3
    u_terms = project @ (rise[:, None] * integral_terms(x))
    terms = project @ (true - coded)
    share = float(np.median(fit.share)) if len(fit.share) else 1.0
    at = torch_light_terms(fit, levels, min(share, 0.99))
    u_slope = np.hypot(np.sqrt(np.einsum("nk,kl,nl->n", at, own, at)), u_model / share)
    seen = np.concatenate([paper.x for paper in papers])
    white = float(np.median(seen)) if len(seen) else BRIGHTEST
    ratio = integral_terms(white + np.log([0.2, 0.35, 0.5])) - integral_terms(np.full(3, white))
    u_brightness, u_contrast = np.sqrt(np.einsum("ik,kl,il->i", u_terms, own, u_terms))
    return ToneCurve(
        photo_name="",
        table=np.concatenate([[0.0], light]).astype(np.float32),
        brightness=float(terms[0]),
        contrast=float(terms[1]),
        u_brightness=float(u_brightness),
        u_contrast=float(u_contrast),
        u_tone=float(np.sqrt(np.einsum("nk,kl,nl->n", ratio, own, ratio)).max()),
        u_slope=float(u_slope.max()),
    )
