"""Where a spot can lie in a lot: its outline in metres, and random places spread evenly over it.

Frame: x runs along the long side from the marked corner, y away from that side; for a drawn outline both are moved so
that its left and bottom edges lie at 0. Places are uniform: many candidates are drawn uniformly over the usable area
(OpenCV's point-in-polygon test), cut into as many equal parts as spots are wanted, and one is taken from each part.
Every candidate is alike before it is drawn and every part holds as many, so each place of the usable area has the same
chance; that no part goes empty only keeps spots from falling together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import cv2
import numpy as np

from assessor.errors import BadEntry
from assessor.values import FloatArray, freeze

PART_CANDIDATES = 100  # per part: parts then differ by about a tenth in area, and a redraw never runs out
MOST_TRIES = 3_000_000  # of an outline so thin that fewer candidates than wanted fall on it


@dataclass(frozen=True, eq=False)
class Outline:
    """A simple polygon: corners_m (N, 2), its left and bottom edges at 0. room_m: kept free along its edges."""

    corners_m: FloatArray
    room_m: float

    def __post_init__(self) -> None:
        freeze(self.corners_m)

    @property
    def size_m(self) -> tuple[float, float]:
        """Width (x) and height (y) of the box around it."""
        x, y = self.corners_m.max(axis=0)
        return float(x), float(y)

    def holds(self, x_m: float, y_m: float) -> bool:
        """Whether a sheet can lie there: inside, and room_m from every edge (to a micrometre)."""
        return _depth(self.corners_m, x_m, y_m) >= self.room_m - 1e-6

    def to_edge_m(self, x_m: float, y_m: float, way: tuple[int, int]) -> float:
        """Distance from a place inside to where a walk along the unit vector `way` first leaves, to 5 cm."""
        walked = 0.0
        while _depth(self.corners_m, x_m + walked * way[0], y_m + walked * way[1]) > 0:
            walked += 0.05
        return round(walked, 2)


def outline_of(corners_m: Sequence[tuple[float, float]], rooms_m: Sequence[float]) -> Outline:
    """Check an outline and say how far from its edges spots can stay; raises BadEntry.

    room_m is the first of rooms_m that leaves anything of it, else half of what its widest place has.
    """
    corners = np.array(corners_m, float)
    if corners.ndim != 2 or corners.shape[1] != 2 or len(corners) < 3 or not np.isfinite(corners).all():
        raise BadEntry("an outline needs at least three corners, each with x and y in metres")
    corners = corners - corners.min(axis=0)
    if _crosses_itself(corners):
        raise BadEntry("the outline crosses itself: give its corners in the order one walks round it")
    if area_m2(corners) < 1e-3:
        raise BadEntry("the outline has no area")
    widest = _widest(tuple(corners.ravel().tolist()))
    return Outline(corners, next((room for room in rooms_m if widest > 1.05 * room), widest / 2))


def area_m2(corners_m: FloatArray) -> float:
    """Area of a simple polygon with corners (N, 2), by the shoelace rule."""
    x, y = corners_m[:, 0], corners_m[:, 1]
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def draw_places(outline: Outline, parts: int, rng: np.random.Generator) -> FloatArray:
    """Return random places (parts, PART_CANDIDATES, 2) in m: of each part in random order, parts as one walks them.

    The first place of each part is the spot; the next ones stand in where no sheet can lie. Raises BadEntry where the
    outline is too thin to draw in.
    """
    candidates = _candidates(outline, parts * PART_CANDIDATES, rng)
    wide, high = candidates.max(axis=0) - candidates.min(axis=0)
    rows = min(max(round(math.sqrt(parts * high / max(wide, 1e-9))), 1), parts)
    per_row = [parts // rows + (row < parts % rows) for row in range(rows)]
    by_y = candidates[np.argsort(candidates[:, 1], kind="stable")]
    cuts = np.cumsum(per_row)[:-1] * PART_CANDIDATES
    drawn = []
    for number, row in enumerate(np.split(by_y, cuts)):
        by_x = row[np.argsort(row[:, 0], kind="stable")]
        cells = by_x.reshape(-1, PART_CANDIDATES, 2)
        # Back and forth, as one walks.
        drawn.append(cells if number % 2 == 0 else cells[::-1])
    return np.stack([rng.permutation(cell) for cell in np.concatenate(drawn)])


def _candidates(outline: Outline, wanted: int, rng: np.random.Generator) -> FloatArray:
    kept: list[FloatArray] = []
    count, tries, block = 0, 0, wanted
    low = np.full(2, outline.room_m)
    span = np.array(outline.size_m) - 2 * outline.room_m
    while count < wanted:
        if tries > MOST_TRIES:
            raise BadEntry(
                "the outline is too thin to draw spots in: check its corners, or cut it into pieces"
            )
        points = low + rng.random((block, 2)) * span
        inside = points[[outline.holds(x, y) for x, y in points]]
        kept.append(inside)
        count, tries = count + len(inside), tries + block
        block = min(max(wanted, round(1.2 * (wanted - count) * tries / max(count, 1))), 200_000)
    return np.concatenate(kept)[:wanted]


def _depth(corners: FloatArray, x_m: float, y_m: float) -> float:
    """Distance to the nearest edge, m, positive inside."""
    return float(cv2.pointPolygonTest(corners.astype(np.float32), (float(x_m), float(y_m)), True))


@lru_cache(maxsize=256)
def _widest(flat: tuple[float, ...]) -> float:
    """About the largest distance to the edges that any place inside has, m.

    The best of a 60 x 60 grid and, since a thin strip slips through that, of places straight in from its edges.
    flat: the corners' x and y in turn. Remembered, since every look at a zone with a failed spot asks for it.
    """
    corners = np.reshape(flat, (-1, 2))
    size = corners.max(axis=0)
    share = (np.arange(60) + 0.5) / 60
    best = max(_depth(corners, x, y) for x in size[0] * share for y in size[1] * share)
    inward = np.geomspace(0.02, size.max() / 2, 60)
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = end - start
        across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
        for part in (0.25, 0.5, 0.75):
            for depth in (*inward, *-inward):
                best = max(best, _depth(corners, *(start + part * along + depth * across)))
    return best


def _crosses_itself(corners: FloatArray) -> bool:
    edges = list(zip(corners, np.roll(corners, -1, axis=0), strict=True))
    last = len(edges) - 1
    for (i, one), (j, two) in combinations(enumerate(edges), 2):
        if j - i > 1 and not (i == 0 and j == last) and _cross(*one, *two):
            return True
    return False


def _cross(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> bool:
    def side(p: FloatArray, q: FloatArray, r: FloatArray) -> float:
        return float((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0
