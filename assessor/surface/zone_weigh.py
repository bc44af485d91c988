"""How likely a place that stands out of a zone's mottle is a patch, weighed as on zones of known truth.

How far it stands out, its size and roundness, what the learned model sees inside and around it, and its differences in
brightness, tint and fine texture, each by itself and over the scatter around; these and their products go into a
logistic regression that `scripts/calibrate_surface overview` fits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from assessor.values import BoolArray, FloatArray

N_FEATURES = 13
INNER_PX, OUTER_PX, REACH_PX = 2, 8, 12  # the ring about a place, from and to, and the crop's margin


@dataclass(frozen=True, eq=False)
class ZoneWeights:
    """A fitted regression; scale of the features and of their products (mean, sd), weights, and the limits it gives.

    listed, shown: probabilities from which a place is listed, and shown to the crew: on zones left out of the fit about
    0.2 and 0.02 false places per m2 lay above them.
    """

    mean: FloatArray
    sd: FloatArray
    mean2: FloatArray
    sd2: FloatArray
    weights: FloatArray
    bias: float
    listed: float
    shown: float

    def likely(self, features: FloatArray) -> float:
        """Probability of one place by its features (13,)."""
        terms = (products((features - self.mean) / self.sd) - self.mean2) / self.sd2
        logit = float(np.clip(terms @ self.weights + self.bias, -30, 30))
        return 1 / (1 + math.exp(-logit))


def products(scaled: FloatArray) -> FloatArray:
    """The features and all products of two, (..., 13) to (..., 104)."""
    first, second = np.triu_indices(N_FEATURES)
    return np.concatenate([scaled, scaled[..., first] * scaled[..., second]], axis=-1)


@dataclass(frozen=True, eq=False)
class Place:
    """One connected place: inside (h, w) on a crop at row, col."""

    inside: BoolArray
    row: int
    col: int

    def of(self, field: Any) -> Any:
        """A whole field's part on the crop."""
        height, width = self.inside.shape
        return field[self.row : self.row + height, self.col : self.col + width]


def places(outside: FloatArray, use: BoolArray, least_px: float) -> list[Place]:
    """Connected parts of what stands out, of at least so many samples."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(((outside > 0) & use).astype(np.uint8))
    found = []
    for k in range(1, count):
        left, top, width, height, area = (int(v) for v in stats[k])
        if area < least_px:
            continue
        r0, c0 = max(top - REACH_PX, 0), max(left - REACH_PX, 0)
        part = labels[r0 : top + height + REACH_PX, c0 : left + width + REACH_PX] == k
        found.append(Place(part, r0, c0))
    return found


def features_of(
    place: Place, outside: FloatArray, chance: FloatArray, channels: dict[str, FloatArray], valid: BoolArray
) -> FloatArray | None:
    """What is seen of a place, (13,); None where nothing is seen around it. channels: as `zone_blobs` makes them."""
    inside = place.inside
    mask = inside.astype(np.uint8)
    near, far = (cv2.dilate(mask, np.ones((2 * n + 1,) * 2, np.uint8)) > 0 for n in (INNER_PX, OUTER_PX))
    ring = far & ~near & place.of(valid)
    if ring.sum() < 10:
        return None
    z = float(place.of(outside)[inside].max())
    lines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    length = cv2.arcLength(max(lines, key=len), True)
    area = float(inside.sum())
    seen = place.of(chance)
    values = [z, math.log(z), math.log(area), 4 * math.pi * area / max(length, 1.0) ** 2,
              _logit(float(seen[inside].mean())), _logit(float(seen[ring].mean()))]  # fmt: skip
    scaled = []
    for channel in channels.values():
        part = place.of(channel)
        around = part[ring]
        spread = 1.4826 * float(np.median(np.abs(around - np.median(around)))) + 1e-3
        scaled.append(abs(float(part[inside].mean() - around.mean())) / spread)
        values += [abs(float(np.median(part[inside]) - np.median(around))), scaled[-1]]
    return np.array([*values, math.log(math.hypot(*scaled) + 0.1)])


def _logit(p: float) -> float:
    p = min(max(p, 0.01), 0.99)
    return math.log(p / (1 - p))
