"""From the grey steps of all photos: how did the phone write light into bytes, and did it relight the photo?

Grey steps of a home print are unknowns, the same on all four sides and in all photos of one print. A photo's curve is
sRGB with two terms on the coded value e (0 to 0 and 1 to 1, whatever they are):

    e_true = e + brightness e (1 - e) + contrast e (1 - e) (1 - 2 e)

Both terms have priors from what phones do, and are nearly the same in photos of one spot; greys have a prior from what
printers do. Observed are each step over the paper beside it, at whatever level the light has there, and the ratio of
exposures that EXIF tells. One least-squares fit over the capture (Gauss-Newton with priors: maximum a posteriori).

What this can and cannot tell: a curve error common to all photos looks like other greys, unless light or exposure
differ between photos and sides. So little is learnt from one evenly lit print: the fitted curve then errs as much as
plain sRGB does (rendered captures: 8 and 9 % rms at a reflectance of 0.2). Only a fit that knows the curve to
`max_u_fitted` is used; before, the curve is sRGB and `u_tone` says what that may cost. Greys learnt before
(`known_greys`, to 2 %) or a bracket of exposures make it a calibration. Heights don't use the curve; reflectances do.

Where one curve cannot fit the four sides, or paper is brighter beside dark surroundings (`relit`), the phone has
relit parts of the photo, and no curve will undo that: flagged.

Sources: IEC 61966-2-1 (sRGB); priors and limits from memory, verify; limits measured on rendered captures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from assessor.card.layout import STEP_BYTES
from assessor.card.linear import LUMINANCE, linear_from_srgb, linear_of_byte, srgb_from_linear
from assessor.card.relit import read_white, relit_strength
from assessor.card.steps import StepReading, read_steps
from assessor.values import Adjustment, Exif, FloatArray, Photo, Tone, ToneCurve

GREYS = len(STEP_BYTES) - 1  # the first step is bare paper
COVERED = 0.6  # of the middle white of a photo: darker is no plain paper in the light of the rest
SIDES = ("top", "right", "bottom", "left")


@dataclass(frozen=True, slots=True)
class ToneSettings:
    """Priors (standard deviations) and limits."""

    # Phones add contrast (0 to 0.5 of an S-curve) and lift darks by up to half a stop: from memory, verify.
    sd_brightness: float = 0.2
    sd_contrast: float = 0.3
    sd_between_photos: float = 0.04
    # What printers make of drawn greys: a power of 0.8-1.3, black of 0.03-0.09, and each step off by itself.
    sd_grey_power: float = 0.2
    black: float = 0.06
    sd_log_black: float = 0.4
    sd_log_grey: float = 0.08
    # One step: uneven ink and light beside it, and stray light as a share of the paper's.
    sd_log_step: float = 0.015
    sd_stray: float = 0.004
    sd_log_exposure: float = 0.05  # light that changed, shading, EXIF's rounding
    max_term: float = 0.6  # beyond, curves are no longer increasing
    max_u_fitted: float = 0.08  # of a reflectance; a curve known less well is not used, sRGB is
    rounds: int = 10
    # Less its uncertainty. Of 48 rendered scenes each: none flagged with global curves and shading, 6 % with local tone
    # mapping of 0.08, 83 % with 0.15, 96 % with 0.2.
    max_relit: float = 0.12
    # Rendered sides differ by 0.006 at most; prints are even to 1-2 % a step (common practice).
    max_misfit: float = 0.025
    sd_side: float = 0.01  # sides of one print may differ so much; more widens the fit's uncertainty


def read_tone(
    photos: Sequence[Photo],
    adjustment: Adjustment,
    settings: ToneSettings | None = None,
    *,
    known_greys: tuple[FloatArray, FloatArray] | None = None,
) -> Tone:
    """Fit one print's greys and each photo's tone curve, and say whether the phone relit the photos.

    photos in the order of adjustment.cameras. known_greys: reflectance of the five printed greys over the paper's,
    light to black, and relative standard uncertainties, (5,) each, learnt from other captures of the same print.
    Never raises: with no step to be read the curves are sRGB with the prior's uncertainty.
    """
    settings = settings or ToneSettings()
    scale = (adjustment.print_scale.x, adjustment.print_scale.y)
    pairs = list(zip(photos, adjustment.cameras, strict=True))
    relit, u_relit = relit_strength([read_white(photo, camera, scale) for photo, camera in pairs])
    tone = fit_curves(
        [photo.name for photo in photos],
        [read_steps(photo, camera, scale) for photo, camera in pairs],
        [photo.exif for photo in photos],
        settings,
        known_greys=known_greys,
    )
    told = relit - u_relit > settings.max_relit or tone.misfit > settings.max_misfit
    return replace(tone, relit=relit, u_relit=u_relit, flags=("phone-relit",) if told else ())


def fit_curves(
    names: Sequence[str],
    readings: Sequence[Sequence[StepReading]],
    exifs: Sequence[Exif],
    settings: ToneSettings,
    *,
    known_greys: tuple[FloatArray, FloatArray] | None = None,
) -> Tone:
    """Fit greys and curves to the step readings of each photo (see `read_tone`); says nothing of relighting."""
    steps = _observe(readings)
    fit = _fit(steps, exifs, settings, known_greys)
    misfit = _misfit(steps, fit)
    fit = _Fit(fit.mean, fit.covariance * max(misfit / settings.sd_side, 1) ** 2)
    return Tone(
        curves=tuple(_curve(name, k, fit, steps, settings) for k, name in enumerate(names)),
        grey_reflectance=np.concatenate([[1.0], np.exp(fit.mean[:GREYS])]),
        u_grey=np.concatenate([[0.0], np.sqrt(np.diag(fit.covariance)[:GREYS])]),
        relit=0.0,
        u_relit=1.0,
        misfit=misfit,
    )


@dataclass(frozen=True, eq=False)
class _Steps:
    """All usable printed greys of P photos: coded level and coded white (N,), which photo, grey and side (N,)."""

    level: FloatArray
    white: FloatArray
    photo: FloatArray
    grey: FloatArray
    side: FloatArray
    photos: int

    def white_of(self, photo: int) -> float:
        """Middle coded white of a photo; that of a well exposed one where no step was read."""
        own = self.white[self.photo == photo]
        return float(np.median(own)) if len(own) else 0.9


@dataclass(frozen=True, eq=False)
class _Fit:
    """Posterior mean and covariance of GREYS log greys, then brightness and contrast of each photo."""

    mean: FloatArray
    covariance: FloatArray

    def terms(self, photo: int) -> FloatArray:
        at = GREYS + 2 * photo
        return self.mean[at : at + 2]

    def terms_covariance(self, photo: int) -> FloatArray:
        at = GREYS + 2 * photo
        return self.covariance[at : at + 2, at : at + 2]


def _observe(readings: Sequence[Sequence[StepReading]]) -> _Steps:
    rows = []
    for k, photo in enumerate(readings):
        for reading in photo:
            grey = STEP_BYTES.index(reading.step.srgb_byte) - 1
            if reading.even and grey >= 0:
                level, white = reading.level_rgb @ LUMINANCE, reading.white_rgb @ LUMINANCE
                rows.append((level, white, k, grey, SIDES.index(reading.step.side)))
    table = np.array(rows, dtype=float).reshape(-1, 5)
    for k in range(len(readings)):  # a boot over a step hides the paper beside it too
        own = table[:, 2] == k
        covered = own & (table[:, 1] < COVERED * np.median(table[own, 1])) if own.any() else own
        table = table[~covered]
    indices = table[:, 2:].astype(int).T
    level, white = (np.clip(srgb_from_linear(table[:, k]), 0.004, 0.999) for k in (0, 1))
    return _Steps(level, white, indices[0], indices[1], indices[2], len(readings))


def curve_basis(coded: FloatArray) -> FloatArray:
    """(..., 2): what brightness and contrast add to coded values."""
    arch = coded * (1 - coded)
    return np.stack([arch, arch * (1 - 2 * coded)], axis=-1)


def _decode(coded: FloatArray, terms: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log of the linear light of coded values (N,), and its derivatives by both terms, (N, 2)."""
    basis = curve_basis(coded)
    true = np.clip(coded + (basis * terms).sum(-1), 1e-3, 1.0)
    linear = linear_from_srgb(true)
    slope = (linear_from_srgb(true + 1e-4) - linear_from_srgb(true - 1e-4)) / 2e-4
    return np.log(linear), (slope / linear)[..., None] * basis


