"""The card plane in one photo: a homography and one radial term, fitted to points robustly.

A plain homography misses phone lenses by several pixels over the card; one radial term about the frame's centre takes
most of that away, which is enough to say where to look. The metric camera is solved later, over the whole capture
(`card.camera`).

Source: homography by RANSAC (Fischler & Bolles 1981, in OpenCV), then Gauss-Newton with Cauchy weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from assessor.values import BoolArray, FloatArray

# Main cameras of phones see about 69 degrees along the long side (common practice): half a side over its tangent.
FOCAL_OVER_LONG_SIDE = 0.5 / np.tan(np.radians(69.0 / 2))


@dataclass(frozen=True, eq=False)
class CardPlane:
    """Card millimetres to pixels: h = H(x, y), then p = c + (1 + k |h - c|^2 / R^2)(h - c), R half the diagonal."""

    px_from_mm: FloatArray
    radial: float
    centre_px: FloatArray
    radius_px: float

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Project drawn card points (..., 2) in mm to pixels (..., 2)."""
        off = apply_homography(self.px_from_mm, points_mm) - self.centre_px
        r2 = (off * off).sum(-1, keepdims=True) / self.radius_px**2
        return np.asarray(self.centre_px + off * (1 + self.radial * r2))


def apply_homography(matrix: FloatArray, points: FloatArray) -> FloatArray:
    """Map points (..., 2) through a 3 x 3 homography."""
    mapped = np.asarray(points, dtype=float) @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(mapped[..., :2] / mapped[..., 2:])


def ransac_homography(
    source: FloatArray, target: FloatArray, tolerance: float
) -> tuple[FloatArray | None, BoolArray]:
    """Fit a homography to (N, 2) pairs that may hold gross errors; returns it (or None) and who agrees, (N,).

    tolerance is in units of the target.
    """
    if len(source) < 4:
        return None, np.zeros(len(source), bool)
    matrix: Any  # None where no sample agrees, which OpenCV's own types leave out
    matrix, mask = cv2.findHomography(
        np.ascontiguousarray(source, dtype=float),
        np.ascontiguousarray(target, dtype=float),
        cv2.RANSAC,
        tolerance,
        maxIters=500,
        confidence=0.999,
    )
    if matrix is None:
        return None, np.zeros(len(source), bool)
    return np.asarray(matrix, dtype=float), np.asarray(mask).ravel() > 0


def fit_homography(points_mm: FloatArray, pixels: FloatArray) -> FloatArray:
    """Fit the least-squares homography to (N, 2) pairs without gross errors."""
    matrix, _ = cv2.findHomography(
        np.ascontiguousarray(points_mm, dtype=float), np.ascontiguousarray(pixels, dtype=float), 0
    )
    return np.asarray(matrix, dtype=float)


def fit_plane(
    points_mm: FloatArray,
    pixels: FloatArray,
    size_px: tuple[int, int],
    *,
    scale_px: float = 1.0,
    rounds: int = 4,
) -> CardPlane:
    """Fit homography and radial term to (N, 2) drawn points and their pixels.

    scale_px: residuals well above it lose their say (Cauchy weights). The radial term is held near zero (sd 0.05) so
    that a card in the middle of the frame, which cannot tell, does not bend the picture.
    """
    centre = (np.array(size_px, dtype=float) - 1) / 2
    radius = float(np.hypot(*size_px)) / 2
    # Unit-sized coordinates keep the normal equations well conditioned.
    to_unit = np.array(
        [[1 / radius, 0, -centre[0] / radius], [0, 1 / radius, -centre[1] / radius], [0, 0, 1]]
    )
    mm = np.asarray(points_mm, dtype=float) / 100.0
    unit = (np.asarray(pixels, dtype=float) - centre) / radius
    matrix, radial = to_unit @ fit_homography(points_mm, pixels) @ np.diag([100.0, 100.0, 1.0]), 0.0
    scale = scale_px / radius
    for _ in range(rounds):
        matrix = matrix / matrix[2, 2]
        weight = mm @ matrix[2, :2] + 1.0
        off = (mm @ matrix[:2, :2].T + matrix[:2, 2]) / weight[:, None]
        r2 = (off * off).sum(1)
        residual = unit - off * (1 + radial * r2)[:, None]
        flat = _homography_jacobian(mm, off, weight)
        bent = (1 + radial * r2)[:, None, None] * flat
        bent += 2 * radial * off[:, :, None] * np.einsum("nc,nck->nk", off, flat)[:, None]
        jacobian = np.concatenate([bent, (off * r2[:, None])[:, :, None]], axis=2)
        vote = 1 / (1 + (residual**2).sum(1) / scale**2)
        weighted = (jacobian * vote[:, None, None]).reshape(-1, 9)
        normal = weighted.T @ jacobian.reshape(-1, 9)
        right = weighted.T @ residual.ravel()
        normal[8, 8] += (scale / 0.05) ** 2
        right[8] -= radial * (scale / 0.05) ** 2
        step = np.linalg.solve(normal + 1e-12 * np.trace(normal) * np.eye(9), right)
        matrix = matrix + np.append(step[:8], 0.0).reshape(3, 3)
        radial += float(step[8])
    return CardPlane(np.linalg.inv(to_unit) @ matrix @ np.diag([0.01, 0.01, 1.0]), radial, centre, radius)


def _homography_jacobian(mm: FloatArray, mapped: FloatArray, weight: FloatArray) -> FloatArray:
    """Derivatives (N, 2, 8) of mapped points by the first eight entries of the matrix."""
    ones = np.column_stack([mm, np.ones(len(mm))]) / weight[:, None]
    jacobian = np.zeros((len(mm), 2, 8))
    jacobian[:, 0, 0:3] = ones
    jacobian[:, 1, 3:6] = ones
    jacobian[:, :, 6:8] = -mapped[:, :, None] * (mm / weight[:, None])[:, None, :]
    return jacobian


def px_per_mm_at(px_from_mm: FloatArray, points_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Smallest and largest local scale (pixels per mm over all directions) at points (N, 2)."""
    points = np.asarray(points_mm, dtype=float)
    weight = points @ px_from_mm[2, :2] + px_from_mm[2, 2]
    mapped = apply_homography(px_from_mm, points)
    jacobian = (px_from_mm[None, :2, :2] - mapped[:, :, None] * px_from_mm[None, None, 2, :2]) / weight[
        :, None, None
    ]
    scales = np.linalg.svd(jacobian, compute_uv=False)
    return scales[:, 1], scales[:, 0]


def tilt_and_distance(
    px_from_mm: FloatArray, size_px: tuple[int, int], focal_px: float
) -> tuple[float, float]:
    """Angle in degrees between the sheet's normal and the line of sight to its middle, and the distance in mm.

    The normal is the cross product of the two card axes, so a print stretched unequally in x and y does not tilt it.
    """
    shift = np.array([[1, 0, -(size_px[0] - 1) / 2], [0, 1, -(size_px[1] - 1) / 2], [0, 0, 1.0]])
    rays = np.diag([1 / focal_px, 1 / focal_px, 1.0]) @ shift @ px_from_mm
    normal = np.cross(rays[:, 0], rays[:, 1])
    sight = rays[:, 2]
    cosine = abs(normal @ sight) / (np.linalg.norm(normal) * np.linalg.norm(sight))
    length = np.sqrt(np.linalg.norm(rays[:, 0]) * np.linalg.norm(rays[:, 1]))
    return float(np.degrees(np.arccos(np.clip(cosine, 0, 1)))), float(np.linalg.norm(sight) / length)
