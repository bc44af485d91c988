"""Lights from the shadow maps of all four tabs together: Gauss-Newton with the tabs' own faults as unknowns.

A folded tab springs back by degrees and is cut to some tenths of a millimetre. Lean and height of every tab are
therefore unknowns with priors: four tabs that fold in four directions tell most leans from the light itself, and
what they cannot tell goes into the uncertainty. Smooth light that is left over is fitted as a quadratic a tab, what
the tabs hide of the sky as one share for all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from assessor.card.shadow import (
    MAX_ELEVATION,
    MIN_ELEVATION,
    Shade,
    Source,
    Triangle,
    cast_shadow,
    points_needed,
    shadow_end,
    stand,
)
from assessor.card.tab_samples import Samples, TabField
from assessor.card.tabs import POOL, SPACING_MM
from assessor.values import FloatArray

MAX_HALF_ANGLE = 0.6  # rad; a wider patch is no disc any more


@dataclass(frozen=True, slots=True)
class FitSettings:
    """Priors (standard deviations) and how the fit runs."""

    u_lean_deg: float = 5.0  # paper springs back after folding; common practice, not measured
    u_height_mm: float = 0.3  # hand cut tip, and the sheet's height under it
    u_nearness_per_mm: float = 1 / 250  # nobody holds a lamp nearer than that
    u_tab_share: float = 0.10  # local tone mapping and uneven ambient light between the tabs
    u_half_angle_deg: float = 20.0
    u_grown_mm: float = 0.15  # knife and scissors, blooming of the bright side
    u_blur_mm: float = 0.04  # of the picture of an edge on the sheet
    rough_iterations: int = 7
    iterations: int = 5
    photo_iterations: int = 4  # single photos start from all together
    noise_area_mm2: float = 3.0  # neighbours' errors go together (cockle's shading, JPEG)
    max_lean_deg: float = 25.0
    u_edge_mm: float = 0.1  # where a shadow's edge is seen on the sheet, photo to photo and place to place
    half_angles_deg: tuple[float, ...] = (0.6, 3.0, 9.0, 26.0)  # tried first


@dataclass(frozen=True, eq=False)
class LightFit:
    """Lights with the covariance of their terms (5 a light: azimuth, elevation, nearness, half angle, share).

    lean (4,) rad and height_mm (4,) of the tabs, grown_mm: how far their edges lie out, blur_mm: of the picture; sky:
    share of the ambient light that tabs hide; cost: weighted squares over their noise; amplitude, u_amplitude
    (lights, 4): each shadow's strength over what the fit says.
    """

    lights: tuple[Source, ...]
    covariance: FloatArray
    lean: FloatArray
    height_mm: FloatArray
    sky: float
    grown_mm: float
    blur_mm: float
    cost: float
    noise: float
    amplitude: FloatArray
    u_amplitude: FloatArray
    tabs: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class _State:
    """All unknowns: lights, the tabs' lean and height (4,), sky, growth, blur, extra depth (lights, 4)."""

    lights: list[Source]
    lean: FloatArray
    height: FloatArray
    sky: float
    grown: float
    blur: float
    extra: FloatArray


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

    white (4,): smooth paper light at the
    tabs over that at the window's centre. frozen: keep tabs and softness of this fit (for the maps of single photos).
    """
    settings = settings or FitSettings()
    maps = field.maps
    fit = _Fit(field, (white, blur_mm), tabs, settings, frozen)
    if frozen is None:
        state = _State(
            list(start), np.zeros(4), maps.height_mm.copy(), 0.0, 0.0, blur_mm, np.zeros((len(start), 4))
        )
    else:
        state = _State(
            list(start), frozen.lean, frozen.height_mm, frozen.sky, frozen.grown_mm, frozen.blur_mm,
            np.zeros((len(start), 4)),
        )  # fmt: skip
    return fit.run(state)


class _Fit:
    """One least-squares problem: samples, priors and the Levenberg-Marquardt loop."""

    def __init__(
        self, field: TabField, picture: tuple[FloatArray, float], tabs: tuple[int, ...],
        settings: FitSettings, frozen: LightFit | None,
    ) -> None:  # fmt: skip
        self.field, self.maps, (self.white, self.blur_mm) = field, field.maps, picture
        self.use, self.settings, self.frozen = tabs, settings, frozen
        self.height_prior = field.maps.height_mm if frozen is None else frozen.height_mm
        self.tabs: list[Samples] = []
        self.points: list[int] = []
        self.pool = 1

    def run(self, state: _State) -> LightFit:
        """Go near on coarse samples with a forgiving loss, then settle on fine ones."""
        if self.frozen is not None:
            self._gather(state, rough=True)
            return self._report(self._improve(state, self.settings.photo_iterations, rough=True))
        state = self._improve(self._softness(state), self.settings.rough_iterations, rough=True)
        self._gather(state, rough=False)
        return self._report(self._improve(state, self.settings.iterations, rough=False))

    def _softness(self, state: _State) -> _State:
        """Try some softnesses for each light in turn, and keep the best."""
        for k in range(len(state.lights)):
            best = (np.inf, state)
            for half_angle in np.deg2rad(self.settings.half_angles_deg):
                lights = list(state.lights)
                lights[k] = replace(lights[k], half_angle=float(half_angle))
                trial = replace(state, lights=lights)
                self._gather(trial, rough=True, least_pool=4)
                found = self._with_share(trial, k)
                if found[0] >= best[0]:
                    break
                best = found
            state = best[1]
        self._gather(state, rough=True)
        return state

    def _with_share(self, state: _State, k: int) -> tuple[float, _State]:
        """Mean square left and the state with the best share of light k, all else as it is."""
        rows = []
        for tab in self.tabs:
            residual, _ = self._linearise(state, tab, slopes=False)
            lights = list(state.lights)
            lights[k] = replace(lights[k], share=lights[k].share + 0.1)
            after, _ = self._linearise(replace(state, lights=lights), tab, slopes=False)
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

    def _gather(self, state: _State, *, rough: bool, least_pool: int = 1) -> None:
        """Pick the samples near the shadows, at a density that suits their softness."""
        height = float(self.maps.height_mm.mean())
        self.points = [points_needed(s.half_angle, s.elevation, height) for s in state.lights]
        soft = min((s.half_angle / 2 * height / np.sin(s.elevation) for s in state.lights), default=0.0)
        # A light wider than 5 mm at the tip needs no more than 2 mm.
        pool = self.pool = max(least_pool, 1 if soft < 1.2 and not rough else 2 if soft < 5 else 4)
        self.tabs = [
            tab for t in self.use if (tab := self.field.near(t, self._stand(state, t), state.lights, pool))
        ]

    def _stand(self, state: _State, t: int) -> Triangle:
        return stand(self.maps.fold_mm[t], self.maps.outward[t], float(state.height[t]), float(state.lean[t]))

    def _strength(self, source: Source, extra: float, tab: Samples) -> float:
        """A shadow's depth over the light's share at the window's centre."""
        return (
            source.strength(self.maps.fold_mm[tab.index].mean(0))
            / float(self.white[tab.index])
            * float(np.exp(extra))
        )

    def _shadow(self, state: _State, light: int, tab: Samples) -> Shade:
        return cast_shadow(
            self._stand(state, tab.index), state.lights[light], tab.at, blur_mm=state.blur,
            points=self.points[light], grown_mm=state.grown,
        )  # fmt: skip

    # Unknowns, in order: 5 a light, sky, lean (4), height (4), grown, blur, extra (4 a light).
    def _pack(self, state: _State) -> FloatArray:
        terms = [[s.azimuth, s.elevation, s.nearness_per_mm, s.half_angle, s.share] for s in state.lights]
        return np.concatenate(
            [
                np.ravel(terms),
                [state.sky],
                state.lean,
                state.height,
                [state.grown, state.blur],
                state.extra.ravel(),
            ]
        )

    def _unpack(self, values: FloatArray) -> _State:
        n = self._n_lights(values)
        lights = [
            Source(
                float(a), float(np.clip(e, MIN_ELEVATION, MAX_ELEVATION)), float(np.clip(q, 0, 1 / 120)),
                float(np.clip(r, 0.002, MAX_HALF_ANGLE)), float(np.clip(share, 0.0, 1.2)),
            )
            for a, e, q, r, share in values[: 5 * n].reshape(n, 5)
        ]  # fmt: skip
        rest = values[5 * n :]
        limit = np.deg2rad(self.settings.max_lean_deg)
        return _State(
            lights, np.clip(rest[1:5], -limit, limit), rest[5:9], float(np.clip(rest[0], -0.2, 1.2)),
            float(np.clip(rest[9], -0.6, 0.6)), float(np.clip(rest[10], 0.1, 1.5)),
            np.clip(rest[11:], -0.5, 0.5).reshape(n, 4),
        )  # fmt: skip

    @staticmethod
    def _n_lights(values: FloatArray) -> int:
        return (len(values) - 11) // 9

    def _priors(self, n: int) -> tuple[FloatArray, FloatArray]:
        """Means and precisions of all unknowns."""
        s = self.settings
        mean = np.zeros(9 * n + 11)
        precision = np.zeros(9 * n + 11)
        for k in range(n):
            precision[5 * k + 2] = 1 / s.u_nearness_per_mm**2
            precision[5 * k + 3] = 1 / np.deg2rad(s.u_half_angle_deg) ** 2
        at = 5 * n
        precision[at] = 1.0
        precision[at + 1 : at + 5] = 1 / np.deg2rad(s.u_lean_deg) ** 2
        mean[at + 5 : at + 9], precision[at + 5 : at + 9] = self.height_prior, 1 / s.u_height_mm**2
        precision[at + 9] = 1 / s.u_grown_mm**2
        mean[at + 10], precision[at + 10] = self.blur_mm, 1 / s.u_blur_mm**2
        precision[at + 11 :] = 1 / s.u_tab_share**2
        if self.frozen is not None:
            fixed = 1e12
            for k in range(n):
                precision[5 * k + 2 : 5 * k + 4] = fixed
                mean[5 * k + 2] = self.frozen.lights[k].nearness_per_mm
                mean[5 * k + 3] = self.frozen.lights[k].half_angle
            mean[at], precision[at : at + 11] = self.frozen.sky, fixed
            mean[at + 1 : at + 5] = self.frozen.lean
            mean[at + 9 : at + 11] = self.frozen.grown_mm, self.frozen.blur_mm
        return mean, precision

    def _linearise(self, state: _State, tab: Samples, *, slopes: bool) -> tuple[FloatArray, FloatArray]:
        """Weighted residual (n,) and derivatives (n, unknowns) with the smooth terms projected out."""
        t, n = tab.index, len(state.lights)
        model = 1 - np.float32(state.sky) * tab.sky
        jac = np.zeros((len(model), 9 * n + 11 if slopes else 0), np.float32)
        for k, source in enumerate(state.lights):
            shade = self._shadow(state, k, tab)
            gain = self._strength(source, float(state.extra[k, t]), tab)
            depth = gain * source.share
            model -= np.float32(depth) * shade.share
            if not slopes:
                continue
            jac[:, 5 * k + 3] = -depth * shade.by_half_angle
            jac[:, 5 * k + 4] = -gain * shade.share
            jac[:, 5 * n + 9] -= depth * shade.by_growth
            jac[:, 5 * n + 10] -= depth * shade.by_blur
            jac[:, 5 * n + 11 + 4 * k + t] = -depth * shade.share
            for column, by_end, by_depth in self._steps(state, k, tab):
                jac[:, column] -= shade.by_end @ (depth * by_end).astype(np.float32)
                jac[:, column] -= np.float32(by_depth * source.share) * shade.share
        model = np.maximum(model, np.float32(0.02))
        residual = (tab.ratio - model) * tab.root
        basis = np.linalg.qr(tab.smooth * (model * tab.root)[:, None])[0]
        residual -= basis @ (basis.T @ residual)
        if slopes:
            jac[:, 5 * n] = -tab.sky
            jac *= tab.root[:, None]
            jac -= basis @ (basis.T @ jac)
        return residual, jac

    def _steps(self, state: _State, k: int, tab: Samples) -> list[tuple[int, FloatArray, float]]:
        """How unknowns move the end of one shadow (2,) and change its depth: column, both per unit."""
        n, t, source = len(state.lights), tab.index, state.lights[k]
        triangle, extra = self._stand(state, t), float(state.extra[k, t])
        end, gain = shadow_end(triangle, source), self._strength(source, extra, tab)
        steps: list[tuple[int, FloatArray, float]] = []
        for place, (name, step) in enumerate(
            (("azimuth", 1e-4), ("elevation", 1e-4), ("nearness_per_mm", 1e-6))
        ):
            moved = replace(source, **{name: getattr(source, name) + step})
            change = self._strength(moved, extra, tab) - gain
            steps.append((5 * k + place, (shadow_end(triangle, moved) - end) / step, change / step))
        for offset, name, step in ((1, "lean", 1e-4), (5, "height", 1e-3)):
            values = getattr(state, name).copy()
            values[t] += step
            after = self._stand(replace(state, **{name: values}), t)
            steps.append((5 * n + offset + t, (shadow_end(after, source) - end) / step, 0.0))
        return steps

    def _noise(self, residuals: list[FloatArray]) -> float:
        joined = np.concatenate(residuals)
        return max(1.4826 * float(np.median(np.abs(joined))), 0.004)

    def _improve(self, state: _State, count: int, *, rough: bool) -> _State:
        """Levenberg-Marquardt with Cauchy weights (dirt and wrinkles are not shadows)."""
        if not self.tabs or not state.lights:
            return state
        n = len(state.lights)
        prior = mean, precision = self._priors(n)
        values, damping = self._pack(state), 1e-3
        parts = [self._linearise(state, tab, slopes=True) for tab in self.tabs]
        for _ in range(count):
            noise = self._noise([p[0] for p in parts])
            # A start that is off makes large residuals just where the shadow is: they must not be thrown out.
            scale = 0.5 if rough else max(6 * noise, 0.05)
            sure = [self._certainty(jac, noise) for _, jac in parts]
            matrix, gradient = np.diag(precision), precision * (values - mean)
            for (residual, jac), certain in zip(parts, sure, strict=True):
                robust = certain / (1 + (residual / scale) ** 2)
                matrix = matrix + jac.T @ (jac * robust[:, None])
                gradient = gradient - jac.T @ (robust * residual)
            before = self._cost([p[0] for p in parts], values, prior, (sure, scale))
            for _ in range(5):
                step = -np.linalg.solve(matrix + damping * np.diag(np.diag(matrix) + 1e-9), gradient)
                step[: 5 * n] = np.clip(step[: 5 * n], -0.15, 0.15)
                trial = self._unpack(values + step)
                packed = self._pack(trial)
                tried = [self._linearise(trial, tab, slopes=True) for tab in self.tabs]
                after = self._cost([p[0] for p in tried], packed, prior, (sure, scale))
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

    def _certainty(self, jac: FloatArray, noise: float) -> FloatArray:
        """Weight (n,) of samples: noise everywhere, and on a shadow's edge what its place is uncertain by."""
        by_edge = jac[:, 5 * self._n_lights(jac[0]) + 9] * self.settings.u_edge_mm
        area = (SPACING_MM * POOL * self.pool) ** 2
        return np.asarray(min(area / self.settings.noise_area_mm2, 1.0) / (noise**2 + by_edge**2))

    def _cost(
        self, residuals: list[FloatArray], values: FloatArray, prior: tuple[FloatArray, FloatArray],
        noise: tuple[list[FloatArray], float],
    ) -> float:  # fmt: skip
        sure, scale = noise
        mean, precision = prior
        data = sum(
            float((np.log1p((r / scale) ** 2) * c).sum()) for r, c in zip(residuals, sure, strict=True)
        )
        return data * scale**2 + float(precision @ (values - mean) ** 2)

    def _report(self, state: _State) -> LightFit:
        n = len(state.lights)
        mean, precision = self._priors(n)
        parts = [self._linearise(state, tab, slopes=True) for tab in self.tabs]
        noise = self._noise([p[0] for p in parts]) if parts else 1.0
        scale = max(6 * noise, 0.05)
        sure = [self._certainty(jac, noise) for _, jac in parts]
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
            cost = self._cost([p[0] for p in parts], self._pack(state), (mean, precision), (sure, scale))
        return LightFit(
            tuple(state.lights), covariance, state.lean, state.height, state.sky, state.grown,
            state.blur, cost, noise,
            amplitude, u_amplitude, tuple(tab.index for tab in self.tabs),
        )  # fmt: skip
