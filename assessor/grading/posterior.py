"""Weigh a measured amplitude against a scale: probability per grade, and what makes it wide.

The floor has a position y on the scale: chip k sits at k, halfway (in log amplitude) to the next chip a
person would switch, so grade k owns k - 0.5 to k + 0.5 and the end grades own all beyond ("over 6 mm" is
open). Flat prior in y, which makes the inner grades equally likely, reaching `beyond_ends` past either end
cell. Given y and process, ln Sq is normal about the scale's curve (interpolated in y); the process, where
not told, is summed out. Bayes on a grid, so nothing depends on a closed form. An upper bound says only "the
floor is no rougher": its likelihood is flat below and falls off above.

Only Sq is weighed. MPD comes from the same heights with the same scale error, its 3 mm low-pass removes most
of what tells CSP 1-3 apart, and no figure per grade was found for it: it would count one piece of evidence
twice.

A scale's chips may break the order of their grades (editions were numbered differently). Positions then run from chip
to chip as roughness does, and each chip owns its part as before. But where the number does not follow roughness, other
things than amplitude make the grade: grades of such a run can't be told apart by it, so they share evenly what falls
to the run. So do the finest grades where the scale knows only bounds of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from assessor.grading.scale import ScaleCurve
from assessor.values import FloatArray, freeze

GRID_STEP = 0.05  # grades; a tenth of it changes no probability by more than 0.001 (tests)


@dataclass(frozen=True, eq=False)
class Posterior:
    """What N measured amplitudes say: probabilities (N, K) per grade, processes (N, P) per curve."""

    probabilities: FloatArray
    processes: FloatArray

    def __post_init__(self) -> None:
        freeze(self.probabilities)
        freeze(self.processes)


@dataclass(frozen=True, slots=True)
class Width:
    """Where the width of one posterior comes from: variances in squared grades; position in grades from 1."""

    position: float
    measurement: float
    scale: float
    process: float

    @property
    def dominant(self) -> str:
        """The largest part: "measurement", "scale" or "process"."""
        parts = {"measurement": self.measurement, "scale": self.scale, "process": self.process}
        return max(parts, key=lambda name: parts[name])


def weigh_grades(
    log_value: FloatArray,
    log_sd: FloatArray,
    curves: Sequence[ScaleCurve],
    *,
    upper: bool = False,
    beyond_ends: float = 1.0,
    grid_step: float = GRID_STEP,
) -> Posterior:
    """Return the probability per grade of N amplitudes; every row sums to 1.

    log_value (N,): ln Sq, Sq in mm, or ln of the bound with upper=True; log_sd (N,): standard deviation of
    it.
    """
    count = len(curves[0].log_median)
    cells = round((count + 2 * beyond_ends) / grid_step)
    y = 0.5 - beyond_ends + (np.arange(cells) + 0.5) * grid_step
    chains = [_by_roughness(curve) for curve in curves]
    median = np.stack([_along(y, curve.log_median, extend=True) for curve, _ in chains])
    spread = np.stack([_along(y, curve.log_sd) for curve, _ in chains])
    weight = np.stack([_along(y, curve.weight) for curve, _ in chains])
    log_weight = np.log(weight / weight.sum(axis=0))

    # (N, P, Y): value, process, position
    total = np.hypot(spread[None], np.asarray(log_sd)[:, None, None])
    away = (np.asarray(log_value)[:, None, None] - median[None]) / total
    log_likelihood = log_ndtr(away) if upper else -0.5 * away**2 - np.log(total)
    log_joint = log_likelihood + log_weight[None]
    joint = np.exp(log_joint - log_joint.max(axis=(1, 2), keepdims=True))
    joint /= joint.sum(axis=(1, 2), keepdims=True)

    cell = np.clip(np.rint(y).astype(int), 1, count) - 1
    per_place = np.stack([joint[:, :, cell == k].sum(axis=2) for k in range(count)], axis=2)
    per_grade = np.empty_like(per_place)
    for p, (curve, (_, order)) in enumerate(zip(curves, chains, strict=True)):
        per_grade[:, p, order] = per_place[:, p]
        for first, last in curve.tied:
            run = per_grade[:, p, first : last + 1]
            run[:] = run.mean(axis=1, keepdims=True)
    probabilities = per_grade.sum(axis=1)
    return Posterior(probabilities / probabilities.sum(axis=1, keepdims=True), joint.sum(axis=2))


def typical_mm(curves: Sequence[ScaleCurve]) -> tuple[float, ...]:
    """Sq of a middling floor of each grade, mm: the curves' medians, weighed as the processes are common there."""
    weight = np.stack([np.asarray(curve.weight, float) for curve in curves])
    median = np.stack([np.asarray(curve.log_median, float) for curve in curves])
    return tuple(float(v) for v in np.exp((weight * median).sum(0) / weight.sum(0)))


