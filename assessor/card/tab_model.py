"""What four tabs' shadows should look like under given lights, and how that changes with every unknown.

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
    nearness_per_mm: float = 0.0  # far, until shadows say otherwise
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
class TabState:
    """All unknowns: lights, the tabs' lean and height (4,), sky, growth, blur, extra depth (lights, 4)."""

    lights: list[Source]
    lean: FloatArray
    height: FloatArray
    sky: float
    grown: float
    blur: float
    extra: FloatArray


@dataclass(frozen=True, eq=False)
class LightFit:
    """Lights with the covariance of their terms (5 a light: azimuth, elevation, nearness, half angle, share).

    lean (4,) rad and height_mm (4,) of the tabs, grown_mm: how far their edges lie out, blur_mm: of the picture; sky:
    share of the ambient light that tabs hide; cost: weighted squares over their noise; amplitude, u_amplitude
    (lights, 4): each shadow's strength over what the fit says, extra (lights, 4): log of what it adds itself to a tab.
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
    extra: FloatArray
    tabs: tuple[int, ...]


class TabModel:
    """Shadows of some lights as the maps of one or all photos show them: samples, residuals, slopes, priors."""

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

    def gather(self, state: TabState, *, rough: bool, least_pool: int = 1) -> None:
        """Pick the samples near the shadows, at a density that suits their softness."""
        height = float(self.maps.height_mm.mean())
        self.points = [points_needed(s.half_angle, s.elevation, height) for s in state.lights]
        soft = min((s.half_angle / 2 * height / np.sin(s.elevation) for s in state.lights), default=0.0)
        # A light wider than 5 mm at the tip needs no more than 2 mm.
        pool = self.pool = max(least_pool, 1 if soft < 1.2 and not rough else 2 if soft < 5 else 4)
        self.tabs = [
            tab for t in self.use if (tab := self.field.near(t, self.stand_tab(state, t), state.lights, pool))
        ]

    def stand_tab(self, state: TabState, t: int) -> Triangle:
        """Tab t as this state has it stand."""
        return stand(self.maps.fold_mm[t], self.maps.outward[t], float(state.height[t]), float(state.lean[t]))

    def strength(self, source: Source, extra: float, t: int) -> float:
        """A shadow's depth over the light's share at the window's centre."""
        return source.strength(self.maps.fold_mm[t].mean(0)) / float(self.white[t]) * float(np.exp(extra))

    def _shadow(self, state: TabState, light: int, tab: Samples) -> Shade:
        return cast_shadow(
            self.stand_tab(state, tab.index), state.lights[light], tab.at, blur_mm=state.blur,
            points=self.points[light], grown_mm=state.grown,
        )  # fmt: skip

    # Unknowns, in order: 5 a light, sky, lean (4), height (4), grown, blur, extra (4 a light).
    def pack(self, state: TabState) -> FloatArray:
        """All unknowns in one vector."""
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

    def unpack(self, values: FloatArray) -> TabState:
        """Turn a vector back into the state, within its bounds."""
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
        return TabState(
            lights, np.clip(rest[1:5], -limit, limit), rest[5:9], float(np.clip(rest[0], -0.2, 1.2)),
            float(np.clip(rest[9], -0.6, 0.6)), float(np.clip(rest[10], 0.1, 1.5)),
            np.clip(rest[11:], -0.5, 0.5).reshape(n, 4),
        )  # fmt: skip

    @staticmethod
    def _n_lights(values: FloatArray) -> int:
        return (len(values) - 11) // 9

    def priors(self, n: int) -> tuple[FloatArray, FloatArray]:
        """Means and precisions of all unknowns."""
        s = self.settings
        mean = np.zeros(9 * n + 11)
        precision = np.zeros(9 * n + 11)
        for k in range(n):
            mean[5 * k + 2], precision[5 * k + 2] = s.nearness_per_mm, 1 / s.u_nearness_per_mm**2
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

    def linearise(self, state: TabState, tab: Samples, *, slopes: bool) -> tuple[FloatArray, FloatArray]:
        """Weighted residual (n,) and derivatives (n, unknowns) with the smooth terms projected out."""
        t, n = tab.index, len(state.lights)
        model = 1 - np.float32(state.sky) * tab.sky
        jac = np.zeros((len(model), 9 * n + 11 if slopes else 0), np.float32)
        for k, source in enumerate(state.lights):
            shade = self._shadow(state, k, tab)
            gain = self.strength(source, float(state.extra[k, t]), t)
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

    def _steps(self, state: TabState, k: int, tab: Samples) -> list[tuple[int, FloatArray, float]]:
        """How unknowns move the end of one shadow (2,) and change its depth: column, both per unit."""
        n, t, source = len(state.lights), tab.index, state.lights[k]
        triangle, extra = self.stand_tab(state, t), float(state.extra[k, t])
        end, gain = shadow_end(triangle, source), self.strength(source, extra, t)
        steps: list[tuple[int, FloatArray, float]] = []
        for place, (name, step) in enumerate(
            (("azimuth", 1e-4), ("elevation", 1e-4), ("nearness_per_mm", 1e-6))
        ):
            moved = replace(source, **{name: getattr(source, name) + step})
            change = self.strength(moved, extra, t) - gain
            steps.append((5 * k + place, (shadow_end(triangle, moved) - end) / step, change / step))
        for offset, name, step in ((1, "lean", 1e-4), (5, "height", 1e-3)):
            values = getattr(state, name).copy()
            values[t] += step
            after = self.stand_tab(replace(state, **{name: values}), t)
            steps.append((5 * n + offset + t, (shadow_end(after, source) - end) / step, 0.0))
        return steps

    def noise_of(self, residuals: list[FloatArray]) -> float:
        """Robust sd of the residuals of all tabs."""
        joined = np.concatenate(residuals)
        return max(1.4826 * float(np.median(np.abs(joined))), 0.004)

    def certainty(self, jac: FloatArray, noise: float) -> FloatArray:
        """Weight (n,) of samples: noise everywhere, and on a shadow's edge what its place is uncertain by."""
        by_edge = jac[:, 5 * self._n_lights(jac[0]) + 9] * self.settings.u_edge_mm
        area = (SPACING_MM * POOL * self.pool) ** 2
        return np.asarray(min(area / self.settings.noise_area_mm2, 1.0) / (noise**2 + by_edge**2))

    def cost(
        self, residuals: list[FloatArray], values: FloatArray, prior: tuple[FloatArray, FloatArray],
        noise: tuple[list[FloatArray], float],
    ) -> float:  # fmt: skip
        """Weighted squares under Cauchy's loss, and of what departs from the priors."""
        sure, scale = noise
        mean, precision = prior
        data = sum(
            float((np.log1p((r / scale) ** 2) * c).sum()) for r, c in zip(residuals, sure, strict=True)
        )
        return data * scale**2 + float(precision @ (values - mean) ** 2)
