"""Each photo of a zone on a coarse grid of the floor: its light, how fine it is there, where in the picture that lies.

What is smooth (light, which photo to take) is decided on these cells; only then is the fine picture put together.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.linear import linear_rgb
from assessor.values import BoolArray, Camera, FloatArray, Photo


@dataclass(frozen=True, slots=True)
class CellGrid:
    """Cells of a floor: (rows, columns), outer edges as of a raster."""

    rows: int
    columns: int
    cell_mm: float
    x_min_mm: float
    y_max_mm: float

    def centres(self) -> FloatArray:
        """(rows, columns, 2) mm."""
        x = self.x_min_mm + (np.arange(self.columns) + 0.5) * self.cell_mm
        y = self.y_max_mm - (np.arange(self.rows) + 0.5) * self.cell_mm
        return np.stack(np.meshgrid(x, y), -1)


@dataclass(frozen=True, eq=False)
class PhotoCells:
    """One photo on the cells: log_light (h, w, 3), finest px per mm (h, w; 0 where not seen), r2 of the lens (h, w).

    r2 counts from the picture's middle, 1 in its corners. edge (h, w): distance from the frame over the long side.
    """

    log_light: FloatArray
    finest: FloatArray
    r2: FloatArray
    edge: FloatArray

    @property
    def seen(self) -> BoolArray:
        """Cells that the photo shows."""
        return np.asarray(self.finest > 0)


def photo_cells(photo: Photo, camera: Camera, grid: CellGrid, *, clipped_byte: int) -> PhotoCells:
    """Read one photo on the cells; light is a mean over about a cell, burnt-out cells count as not seen."""
    width, height = photo.size_px
    pixels, finest = project_floor(camera, grid.centres(), photo.size_px)
    inside = finest > 0
    step = max(round(float(np.median(finest[inside])) * grid.cell_mm / 2), 1) if inside.any() else 1
    small = cv2.resize(photo.rgb_u8, (width // step, height // step), interpolation=cv2.INTER_AREA)
    at = ((pixels + 0.5) / step - 0.5).astype(np.float32)
    at = np.where(inside[..., None], at, -9.0).astype(np.float32)
    bytes_u8 = cv2.remap(small, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    light = linear_rgb(np.asarray(bytes_u8, dtype=np.uint8))
    good = inside & (bytes_u8.max(2) < clipped_byte) & (bytes_u8.max(2) > 3)
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    r2 = ((pixels - middle) ** 2).sum(-1) / float((middle**2).sum())
    off = np.minimum(pixels, np.array([width - 1, height - 1]) - pixels).min(-1) / max(width, height)
    return PhotoCells(
        np.log(np.maximum(light, 1e-4)).astype(np.float32),
        np.where(good, finest, 0).astype(np.float32),
        r2.astype(np.float32),
        off.astype(np.float32),
    )


def project_floor(
    camera: Camera, points: FloatArray, size_px: tuple[int, int]
) -> tuple[FloatArray, FloatArray]:
    """Pixels (h, w, 2) of floor points (h, w, 2) and the smaller of the two scales there, px per mm (0 outside).

    Points behind the camera, or so far out that the lens's bend is not known, are outside.
    """
    flat = points.reshape(-1, 2)
    cam = flat @ camera.camera_from_card[:, :2].T + camera.shift_mm
    depth = cam[:, 2]
    front = depth > 200.0
    safe = np.where(front, depth, 1e9)
    xy = cam[:, :2] / safe[:, None]
    r2 = (xy**2).sum(1)
    front &= r2 < 1.2
    pixels = camera.focal_px * xy * (1 + camera.k1 * r2)[:, None] + np.array(camera.centre_px)
    # d(x/z)/d(floor): the bend changes scales by a percent, which no gate here minds.
    turn = camera.camera_from_card
    jacobian = (turn[None, :2, :2] - xy[:, :, None] * turn[None, 2:3, :2]) / safe[:, None, None]
    a, b, c, d = jacobian[:, 0, 0], jacobian[:, 0, 1], jacobian[:, 1, 0], jacobian[:, 1, 1]
    sum2, det = (a * a + b * b + c * c + d * d) / 2, np.abs(a * d - b * c)
    smallest = np.sqrt(np.maximum(sum2 - np.sqrt(np.maximum(sum2**2 - det**2, 0)), 0)) * camera.focal_px
    width, height = size_px
    inside = (
        front
        & (pixels[:, 0] > 1)
        & (pixels[:, 1] > 1)
        & (pixels[:, 0] < width - 2)
        & (pixels[:, 1] < height - 2)
    )
    shape = points.shape[:2]
    return pixels.reshape(*shape, 2), np.where(inside, smallest, 0).reshape(shape)
