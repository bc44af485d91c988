"""Where are lights? A sweep over azimuth, elevation and distance, in which all four tabs vote.

For every candidate light the mean darkness inside each tab's would-be shadow is held against two strips beside it.
The strips take out smooth light, and a shadow that only one tab shows (a wrinkle, a cable) gets one vote.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.card.shadow import Source
from assessor.card.tabs import POOL, SPACING_MM, TabMaps
from assessor.values import BoolArray, FloatArray

IndexArray = NDArray[np.int_]

AZIMUTH_STEP_DEG = 7.5
ELEVATIONS_DEG = (8.0, 11.5, 16.0, 20.5, 26.0, 32.0, 39.0, 48.0, 59.0, 71.0)
NEARNESS_PER_MM = (0.0, 1 / 600, 1 / 350, 1 / 240)
ALONG = (np.arange(8) + 0.5) / 8  # places along a shadow, fold to tip
ACROSS = np.array([-0.6, 0.0, 0.6])  # and across it, over its half width there
STRIP_MM = (1.6, 3.2)
MIN_SEEN = 0.35  # of a shadow's places, for a tab to vote
COARSE = 2  # pooled samples per sample of the sweep: 1 mm


@dataclass(frozen=True, slots=True)
class Candidate:
    """A light as the sweep sees it: votes (4,) are mean drops of the light per tab, NaN where none can be seen."""

    source: Source
    votes: FloatArray
    score: float


@dataclass(frozen=True, eq=False)
class Sweep:
    """Candidate lights, and flat indices (n, 4, k) of their shadows' inside and of the strips beside, -1 outside."""

    sources: tuple[Source, ...]
    inside: IndexArray
    beside: IndexArray


