"""Albedo and slopes of every sample from its light under all torches: weighted least squares, outliers weighed down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.texture.shading import Shading
from assessor.values import BoolArray, FloatArray

LEFT_OUT = 0.3  # weight below which a light does not count
ROWS = 40  # handled at once, so that they stay in the processor's cache


@dataclass(frozen=True, slots=True)
class SolveSettings:
    """How outliers are told."""

    rounds: int = 2
    loss: float = 0.06  # relative residual at which a sample keeps a quarter of its say
    least_light: float = 0.15  # of the lights' mean: darker is shadow
    least_spread: float = 0.06  # of the cotangents left, over that of all of them: below, slopes are not told
    max_slope: float = 1.0  # steeper faces are seen by hardly any torch
    least_albedo: float = 0.02


@dataclass(frozen=True, eq=False)
class Solution:
    """slope_x, slope_y, albedo, specular (n, n); weights (K, n, n) 0..1 of each light; valid (n, n); noise (n, n).

    albedo: over white paper, times the cosine of the slope. specular: mean light above the matt surface. noise:
    signed residual a degree of freedom, relative; residual: its rms without outliers. gain_x, gain_y (n, n): sd of
    each slope per noise.
    """

    slope_x: FloatArray
    slope_y: FloatArray
    albedo: FloatArray
    specular: FloatArray
    weights: FloatArray
    valid: BoolArray
    noise: FloatArray
    gain_x: FloatArray
    gain_y: FloatArray
    residual: float


def solve(
    shading: Shading, settings: SolveSettings | None = None, weights: FloatArray | None = None
) -> Solution:
    """Solve all samples. weights (K, n, n): trusted as they are, instead of being found round by round."""
    use = settings or SolveSettings()
    k, n = shading.light.shape[0], shading.light.shape[1]
    shape = (n, shading.light.shape[2])
    fields = [np.empty(shape, np.float32) for _ in range(7)]
    kept = np.empty(shading.light.shape, np.float32)
    valid = np.empty(shape, bool)
    for top in range(0, n, ROWS):
        part = np.s_[top : top + ROWS]
        whole = np.s_[:, top : top + ROWS]
        given = None if weights is None else weights[whole].reshape(k, -1)
        block = [
            np.broadcast_to(a, shading.light.shape)[whole].reshape(k, -1)
            for a in (shading.light, shading.cot_x, shading.cot_y, shading.base)
        ]
        found, own, ok = _block(block, given, use)
        size = (-1, shape[1])
        for field, values in zip(fields, found, strict=True):
            field[part] = values.reshape(size)
        kept[whole] = own.reshape(k, *size)
        valid[part] = ok.reshape(size)
    slope_x, slope_y, albedo, specular, noise, gain_x, gain_y = fields
    seen = np.square(noise[valid][::7]) if valid.any() else np.ones(1)
    # Steep and shining samples are few and large.
    usual = seen[seen <= 9 * np.median(seen)]
    return Solution(
        slope_x, slope_y, albedo, specular, kept, valid, noise, gain_x, gain_y,
        residual=float(np.sqrt(usual.mean())),
    )  # fmt: skip


def _block(
    block: list[FloatArray], given: FloatArray | None, use: SolveSettings
) -> tuple[list[FloatArray], FloatArray, BoolArray]:
    light, cx, cy, base = block
    seen = np.isfinite(light)
    light = np.where(seen, light, 0)
    if given is None:
        mean = light.sum(0) / np.maximum(seen.sum(0), 1)
        open_ = (seen & (light > use.least_light * mean)).astype(np.float32)
    else:
        open_ = given * seen
    full = _spread(_moments(base * seen, cx, cy))
    own = open_
    for turn in range(1 if given is not None else use.rounds + 1):
        weight = own * base
        albedo, u, v, moments = _linear(weight, light, cx, cy)
        safe = np.maximum(albedo, use.least_albedo)
        turned = (u * cx + v * cy) / safe
        off = light / safe - turned - albedo / safe
        if given is None and turn < use.rounds:
            own = open_ / np.square(1 + np.square(off / np.float32(use.loss)))
            # What the surface itself turns away from the torch is no evidence.
            own *= turned > use.least_light - 1
    left = _spread(moments)
    ok = (left > use.least_spread * full) & (albedo > use.least_albedo)
    ok &= (own > LEFT_OUT).sum(0) >= 3
    ok &= u * u + v * v < np.square(np.float32(use.max_slope) * safe)
    freedom = np.maximum(own.sum(0) - 3, 1)
    size = np.sqrt((own * off * off).sum(0) / freedom)
    noise = np.copysign(size, off[0])
    sxx, syy, det = moments[3], moments[5], moments[6]
    scale = np.maximum(det, 1e-9)
    gain_x, gain_y = np.sqrt(np.maximum(syy, 0) / scale), np.sqrt(np.maximum(sxx, 0) / scale)
    specular = (np.maximum(off - 2 * np.float32(use.loss), 0) * seen).mean(0) * safe
    found = [u / safe, v / safe, albedo, specular, noise, gain_x, gain_y]
    return [np.where(ok, f, 0) for f in found[:2]] + found[2:], own.astype(np.float32), ok


def _sum(one: FloatArray, two: FloatArray) -> FloatArray:
    """Sum over the photos of a product, without the product."""
    return np.asarray(np.einsum("kn,kn->n", one, two))


def _moments(weight: FloatArray, cx: FloatArray, cy: FloatArray) -> tuple[FloatArray, ...]:
    """Sum of weights, means of the cotangents, their central sums of squares, and the determinant."""
    total = np.maximum(weight.sum(0), np.float32(1e-6))
    wx, wy = weight * cx, weight * cy
    mx, my = wx.sum(0) / total, wy.sum(0) / total
    sxx = _sum(wx, cx) - total * mx * mx
    sxy = _sum(wx, cy) - total * mx * my
    syy = _sum(wy, cy) - total * my * my
    return total, mx, my, sxx, sxy, syy, sxx * syy - sxy * sxy


def _spread(moments: tuple[FloatArray, ...]) -> FloatArray:
    """Smaller principal spread of the cotangents, a sum of squares."""
    sxx, syy, det = moments[3], moments[5], moments[6]
    return np.asarray(det / np.maximum(sxx + syy, 1e-9))


def _linear(
    weight: FloatArray, light: FloatArray, cx: FloatArray, cy: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, tuple[FloatArray, ...]]:
    """Albedo, albedo x slopes, and the moments, of one weighted fit."""
    moments = total, mx, my, sxx, sxy, syy, det = _moments(weight, cx, cy)
    lit = weight * light
    mean = lit.sum(0) / total
    rx = _sum(lit, cx) - total * mean * mx
    ry = _sum(lit, cy) - total * mean * my
    safe = np.where(np.abs(det) > 1e-6, det, 1e-6)
    u, v = (syy * rx - sxy * ry) / safe, (sxx * ry - sxy * rx) / safe
    return mean - u * mx - v * my, u, v, moments
