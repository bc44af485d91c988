"""Widths that hold: a network's own deviation is stretched until 90 % of the truths lie within, in the worst group.

Split conformal prediction on scores |error| / sd (Papadopoulos et al. 2002; Lei et al. 2018), group-wise: the factor of
the worst group is shipped, since the study of this method saw intervals fitted on one kind of scenes cover 53-77 % of
another kind. The answers come from fresh training scenes and from whole photos of a renderer that trained nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np

from assessor.texture.model import Calibration, LightState
from assessor.values import BoolArray, FloatArray

STATES: tuple[LightState, ...] = get_args(LightState)
LEVEL = 0.90
FEWEST = 40  # answers below which a state of the light takes the factor of all states together
FLOOR = 0.08  # octaves: no network knows Sq better than it was drawn
KNEES = (0.2, 0.35, 0.5, 1.0)
SLOPES = (0.0, 0.5, 1.0, 2.0)


@dataclass(frozen=True, eq=False)
class Answers:
    """What a network said of n windows, all (n,): truth and mean in log2 mm, sd, squared distance, state (0-2)."""

    truth: FloatArray
    mean: FloatArray
    sd: FloatArray
    distance: FloatArray
    state: FloatArray

    def only(self, mask: BoolArray) -> Answers:
        """Some of them."""
        return Answers(
            self.truth[mask], self.mean[mask], self.sd[mask], self.distance[mask], self.state[mask]
        )

    @property
    def error(self) -> FloatArray:
        """Octaves."""
        return self.mean - self.truth


def strange_limit(trained: FloatArray, share: float = 0.998) -> float:
    """Squared distance that only 1 - share of the scenes like those trained on exceed."""
    return float(np.quantile(trained, share))


def conformal(scores: FloatArray, level: float = LEVEL) -> float:
    """The split-conformal quantile: with n scores, the ceil((n + 1) level)-th smallest."""
    ordered = np.sort(scores)
    rank = min(math.ceil((len(ordered) + 1) * level), len(ordered))
    return float(ordered[rank - 1])


def fit_calibration(
    groups: Mapping[str, Answers], limit: float, *, lay_limit: float, lay_u_deg: float
) -> Calibration:
    """Factors by what is known of the light, for the worst group, and how fast strangeness widens.

    Of the slopes tried the one with the narrowest median half-width over all groups is taken.
    """
    best: tuple[float, Calibration] | None = None
    for knee in KNEES:
        for slope in SLOPES if knee < 1 else SLOPES[:1]:
            trial = Calibration({}, FLOOR, knee, slope, limit, lay_limit, lay_u_deg)
            fitted = replace(trial, factor=_factors(trial, groups))
            width = float(np.median(np.concatenate([half_widths(fitted, part) for part in groups.values()])))
            if best is None or width < best[0]:
                best = width, fitted
    assert best is not None
    return best[1]


def half_widths(calibration: Calibration, answers: Answers) -> FloatArray:
    """Calibrated 90 % half-widths (n,), octaves; answers closer than the limit or not."""
    factor = np.array([calibration.factor[state] for state in STATES])[answers.state.astype(int)]
    return factor * _unscaled(calibration, answers)


def _unscaled(calibration: Calibration, answers: Answers) -> FloatArray:
    return calibration.spread(answers.sd, answers.distance / calibration.strange_limit)


def _factors(trial: Calibration, groups: Mapping[str, Answers]) -> dict[str, float]:
    factors: dict[str, float] = {}
    for k, state in enumerate(STATES):
        worst = []
        for answers in groups.values():
            near = answers.only(answers.distance <= trial.strange_limit)
            own = near.only(near.state == k)
            part = own if len(own.truth) >= FEWEST else near
            worst.append(conformal(np.abs(part.error) / _unscaled(trial, part)))
        # Who knows less of the light is never surer.
        factors[state] = round(max([*worst, *factors.values()]), 3)
    return factors


def scores(calibration: Calibration, answers: Answers, max_half90: float) -> dict[str, float | int]:
    """What to tell of a group: all answers' error, then coverage, width and abstention as the tool would have it."""
    half = half_widths(calibration, answers)
    strange = answers.distance > calibration.strange_limit
    claimed = ~strange & (half <= max_half90)
    off = np.abs(answers.error)

    def mean(values: FloatArray | BoolArray) -> float:
        return round(float(np.mean(values)), 3) if len(values) else math.nan

    return {
        "n": len(off),
        "mae_octaves": mean(off),
        "bias_octaves": mean(answers.error),
        "mae_claimed": mean(off[claimed]),
        "coverage": mean(off <= half),
        "coverage_claimed": mean((off <= half)[claimed]),
        "median_half_width": round(float(np.median(half)), 3),
        "median_half_width_claimed": round(float(np.median(half[claimed])), 3) if claimed.any() else math.nan,
        "abstained": mean(~claimed),
        "strange": mean(strange),
    }
