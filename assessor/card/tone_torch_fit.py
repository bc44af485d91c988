"""The fit of `tone_torch`: one curve, the greys, every torch's light and the ambient light, all at once.

Gauss-Newton from the priors (maximum a posteriori) over the equations of `tone_torch_model`. What fits nothing loses
its say (Cauchy weights).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from assessor.card.tone_torch_curve import KNOTS, USUAL_SLOPES, Coded, integral_terms, slope_terms
from assessor.card.tone_torch_model import (
    SMOOTH,
    Columns,
    PaperSeen,
    StepsSeen,
    TorchFitSettings,
    View,
    exposure_part,
    shade_part,
    step_part,
)
from assessor.values import FloatArray


@dataclass(frozen=True, eq=False)
class CurveFit:
    """Slopes at KNOTS (K,) and log greys of the steps (S,) with their joint covariance; relit +- u_relit.

    share (T,): of each torch in the light at the window's centre. residual (M,): of the steps. spread: robust rms of
    the paper over its expected error.
    """

    slopes: FloatArray
    log_grey: FloatArray
    covariance: FloatArray
    relit: float
    u_relit: float
    share: FloatArray
    residual: FloatArray
    spread: float

    def log_light(self, x: FloatArray) -> FloatArray:
        """Log of true light, 0 at full white, of log coded light (...)."""
        return np.asarray(integral_terms(x) @ self.slopes)


def torch_light_terms(fit: CurveFit, x: FloatArray, share: float) -> FloatArray:
    """(..., K): relative change, per change of each slope, of what relative differences of a torch's light are read as.

    x: log coded light where the torch gives `share` of the light and the rest is taken off through the same curve.
    Differences go with the local slope over that share; a curve that is too steep finds too large a share as well, so
    part of its error cancels.
    """
    slope = slope_terms(x)
    rest, _, _ = Coded(fit.slopes).of(fit.log_light(x) + np.log1p(-share))
    apart = integral_terms(x) - integral_terms(rest)
    return np.asarray(slope / (slope @ fit.slopes)[..., None] - (1 - share) / share * apart)


def fit_torch_curve(
    papers: Sequence[PaperSeen],
    steps: StepsSeen,
    grey_prior: tuple[FloatArray, FloatArray],
    u_tan_common: float,
    settings: TorchFitSettings,
) -> CurveFit:
    """Fit everything; grey_prior: mean (S,) and covariance (S, S) of the steps' log reflectance over the paper's.

    u_tan_common: relative standard uncertainty of tan(elevation) that all torches share.
    """
    columns = Columns(papers, len(grey_prior[0]))
    dark = next((k for k, paper in enumerate(papers) if paper.place is None), None)
    views = [View(paper, k, columns, dark) for k, paper in enumerate(papers)]
    mean, variance = _prior(papers, columns, grey_prior, settings)
    variance[columns.at["common"].start + 1, columns.at["common"].start + 1] = max(u_tan_common, 1e-3) ** 2
    estimate = mean.copy()
    for k, view in sorted(enumerate(views), key=lambda one: one[0] != dark):
        if len(view.paper.x):
            estimate[columns.of("gain", k)] = np.median(view.paper.x - view.model(estimate)[0])
    uneven = 1.0
    for turn in range(settings.rounds):
        precision = np.linalg.inv(_with_beam(variance, columns, estimate, uneven, settings))
        normal, pull = precision.copy(), precision @ (mean - estimate)
        parts = [step_part(steps, columns, estimate, settings)]
        parts += [view.part(estimate, settings) for view in views]
        parts += [
            shade_part(papers, columns, estimate, settings),
            exposure_part(papers, columns, estimate, settings),
        ]
        for jacobian, left, error in parts:
            weight = 1 / (error**2 + (left / 2) ** 2 if turn > 2 else error**2)
            normal += (jacobian * weight[:, None]).T @ jacobian
            pull += (jacobian * weight[:, None]).T @ left
        estimate = estimate + np.linalg.solve(normal, pull)
        estimate[columns.at["slope"]] = np.clip(estimate[columns.at["slope"]], 0.3, 4.0)
        if turn > 1:
            uneven = _unevenness(variance, columns, estimate, normal, settings)
    inverse = np.linalg.inv(normal)
    kept = slice(0, columns.at["grey"].stop)
    at = columns.at["relit"].start
    scaled = np.concatenate([left / error for _, left, error in parts[1 : 1 + len(views)]])
    return CurveFit(
        slopes=estimate[columns.at["slope"]],
        log_grey=estimate[columns.at["grey"]],
        covariance=inverse[kept, kept],
        relit=float(estimate[at]),
        u_relit=float(np.sqrt(inverse[at, at])),
        share=1 / (1 + np.exp(estimate[columns.at["share"]])),
        residual=parts[0][1],
        spread=1.4826 * float(np.median(np.abs(scaled))) if len(scaled) else 0.0,
    )


def _prior(
    papers: Sequence[PaperSeen],
    columns: Columns,
    grey_prior: tuple[FloatArray, FloatArray],
    s: TorchFitSettings,
) -> tuple[FloatArray, FloatArray]:
    """Mean (n,) and covariance (n, n) of all unknowns; the aims' is left to `_with_beam`."""
    mean, sd = np.zeros(columns.n), np.ones(columns.n)
    at = columns.at
    sd[at["relit"]], sd[at["stays"]], sd[at["ambient"]] = s.sd_relit, s.sd_stays, s.sd_ambient
    sd[at["gain"]], sd[at["level"]], sd[at["waves"]] = 10.0, 100.0, s.sd_wave_slope
    mean[at["power"]], sd[at["power"]] = s.power, s.sd_power
    mean[at["share"]], sd[at["share"]] = s.log_ambient, s.sd_log_ambient
    sd[at["shade"]] = s.sd_share
    sd[at["common"]] = (s.sd_log_distance_common, 1.0, 1.0, 1.0)
    for k, paper in enumerate(paper for paper in papers if paper.place is not None):
        sd[columns.of("own", k, 4)] = (paper.u_log_distance, paper.u_log_tan, 1.0, 1.0)
        line, bend, cube = s.sd_smooth
        sd[columns.of("smooth", k, SMOOTH)] = (line,) * 2 + (bend,) * 3 + (cube,) * 4
    variance = np.diag(sd**2)
    mean[at["grey"]], variance[at["grey"], at["grey"]] = grey_prior
    mean[at["slope"]] = USUAL_SLOPES
    to_white = np.maximum(1 - KNOTS / np.log(0.5), 0.0)
    own = s.sd_slope_own + (s.sd_slope_white - s.sd_slope_own) * to_white
    apart = (KNOTS[:, None] - KNOTS) / s.slope_reach
    variance[at["slope"], at["slope"]] = s.sd_slope**2 + np.outer(own, own) * np.exp(-(apart**2) / 2)
    variance[at["slope"], at["slope"]] += 1e-6 * np.eye(len(KNOTS))
    return mean, variance


