"""Lights from the shadow maps of all four tabs together: Gauss-Newton with the tabs' own faults as unknowns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from assessor.card.shadow import Source
from assessor.card.tab_model import FitSettings, LightFit, TabModel, TabState
from assessor.card.tab_samples import TabField
from assessor.values import FloatArray

__all__ = ["FitSettings", "LightFit", "fit_lights"]


def fit_lights(
    field: TabField,
    start: tuple[Source, ...],
    *,
    white: FloatArray,
    blur_mm: float,
    tabs: tuple[int, ...],
    settings: FitSettings | None = None,
    frozen: LightFit | None = None,
) -> LightFit:
    """Fit lights to shadow maps, from a rough start.

    white (4,): smooth paper light at the tabs over that at the window's centre. frozen: keep tabs and softness of
    this fit (for the maps of single photos).
    """
    settings = settings or FitSettings()
    maps = field.maps
    fit = _Fit(field, (white, blur_mm), tabs, settings, frozen)
    if frozen is None:
        state = TabState(
            list(start), np.zeros(4), maps.height_mm.copy(), 0.0, 0.0, blur_mm, np.zeros((len(start), 4))
        )
    else:
        state = TabState(
            list(start), frozen.lean, frozen.height_mm, frozen.sky, frozen.grown_mm, frozen.blur_mm,
            np.zeros((len(start), 4)),
        )  # fmt: skip
    return fit.run(state)


class _Fit(TabModel):
    """One least-squares problem with its Levenberg-Marquardt loop."""

    def run(self, state: TabState) -> LightFit:
        """Go near on coarse samples with a forgiving loss, then settle on fine ones."""
        if self.frozen is not None:
            self.gather(state, rough=True)
            return self._report(self._improve(state, self.settings.photo_iterations, rough=True))
        state = self._improve(self._softness(state), self.settings.rough_iterations, rough=True)
        self.gather(state, rough=False)
        return self._report(self._improve(state, self.settings.iterations, rough=False))

    def _softness(self, state: TabState) -> TabState:
        """Try some softnesses for each light in turn, and keep the best."""
        for k in range(len(state.lights)):
            best = (np.inf, state)
            for half_angle in np.deg2rad(self.settings.half_angles_deg):
                lights = list(state.lights)
                lights[k] = replace(lights[k], half_angle=float(half_angle))
                trial = replace(state, lights=lights)
                self.gather(trial, rough=True, least_pool=4)
                found = self._with_share(trial, k)
                if found[0] >= best[0]:
                    break
                best = found
            state = best[1]
        self.gather(state, rough=True)
        return state

    def _with_share(self, state: TabState, k: int) -> tuple[float, TabState]:
        """Mean square left and the state with the best share of light k, all else as it is."""
        rows = []
        for tab in self.tabs:
            residual, _ = self.linearise(state, tab, slopes=False)
            lights = list(state.lights)
            lights[k] = replace(lights[k], share=lights[k].share + 0.1)
            after, _ = self.linearise(replace(state, lights=lights), tab, slopes=False)
            rows.append((residual, (after - residual) / 0.1))
        if not rows:
            return np.inf, state
        residual, slope = (np.concatenate(part) for part in zip(*rows, strict=True))
        change = float(np.clip(-(slope @ residual) / max(float(slope @ slope), 1e-9), -0.5, 0.5))
        lights = list(state.lights)
        share = float(np.clip(lights[k].share + change, 0.02, 1.0))
        lights[k] = replace(lights[k], share=share)
        left = residual + slope * (share - state.lights[k].share)
        return float(np.mean(left**2)), replace(state, lights=lights)

    def _improve(self, state: TabState, count: int, *, rough: bool) -> TabState:
        """Levenberg-Marquardt with Cauchy weights (dirt and wrinkles are not shadows)."""
        if not self.tabs or not state.lights:
            return state
        n = len(state.lights)
        prior = mean, precision = self.priors(n)
        values, damping = self.pack(state), 1e-3
        parts = [self.linearise(state, tab, slopes=True) for tab in self.tabs]
        for _ in range(count):
            noise = self.noise_of([p[0] for p in parts])
            # A start that is off makes large residuals just where the shadow is: they must not be thrown out.
            scale = 0.5 if rough else max(6 * noise, 0.05)
            sure = [self.certainty(jac, noise) for _, jac in parts]
            matrix, gradient = np.diag(precision), precision * (values - mean)
            for (residual, jac), certain in zip(parts, sure, strict=True):
                robust = certain / (1 + (residual / scale) ** 2)
                matrix = matrix + jac.T @ (jac * robust[:, None])
                gradient = gradient - jac.T @ (robust * residual)
            before = self.cost([p[0] for p in parts], values, prior, (sure, scale))
            for _ in range(5):
                step = -np.linalg.solve(matrix + damping * np.diag(np.diag(matrix) + 1e-9), gradient)
                step[: 5 * n] = np.clip(step[: 5 * n], -0.15, 0.15)
                trial = self.unpack(values + step)
                packed = self.pack(trial)
                tried = [self.linearise(trial, tab, slopes=True) for tab in self.tabs]
                after = self.cost([p[0] for p in tried], packed, prior, (sure, scale))
                if after <= before:
                    break
                damping = max(damping * 10, 1e-3)
            else:
                return state
            moved = float(np.abs(packed - values)[: 5 * n].max())
            state, values, parts, damping = trial, packed, tried, damping / 10
            if before - after < 0.2 or moved < (5e-3 if rough else 6e-4):
                break
        return state

    def _report(self, state: TabState) -> LightFit:
        n = len(state.lights)
        mean, precision = self.priors(n)
        parts = [self.linearise(state, tab, slopes=True) for tab in self.tabs]
        noise = self.noise_of([p[0] for p in parts]) if parts else 1.0
        scale = max(6 * noise, 0.05)
        sure = [self.certainty(jac, noise) for _, jac in parts]
        matrix = np.diag(np.maximum(precision, 1e-9))
        amplitude, u_amplitude = np.full((n, 4), np.nan), np.full((n, 4), np.inf)
        for (residual, jac), tab, certain in zip(parts, self.tabs, sure, strict=True):
            robust = certain / (1 + (residual / scale) ** 2)
            matrix = matrix + jac.T @ (jac * robust[:, None])
            for k, source in enumerate(state.lights):
                column = jac[:, 5 * k + 4] * source.share
                power = float(column @ (robust * column))
                if power > 0 and source.share > 0:
                    amplitude[k, tab.index] = 1 + float(column @ (robust * residual)) / power
                    u_amplitude[k, tab.index] = power**-0.5
        covariance = np.linalg.inv(matrix)[: 5 * n, : 5 * n]
        cost = 0.0
        if parts:
            cost = self.cost([p[0] for p in parts], self.pack(state), (mean, precision), (sure, scale))
        return LightFit(
            tuple(state.lights), covariance, state.lean, state.height, state.sky, state.grown,
            state.blur, cost, noise,
            amplitude, u_amplitude, state.extra, tuple(tab.index for tab in self.tabs),
        )  # fmt: skip
