"""The edge strip in a photo: its serial, its paper, and the light on it and on the floor above it.

The window card has white paper on all sides of the floor; the strip on one. A smooth light fitted to that side alone
and carried over 120 mm of floor errs by as much as the light bends. So the floor itself says how its light falls off
(a quadratic through its brightness: texture is far finer than that), and the paper beside it only how bright white
would be there. What this costs is in the strip's wider uncertainty (`scripts/judge_strip`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.card.layout import SERIAL_ID_BASE
from assessor.card.paper import PaperSettings, outline_mm
from assessor.card.reading import marker_cells_mm, read_known
from assessor.card.strip_layout import STRIP_PAPER, strip_layout
from assessor.card.white import read_paper_light, white_basis, white_points_mm
from assessor.values import Camera, FloatArray, Photo, freeze

MARGIN_MM = 1.5  # of the strip's paper that is not read: hand-cut edges
FLOOR_HALF_MM, FLOOR_STEP_MM = 54.0, 2.0  # where the floor's own light is read
MEETING_MM = -66.0  # y on the strip's bare paper beside the floor, where both lights are compared
ROUNDS = 6
BAND_ALONG_MM = (-48.0, -32.0, -16.0, 0.0, 16.0, 32.0, 48.0)


@dataclass(frozen=True, eq=False)
class StripLight:
    """The smooth light of one photo, as `Rectified.white_fit` has it, (6, 3) each: on the strip, and over the floor."""

    paper: FloatArray
    floor: FloatArray

    def __post_init__(self) -> None:
        freeze(self.paper)
        freeze(self.floor)


def strip_paper(settings: PaperSettings) -> PaperSettings:
    """Where the strip's plain paper is looked at for noise and displays: its one side, more densely."""
    return replace(settings, along_mm=BAND_ALONG_MM, sides=("bottom",))


def read_strip_serial(
    image_u8: NDArray[np.uint8], project: Callable[[FloatArray], FloatArray], min_share: float
) -> int | None:
    """The strip's serial, None where one of its two halves cannot be told; arguments as `read_design`."""
    halves = []
    for role in ("serial-high", "serial-low"):
        place = next(m for m in strip_layout().markers if m.role == role)
        # All values are asked at the same place: their codes differ in 11 bits, so at most one answers.
        markers = [replace(place, id=SERIAL_ID_BASE + value) for value in range(256)]
        seen = read_known(image_u8, [m.id for m in markers], project(marker_cells_mm(markers)), min_share)
        values = np.flatnonzero(seen)
        if len(values) != 1:
            return None
        halves.append(int(values[0]))
    return halves[0] * 256 + halves[1]


def only_strip(photo: Photo, camera: Camera, scale: tuple[float, float]) -> Photo:
    """The same photo with all but the strip's paper black, which readers of paper leave out."""
    paper = outline_mm(STRIP_PAPER.less(MARGIN_MM)) * scale
    # The sides are drawn in short pieces, for the lens bends them.
    along = np.linspace(0, 1, 9)[:-1, None]
    rim = np.concatenate(
        [a + (b - a) * along for a, b in zip(paper, np.roll(paper, -1, axis=0), strict=True)]
    )
    pixels = camera.project(np.column_stack([rim, np.zeros(len(rim))]))
    mask = np.zeros(photo.rgb_u8.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.rint(pixels).astype(np.int32)], 255)
    return replace(photo, rgb_u8=np.asarray(cv2.bitwise_and(photo.rgb_u8, photo.rgb_u8, mask=mask)))


def read_strip_light(photo: Photo, camera: Camera, scale: tuple[float, float]) -> StripLight:
    """Smooth light on the strip (a plane in its log) and over the floor (a quadratic); scale: printed over drawn."""
    inner = STRIP_PAPER.less(MARGIN_MM)
    drawn = white_points_mm()
    x, y = drawn.T
    points = drawn[(np.abs(x) < inner.x_max_mm) & (y > inner.y_min_mm) & (y < inner.y_max_mm)]
    paper = _fit(photo, camera, points * scale, terms=3)
    at = np.arange(-FLOOR_HALF_MM, FLOOR_HALF_MM + 0.1, FLOOR_STEP_MM)
    floor = _fit(photo, camera, np.column_stack([g.ravel() for g in np.meshgrid(at, at)]), terms=6)
    meeting = white_basis(at, np.full(len(at), MEETING_MM * scale[1])).mean(1)
    floor[0] += (paper - floor).T @ meeting
    return StripLight(paper, floor)


def _fit(photo: Photo, camera: Camera, points_mm: FloatArray, *, terms: int) -> FloatArray:
    """Coefficients (6, 3) of the log of what lies at points (N, 2), robust; the first `terms` are fitted."""
    pixels = camera.project(np.column_stack([points_mm, np.zeros(len(points_mm))]))
    light, seen = read_paper_light(photo, pixels)
    value = np.log(np.maximum(light, 1e-4))
    basis = white_basis(points_mm[:, 0], points_mm[:, 1]).T[:, :terms]
    weight = seen.astype(float)
    fit = np.zeros((6, 3))
    for _ in range(ROUNDS):
        root = np.sqrt(weight)[:, None]
        fit[:terms] = np.linalg.lstsq(basis * root, value * root, rcond=None)[0]
        off = value[:, 1] - basis @ fit[:terms, 1]
        spread = 1.4826 * float(np.median(np.abs(off[seen]))) if seen.any() else 1.0
        weight = seen / (1 + (off / max(3 * spread, 0.02)) ** 2) ** 2
    return fit