def _unevenness(
    variance: FloatArray,
    columns: Columns,
    estimate: FloatArray,
    normal: FloatArray,
    settings: TorchFitSettings,
) -> float:
    """How many times as uneven as the prior says beams are, 1 at least (EM: Dempster et al. 1977).

    What cannot be told from the fall-off keeps its prior's variance there and so says nothing; the rest tells for it.
    """
    at = columns.at["smooth"]
    if at.start == at.stop:
        return 1.0
    expected = estimate[at] ** 2 + np.diag(np.linalg.inv(normal))[at]
    return float(np.clip(np.sqrt(np.mean(expected / np.diag(variance)[at])), 1.0, settings.max_uneven))


def _with_beam(
    variance: FloatArray, columns: Columns, estimate: FloatArray, uneven: float, settings: TorchFitSettings
) -> FloatArray:
    """The prior's covariance with the beams' errors: an aim matters as much as the beam has power."""
    result = variance.copy()
    power = abs(float(estimate[columns.of("power")][0])) + 0.1
    index = np.arange(columns.at["own"].start, columns.at["own"].stop)
    for k in index[2::4].tolist() + index[3::4].tolist():
        result[k, k] = (power * settings.sd_aim * uneven) ** 2
    for k in range(columns.at["common"].start + 2, columns.at["common"].stop):
        result[k, k] = (power * settings.sd_aim_common * uneven) ** 2
    at = columns.at["smooth"]
    result[at, at] *= uneven**2
    return result
