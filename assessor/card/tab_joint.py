"""One light a photo, the same four tabs in all of them: every unknown of a torch capture in one least squares.

How a tab leans and how high it stands is the same in every photo, and lights from all sides tell it: what one photo
cannot tell from its light's place, eight can. What all photos leave open is a common factor of all heights: tabs and
torches that are taller alike throw the same shadows. It goes into the uncertainty that all lights share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from assessor.card.shadow import Source
from assessor.card.tab_model import TabModel, TabState
from assessor.values import FloatArray

# Of one photo's unknowns (see `TabModel.pack`): lean and growth are shared, heights only nearly (see `_Joint`).
SHARED, HEIGHTS = np.array([6, 7, 8, 9, 14]), np.array([10, 11, 12, 13])
OWN = np.array([0, 1, 2, 3, 4, 5, 15, 16, 17, 18, 19, *HEIGHTS])
N_SHARED = len(SHARED) + 4
U_LIFT_MM = 0.12  # of the sheet's height at a shadow's tip; the corners tell most of the cockle
MAX_STEP = 0.15
_Parts = list[list[tuple[FloatArray, FloatArray]]]


@dataclass(frozen=True, eq=False)
class JointFit:
    """Lights of all photos, and the tabs they share.

    given_tabs, by_tabs (P, 5, 5) and (P, 5, 9): covariance of a light's five terms (as in `LightFit`) if the tabs were
    known, and its terms' slopes by what the tabs share: lean (4,) rad, grown_mm, height_mm (4,), whose covariance is
    tabs (9, 9). depth, u_depth (P, 4): share of the light that each tab's shadow takes, NaN where none is seen.
    noise (P,): rms of a sample's light.
    """

    lights: tuple[Source, ...]
    given_tabs: FloatArray
    by_tabs: FloatArray
    tabs: FloatArray
    lean: FloatArray
    height_mm: FloatArray
    grown_mm: float
    depth: FloatArray
    u_depth: FloatArray
    noise: FloatArray


def fit_jointly(
    models: Sequence[TabModel], states: Sequence[TabState], *, iterations: int, rough: bool = False
) -> tuple[list[TabState], JointFit]:
    """Fit all photos together from their states, each of which holds one light; gathers the models' samples."""
    problem = _Joint(models)
    joined = problem.join(states)
    for model, state in zip(models, problem.split(joined), strict=True):
        model.gather(state, rough=rough)
    joined = problem.improve(joined, iterations)
    return problem.split(joined), problem.report(joined)