def find_candidate(
    sweep: Sweep, ratio: FloatArray, weight: FloatArray, known: BoolArray | None = None
) -> Candidate:
    """Find the strongest light; ratio, weight (4, h, w): light relative to its surroundings, and how sure.

    known (4, h, w): True where the shadow of a known light lies already, which is not looked at. score is the drop
    over its noise, all tabs together; the caller decides what is enough.
    """
    height, width = ratio.shape[1:]
    size = (width // COARSE, height // COARSE)
    coarse_weight = np.stack([cv2.resize(w, size, interpolation=cv2.INTER_AREA) for w in weight])
    full_weight = coarse_weight.copy()
    values = np.stack(
        [cv2.resize(r * w, size, interpolation=cv2.INTER_AREA) for r, w in zip(ratio, weight, strict=True)]
    )
    if known is not None:
        coarse_weight *= np.stack(
            [cv2.resize(k.astype(np.float32), size, interpolation=cv2.INTER_AREA) == 0 for k in known]
        )
    values /= np.maximum(full_weight, 1e-6)
    # Black ink counts too where there is no paper, but what is hardly seen at all does not.
    seen = coarse_weight > 0.01
    sources, inside, beside = sweep.sources, sweep.inside, sweep.beside
    votes = np.full((len(sources), len(ratio)), np.nan)
    for t in range(len(ratio)):
        spread = 1.4826 * float(np.median(np.abs(values[t][seen[t]] - 1))) if seen[t].any() else 1.0
        value = np.clip(values[t], 0.0, 1 + 3 * spread).ravel()
        mask = seen[t].ravel()
        dark, dark_n = _mean(value, mask, inside[:, t])
        light, light_n = _mean(value, mask, beside[:, t])
        enough = (dark_n > MIN_SEEN * inside.shape[2]) & (light_n > MIN_SEEN * beside.shape[2])
        votes[enough, t] = (light - dark)[enough]
    # Half of the best vote caps the rest: a light that only one tab tells of is none.
    ranked = np.sort(np.nan_to_num(votes, nan=0.0), axis=1)
    count = np.maximum((~np.isnan(votes)).sum(1), 1)
    capped = np.minimum(np.nan_to_num(votes, nan=0.0), 1.3 * ranked[:, -2:-1] + 1e-9)
    reach = 1 / np.tan([s.elevation for s in sources])
    score = capped.sum(1) / np.sqrt(count) * np.sqrt(reach)
    best = int(np.argmax(score))
    strongest = sources[best]
    heard = capped[best][~np.isnan(votes[best])]
    share = float(np.clip(heard.mean(), 0.02, 0.95)) if heard.size else 0.0
    found = Source(
        strongest.azimuth, strongest.elevation, strongest.nearness_per_mm, strongest.half_angle, share
    )
    return Candidate(found, votes[best], float(score[best]))


def plan_sweep(maps: TabMaps, nearness_per_mm: tuple[float, ...] = NEARNESS_PER_MM) -> Sweep:
    """List the candidate lights, at these distances, and where the tabs' shadows would fall on the maps."""
    grid = np.meshgrid(
        np.deg2rad(np.arange(0, 360, AZIMUTH_STEP_DEG)),
        np.deg2rad(ELEVATIONS_DEG),
        nearness_per_mm,
        indexing="ij",
    )
    azimuth, elevation, nearness = (np.ravel(axis) for axis in grid)
    cosine = np.cos(elevation)
    toward = np.stack([cosine * np.cos(azimuth), cosine * np.sin(azimuth), np.sin(elevation)], -1)
    middle = maps.fold_mm.mean(1)
    tips = middle + np.array([0, 0, 1.0]) * maps.height_mm[:, None]
    line = toward[:, None] - nearness[:, None, None] * tips[None]
    # A lamp between or under the tabs is none.
    fine = (line[..., 2] > 0.03).all(1)
    azimuth, elevation, nearness, line = azimuth[fine], elevation[fine], nearness[fine], line[fine]
    ends = tips[None, :, :2] - line[..., :2] / line[..., 2:] * maps.height_mm[None, :, None]
    span = ends - middle[None, :, :2]
    half = (maps.fold_mm[:, 1, :2] - maps.fold_mm[:, 0, :2]) / 2
    run = ALONG[:, None, None]
    base = middle[None, :, None, None, :2] + span[:, :, None, None] * run
    inside = base + half[None, :, None, None] * (1 - run) * ACROSS[:, None]
    across = np.stack([-span[..., 1], span[..., 0]], -1)
    across /= np.linalg.norm(across, axis=-1, keepdims=True)
    # Half the shadow's width across its own length, at each place.
    width = np.abs((half[None] * across).sum(-1))[..., None] * (1 - ALONG)
    strips = [
        base[:, :, :, 0] + side * (width + gap)[..., None] * across[:, :, None]
        for side in (-1.0, 1.0) for gap in STRIP_MM
    ]  # fmt: skip
    sources = tuple(
        Source(float(a), float(e), float(q), 0.01, 0.5)
        for a, e, q in zip(azimuth, elevation, nearness, strict=True)
    )
    n, tabs = len(sources), len(maps.names)
    places = (inside.reshape(n, tabs, -1, 2), np.stack(strips, 2).reshape(n, tabs, -1, 2))
    height, width = maps.x_mm.shape[1:]
    size = (width // COARSE, height // COARSE)
    indices = [np.stack([_index(maps, t, p[:, t], size) for t in range(tabs)], axis=1) for p in places]
    return Sweep(sources, indices[0], indices[1])


def near_part(sweep: Sweep) -> Sweep:
    """The candidates that a hand may hold: near ones below 60 degrees."""
    keep = np.array([k for k, s in enumerate(sweep.sources) if s.nearness_per_mm > 0 and s.elevation < 1.04])
    return Sweep(tuple(sweep.sources[k] for k in keep), sweep.inside[keep], sweep.beside[keep])


def _index(maps: TabMaps, tab: int, places: FloatArray, size: tuple[int, int]) -> IndexArray:
    """Flat index (n, k) of places (n, k, 2) in mm on a tab's coarse map; -1 outside."""
    width, height = size
    step = SPACING_MM * POOL * COARSE
    scale_x = (maps.x_mm[tab, 0, -1] - maps.x_mm[tab, 0, 0]) / (maps.x_mm.shape[2] - 1) / (SPACING_MM * POOL)
    scale_y = (maps.y_mm[tab, 0, 0] - maps.y_mm[tab, -1, 0]) / (maps.y_mm.shape[1] - 1) / (SPACING_MM * POOL)
    left = maps.x_mm[tab, 0, 0] - step / COARSE / 2 * scale_x
    top = maps.y_mm[tab, 0, 0] + step / COARSE / 2 * scale_y
    col = np.floor((places[..., 0] - left) / (step * scale_x)).astype(int)
    row = np.floor((top - places[..., 1]) / (step * scale_y)).astype(int)
    ok = (col >= 0) & (row >= 0) & (col < width) & (row < height)
    return np.asarray(np.where(ok, row * width + col, -1))


def _mean(value: FloatArray, mask: BoolArray, index: IndexArray) -> tuple[FloatArray, FloatArray]:
    """Mean of seen values at index (n, k), and how many were seen; both (n,)."""
    use = mask[index] & (index >= 0)
    count = use.sum(1)
    return np.asarray((value[index] * use).sum(1) / np.maximum(count, 1)), np.asarray(count)
