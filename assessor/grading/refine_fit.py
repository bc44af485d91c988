"""Fit how far floors lie from a scale's curve: a normal model with partial pooling, by empirical Bayes.

    offset = delta(grade) + site + aggregate + camera + made_alike(site, reading) + scatter

`offset` is ln Sq of a spot less the scale's curve where the readings put it. delta is what the scale has wrong, one
value per grade: normal about 0 with the scale's own ignorance as spread, neighbours alike (a squared exponential over 3
grades, and a small part of each chip's own), so readings of grade 3 say much of grade 4 and little of grade 9. Sites,
aggregates and cameras are normal about 0 with a spread each. The four spreads are the mode under log-normal priors (a
factor of 2 either way about their usual size), which never reaches zero: with one site or one camera they stay what was
assumed, with many they are what the readings say (a penalised REML; Chung et al. 2013, Psychometrika 78, 685, on why
not to let it reach zero). All else is then the conjugate normal posterior.

Where in its cell a floor lies is open (`refine_cells`). Floors of one site that read the same were made alike, so half
of that is shared: any number of readings of one grade at one site leaves that part open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from assessor.values import FloatArray, freeze

FACTORS = ("site", "aggregate", "camera")


@dataclass(frozen=True, slots=True)
class FitSettings:
    """What is assumed before any reading; log_sd are of ln Sq. Working values, none measured."""

    site_log_sd: float = 0.10  # crews, tools and skins differ; a step between grades is 0.46
    aggregate_log_sd: float = 0.07  # stone that stands out or polishes off
    camera_log_sd: float = 0.05  # a phone's bias; the card takes out scale, not sharpening
    scatter_log_sd: float = 0.15  # floors of one place on the scale at one site
    spread_factor: float = 2.0  # one standard deviation of each of these, up or down
    ignorance_share: float = (
        0.5  # of the scale's variance that is at least ignorance of the curve, not of floors
    )
    alike_grades: float = 3.0  # distance over which the curve's error stays alike
    chip_share: float = 0.03  # of that error's variance, each chip's own
    made_alike: float = 0.5  # share of the reading's cell that floors of one site and reading have in common


@dataclass(frozen=True, eq=False)
class Offsets:
    """N spots: offset (N,) of ln Sq, its variance known beforehand u2 (N,), cell (N,) the variance of the reading.

    at (N, K): how much each of the K grades counts in the reading, rows sum to 1. groups: per spot its site, aggregate
    and camera. alike: per spot a name for site and reading.
    """

    offset: FloatArray
    u2: FloatArray
    cell: FloatArray
    at: FloatArray
    groups: tuple[tuple[str, str, str], ...]
    alike: tuple[str, ...]

    def __post_init__(self) -> None:
        for array in (self.offset, self.u2, self.cell, self.at):
            freeze(array)


@dataclass(frozen=True, eq=False)
class Fitted:
    """What N spots say. mean, log_sd (K,): offset per grade for the site asked for, and the spread of its next floor.

    u (K,): standard error of mean. site, aggregate, camera, scatter: fitted spreads.
    """

    mean: FloatArray
    u: FloatArray
    log_sd: FloatArray
    site: float
    aggregate: float
    camera: float
    scatter: float

    def __post_init__(self) -> None:
        for array in (self.mean, self.u, self.log_sd):
            freeze(array)


def odd_scores(data: Offsets, settings: FitSettings | None = None) -> FloatArray:
    """Return how far each spot lies from the middle of its site (N,), in standard deviations.

    Before any fit, which a gross error would bend: about the site's median (of all spots where a site has fewer than
    five), by the assumed spread or, where floors scatter more than that, by their median absolute deviation.
    """
    settings = settings or FitSettings()
    sites = np.array([group[0] for group in data.groups])
    middle = np.full(len(sites), np.median(data.offset))
    for site in set(sites.tolist()):
        own = sites == site
        if own.sum() >= 5:
            middle[own] = np.median(data.offset[own])
    assumed = settings.scatter_log_sd**2 + settings.site_log_sd**2
    standard = (data.offset - middle) / np.sqrt(data.u2 + data.cell + assumed)
    robust = 1.4826 * float(np.median(np.abs(standard)))
    return np.asarray(standard / max(robust, 1.0))


def fit_offsets(
    data: Offsets,
    log_sd: Sequence[float],
    asked: tuple[str | None, str | None, str | None],
    settings: FitSettings | None = None,
) -> Fitted:
    """Return the offset of every grade for the site, aggregate and camera asked for (None: for any, unseen).

    log_sd (K,): the scale's spread of ln Sq per grade before.
    """
    settings = settings or FitSettings()
    told = np.array(
        [settings.site_log_sd, settings.aggregate_log_sd, settings.camera_log_sd, settings.scatter_log_sd]
    )
    before = np.asarray(log_sd, float)
    # The scale's spread holds its ignorance and the floors' own; the assumed spreads may not be more than it.
    told = told * min(
        1.0, math.sqrt((1 - settings.ignorance_share) * float(before.min()) ** 2 / (told @ told))
    )
    ignorance = np.sqrt(before**2 - told @ told)
    model = _Model(data, ignorance, settings)

    def penalised(log_sds: FloatArray) -> float:
        pull = (log_sds - np.log(told)) / math.log(settings.spread_factor)
        return model.minus_log_likelihood(np.exp(log_sds)) + 0.5 * float(pull @ pull)

    found = minimize(penalised, np.log(told), method="L-BFGS-B", bounds=[(-7.0, 1.0)] * 4)
    sds = np.exp(found.x)
    mean, cov = model.posterior(sds)
    rows, unseen = model.rows_for(asked, sds)
    u2 = np.einsum("kq,qr,kr->k", rows, cov, rows) + unseen
    return Fitted(
        mean=rows @ mean,
        u=np.sqrt(u2),
        log_sd=np.sqrt(u2 + sds[3] ** 2),
        site=float(sds[0]),
        aggregate=float(sds[1]),
        camera=float(sds[2]),
        scatter=float(sds[3]),
    )


class _Model:
    """The design and priors of one fit; unknowns: K grades, then the levels of each factor, then the made-alike."""

    def __init__(self, data: Offsets, ignorance: FloatArray, settings: FitSettings) -> None:
        self.data = data
        count = len(ignorance)
        away = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
        alike = (1 - settings.chip_share) * np.exp(-0.5 * (away / settings.alike_grades) ** 2)
        # What all grades are unsure by is common; what some are unsure by beyond that is theirs, or moving a grade
        # that was read would move an end of the scale, which nobody read and which is less sure, even further.
        common = float(ignorance.min())
        more = np.sqrt(ignorance**2 - common**2)
        curve = (common**2 + np.outer(more, more)) * (alike + settings.chip_share * np.eye(count))
        self.curve_precision = np.linalg.inv(curve)
        self.curve_logdet = float(np.linalg.slogdet(curve)[1])
        self.levels = [sorted({group[f] for group in data.groups}) for f in range(len(FACTORS))]
        blocks = [data.at]
        for f, levels in enumerate(self.levels):
            blocks.append(_indicators([group[f] for group in data.groups], levels))
        names = sorted(set(data.alike))
        blocks.append(_indicators(list(data.alike), names))
        self.design = np.hstack(blocks)
        cells = dict(zip(data.alike, data.cell.tolist(), strict=True))
        self.alike_variance = settings.made_alike * np.array([cells[name] for name in names])
        self.own_variance = data.u2 + data.cell * (1 - settings.made_alike)

    def minus_log_likelihood(self, sds: FloatArray) -> float:
        """Of the offsets with the unknowns summed out, up to a constant."""
        precision, logdet = self._prior(sds)
        noise = self.own_variance + sds[3] ** 2
        weighed = self.design / noise[:, None]
        whole = cho_factor(precision + self.design.T @ weighed)
        pulled = weighed.T @ self.data.offset
        square = float(self.data.offset @ (self.data.offset / noise) - pulled @ cho_solve(whole, pulled))
        whole_logdet = 2 * float(np.log(np.diag(whole[0])).sum())
        return 0.5 * (square + whole_logdet + logdet + float(np.log(noise).sum()))

    def posterior(self, sds: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and covariance of the unknowns."""
        precision, _ = self._prior(sds)
        weighed = self.design / (self.own_variance + sds[3] ** 2)[:, None]
        cov = np.linalg.inv(precision + self.design.T @ weighed)
        return cov @ (weighed.T @ self.data.offset), cov

    def rows_for(
        self, asked: tuple[str | None, str | None, str | None], sds: FloatArray
    ) -> tuple[FloatArray, float]:
        """Rows (K, Q) that give each grade's offset there, and the variance that unseen levels add."""
        count = len(self.curve_precision)
        rows = np.zeros((count, self.design.shape[1]))
        rows[:, :count] = np.eye(count)
        at, unseen = count, 0.0
        for f, levels in enumerate(self.levels):
            name = asked[f]
            if name in levels:
                rows[:, at + levels.index(name)] = 1.0
            else:
                unseen += float(sds[f]) ** 2
            at += len(levels)
        return rows, unseen

    def _prior(self, sds: FloatArray) -> tuple[FloatArray, float]:
        """Precision of the unknowns and the log-determinant of their covariance."""
        variances = np.concatenate(
            [
                *(np.full(len(levels), sds[f] ** 2) for f, levels in enumerate(self.levels)),
                self.alike_variance,
            ]
        )
        count = len(self.curve_precision)
        precision = np.zeros((count + len(variances),) * 2)
        precision[:count, :count] = self.curve_precision
        precision[range(count, len(precision)), range(count, len(precision))] = 1 / variances
        return precision, self.curve_logdet + float(np.log(variances).sum())


def _indicators(names: list[str], levels: list[str]) -> FloatArray:
    return np.asarray(np.array(names)[:, None] == np.array(levels)[None, :], dtype=np.float64)