class _Joint:
    """Unknowns: what the tabs share (lean, growth, height: 9), then 15 of each photo.

    A tab's height over the spot where its shadow's tip falls is its own height less the sheet's there, another spot in
    every photo: so each photo has heights of its own that scatter by U_LIFT_MM about the shared ones.
    """

    def __init__(self, models: Sequence[TabModel]) -> None:
        self.models = models
        self.places = []
        size = N_SHARED + len(OWN) * len(models)
        self.mean, self.precision = np.zeros(size), np.zeros((size, size))
        heights = np.arange(len(SHARED), N_SHARED)
        for p, model in enumerate(models):
            place = np.empty(20, int)
            place[SHARED] = np.arange(len(SHARED))
            place[OWN] = N_SHARED + len(OWN) * p + np.arange(len(OWN))
            self.places.append(place)
            mean, precision = model.priors(1)
            self.mean[place], self.mean[heights] = mean, mean[HEIGHTS]
            self.precision[heights, heights] = precision[HEIGHTS]
            precision[HEIGHTS] = 0
            self.precision[place, place] = precision
        for place in self.places:
            own = place[HEIGHTS]
            self.precision[own, own] = 1 / U_LIFT_MM**2
            self.precision[heights, heights] += 1 / U_LIFT_MM**2
            self.precision[own, heights] = self.precision[heights, own] = -1 / U_LIFT_MM**2

    def join(self, states: Sequence[TabState]) -> FloatArray:
        """One vector of all; the tabs stand as the middle of the states has them."""
        packed = [m.pack(s) for m, s in zip(self.models, states, strict=True)]
        joined = np.zeros_like(self.mean)
        for values, place in zip(packed, self.places, strict=True):
            joined[place] = values
        middle = np.median(packed, axis=0)
        joined[:N_SHARED] = [*middle[SHARED], *middle[HEIGHTS]]
        for place in self.places:
            joined[place[HEIGHTS]] = middle[HEIGHTS]
        return joined

    def split(self, joined: FloatArray) -> list[TabState]:
        """The state of each photo."""
        return [m.unpack(joined[place]) for m, place in zip(self.models, self.places, strict=True)]

    def improve(self, joined: FloatArray, count: int) -> FloatArray:
        """Levenberg-Marquardt with Cauchy weights, as for one photo."""
        damping = 1e-3
        parts = self._linearise(joined)
        for _ in range(count):
            noise, sure = self._weigh(parts)
            matrix, gradient = self._normal(parts, joined, noise, sure)
            before = self._cost(parts, joined, noise, sure)
            for _ in range(5):
                step = -np.linalg.solve(matrix + damping * np.diag(np.diag(matrix) + 1e-9), gradient)
                trial = joined + step
                for model, place in zip(self.models, self.places, strict=True):
                    lights = np.clip(step[place[:5]], -MAX_STEP, MAX_STEP)
                    values = joined[place] + np.concatenate([lights, step[place[5:]]])
                    trial[place] = model.pack(model.unpack(values))
                tried = self._linearise(trial)
                after = self._cost(tried, trial, noise, sure)
                if after <= before:
                    break
                damping = max(damping * 10, 1e-3)
            else:
                return joined
            moved = float(np.abs(trial - joined)[self._light_places()].max())
            joined, parts, damping = trial, tried, damping / 10
            if before - after < 0.2 * len(self.models) or moved < 3e-4:
                break
        return joined

    def report(self, joined: FloatArray) -> JointFit:
        """Lights with their covariance, split into what the tabs share and the rest."""
        parts = self._linearise(joined)
        noise, sure = self._weigh(parts)
        matrix, _ = self._normal(parts, joined, noise, sure)
        # A light that no shadow tells anything of is unknown, not impossible.
        matrix = matrix + 1e-9 * np.eye(len(matrix))
        shared = np.linalg.inv(matrix)[:N_SHARED, :N_SHARED]
        given, by_tabs = [], []
        for place in self.places:
            own = place[OWN]
            inverse = np.linalg.inv(matrix[np.ix_(own, own)])
            given.append(inverse[:5, :5])
            by_tabs.append((-inverse @ matrix[np.ix_(own, np.arange(N_SHARED))])[:5])
        states = self.split(joined)
        depth, u_depth = self._depths(states, parts, noise, sure)
        return JointFit(
            lights=tuple(s.lights[0] for s in states),
            given_tabs=np.array(given), by_tabs=np.array(by_tabs), tabs=shared,
            lean=states[0].lean, height_mm=joined[len(SHARED) : N_SHARED], grown_mm=states[0].grown,
            depth=depth, u_depth=u_depth, noise=np.array(noise),
        )  # fmt: skip

    def _light_places(self) -> FloatArray:
        return np.concatenate([place[:5] for place in self.places])

    def _linearise(self, joined: FloatArray) -> _Parts:
        return [
            [m.linearise(s, tab, slopes=True) for tab in m.tabs]
            for m, s in zip(self.models, self.split(joined), strict=True)
        ]

    def _weigh(self, parts: _Parts) -> tuple[list[float], list[list[FloatArray]]]:
        noise, sure = [], []
        for model, part in zip(self.models, parts, strict=True):
            noise.append(model.noise_of([r for r, _ in part]))
            sure.append([model.certainty(jac, noise[-1]) for _, jac in part])
        return noise, sure

    def _normal(
        self, parts: _Parts, joined: FloatArray, noise: list[float], sure: list[list[FloatArray]]
    ) -> tuple[FloatArray, FloatArray]:
        matrix, gradient = self.precision.copy(), self.precision @ (joined - self.mean)
        for place, part, u, certain in zip(self.places, parts, noise, sure, strict=True):
            block, pull = np.zeros((20, 20)), np.zeros(20)
            for (residual, jac), c in zip(part, certain, strict=True):
                robust = c / (1 + (residual / _scale(u)) ** 2)
                block += jac.T @ (jac * robust[:, None])
                pull += jac.T @ (robust * residual)
            matrix[np.ix_(place, place)] += block
            gradient[place] -= pull
        return matrix, gradient

    def _cost(
        self, parts: _Parts, joined: FloatArray, noise: list[float], sure: list[list[FloatArray]]
    ) -> float:
        total = float((joined - self.mean) @ self.precision @ (joined - self.mean))
        for part, u, certain in zip(parts, noise, sure, strict=True):
            scale = _scale(u)
            total += scale**2 * sum(
                float((np.log1p((r / scale) ** 2) * c).sum()) for (r, _), c in zip(part, certain, strict=True)
            )
        return total

    def _depths(
        self, states: list[TabState], parts: _Parts, noise: list[float], sure: list[list[FloatArray]]
    ) -> tuple[FloatArray, FloatArray]:
        depth, u_depth = np.full((len(states), 4), np.nan), np.full((len(states), 4), np.inf)
        for p, (model, state) in enumerate(zip(self.models, states, strict=True)):
            for tab, (residual, jac), c in zip(model.tabs, parts[p], sure[p], strict=True):
                t, source = tab.index, state.lights[0]
                robust = c / (1 + (residual / _scale(noise[p])) ** 2)
                column = jac[:, 16 + t]  # by the logarithm of this shadow's depth
                power = float(column @ (robust * column))
                if power <= 0:
                    continue
                off = float(column @ (robust * residual)) / power
                said = model.strength(source, float(state.extra[0, t]), t) * source.share
                depth[p, t], u_depth[p, t] = said * (1 + off), said * power**-0.5
        return depth, u_depth


def _scale(noise: float) -> float:
    return max(6 * noise, 0.05)
