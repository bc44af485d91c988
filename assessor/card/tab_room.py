"""Shadows that the room's own light throws behind the tabs: the same in every photo of a `torch` capture, taken out.

A window or lamp goes on shining while the torch is moved. What it darkens on the sheet is the same light in every
photo, while the torch's shadows hardly fall twice on one place. In a photo of more light the same loss is a smaller
part. A first guess needs no fit: at every sample the brighter third of the photos shows the room alone. It takes out
too much beside the folds, so once the torches are known their shadows are taken out, and what is left over in most
photos counts.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from assessor.card.shadow import cast_shadow
from assessor.card.sky_shadow import hidden_sky
from assessor.card.tab_model import TabModel, TabState
from assessor.card.tabs import TabMaps
from assessor.card.white import white_basis
from assessor.values import BoolArray, FloatArray, Photo, Rectified

BRIGHTER, MIDDLE = 0.32, 0.5  # place in the photos at one sample, brightest first
MIN_PHOTOS = 4
SMOOTH = 1.2  # samples (0.5 mm)
SURE = 2.0  # noise (sd) that a loss must stand out by to be taken for one
SMOOTH_ROUNDS = 3


class Room:
    """The room's part of the light on the maps; light (P, 4): of the paper beside each tab, at one exposure."""

    def __init__(self, maps: TabMaps, photos: Sequence[Photo], rectified: Sequence[Rectified]) -> None:
        self.maps = maps
        middle = maps.fold_mm.mean(1)
        smooth = np.stack([r.white_fit[:, 1] for r in rectified])
        paper = np.exp(smooth @ white_basis(middle[:, 0], middle[:, 1]))
        self.light = np.asarray(paper / _exposures(photos)[:, None], np.float32)

    def guess(self) -> FloatArray:
        """Light on the maps, as `maps.ratio`, without what most photos lack; unchanged for fewer than four photos."""
        return self._without(self.maps.ratio - 1, self.maps.weight > 0.01, BRIGHTER)

    def after(
        self, photos: Sequence[int], models: Sequence[TabModel], states: Sequence[TabState]
    ) -> FloatArray:
        """The same, once the torches of some photos are known."""
        off = np.zeros_like(self.maps.ratio)
        seen = np.zeros(off.shape, bool)
        for p, model, state in zip(photos, models, states, strict=True):
            for t in model.use:
                seen[p, t] = self.maps.weight[p, t] > 0.01
                off[p, t] = _left_over(self.maps, (p, t), model, state)
        return self._without(off, seen, MIDDLE)

    def _without(self, off: FloatArray, seen: BoolArray, place: float) -> FloatArray:
        ratio = self.maps.ratio.copy()
        if len(ratio) < MIN_PHOTOS:
            return ratio
        for t in range(ratio.shape[1]):
            light = self.light[:, t, None, None]
            ratio[:, t] -= _common(off[:, t] * light, seen[:, t], place) / light
        return ratio


def _exposures(photos: Sequence[Photo]) -> FloatArray:
    """Exposure of each photo over the first's as its file says, (P,); 1 where one of them says nothing."""
    told = [(p.exif.exposure_s or 0) * (p.exif.iso or 0) for p in photos]
    return np.array(told) / told[0] if all(told) else np.ones(len(photos))


def _common(off: FloatArray, seen: BoolArray, place: float) -> FloatArray:
    """The common part (h, w) of what P maps (P, h, w) are off by, 0 where it does not stand out."""
    order = -np.sort(-np.where(seen, off, -np.inf), axis=0)
    count = seen.sum(0)
    at = np.clip(((count - 1) * place).astype(int), 0, len(off) - 1)
    enough = count >= MIN_PHOTOS
    if not enough.any():
        return np.zeros(off.shape[1:], np.float32)
    common = np.where(enough, np.take_along_axis(order, at[None], 0)[0], 0.0).astype(np.float32)
    common[enough] -= np.median(common[enough])
    weight = cv2.GaussianBlur(enough.astype(np.float32), (0, 0), SMOOTH)
    soft = cv2.GaussianBlur(common, (0, 0), SMOOTH) / np.maximum(weight, 1e-3)
    spread = 1.4826 * float(np.median(np.abs(soft[enough])))
    return np.asarray(soft**3 / (soft**2 + (SURE * spread) ** 2 + 1e-12) * enough)


def _left_over(maps: TabMaps, which: tuple[int, int], model: TabModel, state: TabState) -> FloatArray:
    """What one tab's map has over the torch's shadow, the sky's and smooth light, (h, w)."""
    p, t = which
    at = np.stack([maps.x_mm[t], maps.y_mm[t], maps.z_mm[t]], -1).reshape(-1, 3)
    shade = cast_shadow(
        model.stand_tab(state, t), state.lights[0], at, blur_mm=state.blur, points=1, grown_mm=state.grown
    ).share
    depth = model.strength(state.lights[0], float(state.extra[0, t]), t) * state.lights[0].share
    sky = hidden_sky(maps.fold_mm[t], maps.outward[t], maps.x_mm[t], maps.y_mm[t]).ravel()
    said = np.maximum(1 - np.float32(state.sky) * sky - np.float32(depth) * shade, np.float32(0.02))
    ratio, weight = maps.ratio[p, t].ravel(), maps.weight[p, t].ravel()
    u, v = ((at[:, k] - at[:, k].mean()).astype(np.float32) / 20 for k in (0, 1))
    smooth = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], -1)
    few = np.flatnonzero(weight > 0.01)[::7]
    basis, wanted = smooth[few] * said[few, None], ratio[few]
    sure = weight[few]
    terms = np.zeros(6)
    for _ in range(SMOOTH_ROUNDS):
        terms = np.linalg.lstsq(basis * sure[:, None], wanted * sure, rcond=None)[0]
        sure = weight[few] / (1 + ((wanted - basis @ terms) / 0.03) ** 2)
    return np.asarray(ratio - (smooth @ terms) * said, np.float32).reshape(maps.ratio.shape[2:])