def explain_width(
    log_value: float, log_sd: float, curves: Sequence[ScaleCurve], processes: FloatArray
) -> Width:
    """Split the width of one posterior into measurement, scale and unknown process, all in squared grades.

    processes (P,): the posterior probability of each curve. First-order, by the curve's mean slope.
    """
    positions, scales, slopes = [], [], []
    for curve, _ in map(_by_roughness, curves):
        slope = _slope(curve.log_median)
        position = _invert(log_value, curve.log_median)
        positions.append(position)
        scales.append(float(_along(np.array([position]), curve.log_sd)[0]) / slope)
        slopes.append(slope)
    place = np.array(positions)
    mean = float(processes @ place)
    return Width(
        position=mean,
        measurement=float(processes @ (log_sd / np.array(slopes)) ** 2),
        scale=float(processes @ np.array(scales) ** 2),
        process=float(processes @ (place - mean) ** 2),
    )


def highest_unexcluded(
    log_bound: float, log_sd: float, curves: Sequence[ScaleCurve], *, chance: float = 0.10
) -> int:
    """Return the index of the roughest grade that could still give so low an upper bound.

    A grade is excluded when even its smoothest floor gives such a bound less often than `chance`, the process
    summed out where not told. Needs no prior over grades, so "or below" never rests on one. Grades that amplitude
    can't tell apart are excluded together.
    """
    count = len(curves[0].log_median)
    edges = np.arange(1, count) + 0.5
    chains = [_by_roughness(curve) for curve in curves]
    weight = np.stack([_along(edges, curve.weight) for curve, _ in chains])
    weight = weight / weight.sum(axis=0)
    could = np.zeros(count)
    for (curve, order), whole, share in zip(chains, curves, weight, strict=True):
        total = np.hypot(_along(edges, curve.log_sd), log_sd)
        own = np.ones(count)  # the smoothest chip owns all below it: no bound excludes it
        own[order[1:]] = np.exp(log_ndtr((log_bound - _along(edges, curve.log_median)) / total))
        for first, last in whole.tied:
            own[first : last + 1] = own[first : last + 1].max()
        of_grade = np.ones(count)
        of_grade[order[1:]] = share
        could += of_grade * own
    return int(np.flatnonzero(could >= chance)[-1])


def shortest_run(probabilities: Sequence[float], mass: float = 0.90) -> tuple[int, int]:
    """Return first and last index of the shortest run of grades holding `mass`; of equals, the heaviest.

    For a single-peaked posterior this is the smallest set of most probable grades; otherwise it is the
    smallest set without a hole, since "3 or 5 but not 4" means nothing on a floor.
    """
    sums = np.concatenate([[0.0], np.cumsum(probabilities)])
    count = len(probabilities)
    for length in range(1, count + 1):
        held = sums[length:] - sums[: count - length + 1]
        first = int(np.argmax(held))
        if held[first] >= mass - 1e-12:
            return first, first + length - 1
    return 0, count - 1


def _by_roughness(curve: ScaleCurve) -> tuple[ScaleCurve, NDArray[np.int_]]:
    """The curve with its grades in the order of their medians, and that order as grade indices."""
    order = np.argsort(curve.log_median, kind="stable")
    median, spread, weight = (
        tuple(part[k] for k in order) for part in (curve.log_median, curve.log_sd, curve.weight)
    )
    return replace(curve, log_median=median, log_sd=spread, weight=weight), order


def _along(y: FloatArray, nodes: Sequence[float], *, extend: bool = False) -> FloatArray:
    """Interpolate a per-grade list at positions y; held beyond the ends, or extended by the mean slope."""
    at = np.arange(1, len(nodes) + 1)
    inside = np.interp(y, at, nodes)
    if not extend:
        return np.asarray(inside)
    return np.asarray(inside + _slope(nodes) * (np.minimum(y - 1, 0) + np.maximum(y - len(nodes), 0)))


def _invert(value: float, nodes: Sequence[float]) -> float:
    slope = _slope(nodes)
    if value <= nodes[0]:
        return 1 + (value - nodes[0]) / slope
    if value >= nodes[-1]:
        return len(nodes) + (value - nodes[-1]) / slope
    return float(np.interp(value, nodes, np.arange(1, len(nodes) + 1)))


def _slope(nodes: Sequence[float]) -> float:
    return (nodes[-1] - nodes[0]) / (len(nodes) - 1)