def _encode(log_light: FloatArray, terms: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coded values (N,) of linear light given as its log, and the slope of log light over coded value there."""
    true = srgb_from_linear(np.exp(np.minimum(log_light, 0.0)))
    coded = true
    for _ in range(6):  # Newton
        arch, rise = coded * (1 - coded), 1 - 2 * coded
        slope = 1 + terms[:, 0] * rise + terms[:, 1] * (1 - 6 * arch)
        coded = np.clip(
            coded - (coded + (curve_basis(coded) * terms).sum(-1) - true) / np.maximum(slope, 0.1), 1e-3, 1
        )
    light = linear_from_srgb(true)
    return coded, np.maximum(slope, 0.1) * (linear_from_srgb(true + 1e-4) - light) / 1e-4 / light


def _fit(
    steps: _Steps, exifs: Sequence[Exif], settings: ToneSettings, known: tuple[FloatArray, FloatArray] | None
) -> _Fit:
    """Gauss-Newton from the prior mean; steps that fit nothing lose their say (Cauchy weights)."""
    mean, precision = _prior(steps.photos, settings, known)
    estimate, rows = mean.copy(), np.arange(len(steps.level))
    for turn in range(settings.rounds):
        jacobian = np.zeros((len(rows), len(mean)))
        terms = estimate[GREYS:].reshape(-1, 2)[steps.photo]
        white, d_white = _decode(steps.white, terms)
        # Slopes are taken where the step should be, not where noise put it: else curves that squeeze noise win.
        expected, slope = _encode(white + estimate[steps.grey], terms)
        _, d_level = _decode(expected, terms)
        residual = (steps.level - expected) * slope
        jacobian[rows, steps.grey] = 1
        for k in (0, 1):
            jacobian[rows, GREYS + 2 * steps.photo + k] = (d_white - d_level)[:, k]
        sd = np.hypot(settings.sd_log_step, settings.sd_stray * np.exp(-estimate[steps.grey]))
        weight = 1 / sd**2
        if (
            turn >= settings.rounds // 2
        ):  # at first the greys themselves are far off, and nothing is an outlier
            weight = weight / (1 + (residual / (3 * sd)) ** 2)
        e_jacobian, e_residual = _exposures(steps, exifs, estimate)
        e_weight = np.eye(len(e_residual)) - 1 / max(len(e_residual), 1)
        e_weight /= settings.sd_log_exposure**2
        normal = precision + (jacobian * weight[:, None]).T @ jacobian + e_jacobian.T @ e_weight @ e_jacobian
        pull = (jacobian * weight[:, None]).T @ residual + e_jacobian.T @ e_weight @ e_residual
        estimate = estimate + np.linalg.solve(normal, pull + precision @ (mean - estimate))
        estimate[GREYS:] = np.clip(estimate[GREYS:], -settings.max_term, settings.max_term)
    return _Fit(estimate, np.linalg.inv(normal))


def _prior(
    photos: int, settings: ToneSettings, known: tuple[FloatArray, FloatArray] | None
) -> tuple[FloatArray, FloatArray]:
    """Mean and precision matrix of log greys and curve terms."""
    if known is None:
        log_grey, spread = grey_prior(settings)
    else:
        log_grey, spread = np.log(known[0]), np.diag(np.square(known[1]))
    shared = np.diag([settings.sd_brightness**2, settings.sd_contrast**2])
    covariance = np.zeros((GREYS + 2 * photos,) * 2)
    covariance[:GREYS, :GREYS] = spread
    own = settings.sd_between_photos**2 * np.eye(2 * photos)
    covariance[GREYS:, GREYS:] = np.kron(np.ones((photos, photos)), shared) + own
    return np.concatenate([log_grey, np.zeros(2 * photos)]), np.linalg.inv(covariance)


def grey_prior(settings: ToneSettings) -> tuple[FloatArray, FloatArray]:
    """Log reflectance of the printed greys over the paper's, light to black, (GREYS,), and its covariance.

    What printers do: black + (1 - black) drawn^power, by both of its unknowns and each step's own error.
    """
    drawn = linear_of_byte()[list(STEP_BYTES[1:])].astype(float)
    grey = settings.black + (1 - settings.black) * drawn
    by_power = (1 - settings.black) * drawn * np.log(np.maximum(drawn, 1e-9)) / grey
    by_black = settings.black * (1 - drawn) / grey
    spread = settings.sd_log_grey**2 * np.eye(GREYS)
    spread += settings.sd_grey_power**2 * np.outer(by_power, by_power)
    spread += settings.sd_log_black**2 * np.outer(by_black, by_black)
    return np.log(grey), spread


def _exposures(steps: _Steps, exifs: Sequence[Exif], estimate: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Jacobian and residuals of log exposure (EXIF) less log white, one row per photo that tells its exposure.

    Only differences between photos count: the caller's weights take out the mean.
    """
    rows, residuals = [], []
    for k, exif in enumerate(exifs):
        exposure = exposure_of(exif)
        own = steps.white[steps.photo == k]
        if exposure is None or not len(own):
            continue
        log_white, slope = _decode(own, np.broadcast_to(estimate[GREYS + 2 * k :][:2], (len(own), 2)))
        row = np.zeros(len(estimate))
        row[GREYS + 2 * k : GREYS + 2 * k + 2] = slope.mean(0)
        rows.append(row)
        residuals.append(np.log(exposure) - log_white.mean())
    return np.array(rows).reshape(-1, len(estimate)), np.array(residuals)


def exposure_of(exif: Exif) -> float | None:
    """Relative exposure, s x ISO / f-number^2, or None where EXIF does not tell all three (ISO 12232, APEX)."""
    if not exif.exposure_s or not exif.iso or not exif.f_number:
        return None
    return exif.exposure_s * exif.iso / exif.f_number**2


def _misfit(steps: _Steps, fit: _Fit) -> float:
    """Relative rms over sides of how far the four sides' greys stand from one curve, worst photo; black left out.

    Each side is the median over its greys and every photo with less than three sides says nothing.
    """
    worst = 0.0
    for k in range(steps.photos):
        own = (steps.photo == k) & (steps.grey < GREYS - 1)
        level, _ = _decode(steps.level[own], fit.terms(k))
        white, _ = _decode(steps.white[own], fit.terms(k))
        residual = level - white - fit.mean[steps.grey[own]]
        sides = [
            np.median(residual[steps.side[own] == s]) for s in range(4) if (steps.side[own] == s).sum() >= 2
        ]
        if len(sides) >= 3:
            worst = max(worst, float(np.std(sides)))
    return worst


def _curve(name: str, photo: int, fit: _Fit, steps: _Steps, settings: ToneSettings) -> ToneCurve:
    """The fitted curve where it is known well, else sRGB with what separates it from the fit as uncertainty."""
    terms, covariance = fit.terms(photo), fit.terms_covariance(photo)
    white = steps.white_of(photo)
    if _u_tone(white, terms, covariance) > settings.max_u_fitted:
        terms, covariance = np.zeros(2), covariance + np.outer(terms, terms)
    coded = np.arange(256) / 255
    true = np.clip(coded + curve_basis(coded) @ terms, 0, 1)
    u_brightness, u_contrast = np.sqrt(np.diag(covariance))
    return ToneCurve(
        photo_name=name,
        table=np.maximum.accumulate(linear_from_srgb(true)).astype(np.float32),
        brightness=float(terms[0]),
        contrast=float(terms[1]),
        u_brightness=float(u_brightness),
        u_contrast=float(u_contrast),
        u_tone=_u_tone(white, terms, covariance),
    )


def _u_tone(white: float, terms: FloatArray, covariance: FloatArray) -> float:
    """Largest relative uncertainty that the curve leaves on reflectances of 0.2-0.5 under a coded white."""
    light = linear_from_srgb(white) * np.array([1.0, 0.2, 0.35, 0.5])
    slopes = _decode(srgb_from_linear(light), np.broadcast_to(terms, (4, 2)))[1]
    ratio = slopes[1:] - slopes[0]
    return float(np.sqrt(np.einsum("nk,kl,nl->n", ratio, covariance, ratio)).max())
