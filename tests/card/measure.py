"""Measuring a raster of the card as a print is measured: 50 % crossings, centroids, mm in the card frame."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np


@dataclass(frozen=True, eq=False)
class Scan:
    """A grey float32 image (H, W) of a whole page, the frame's origin in its middle; px per mm in x, y."""

    gray: np.ndarray
    px_per_mm: tuple[float, float]

    def px(self, points_mm: np.ndarray) -> np.ndarray:
        """(..., 2) mm to pixels, origin at the first pixel's centre."""
        height, width = self.gray.shape
        scale = np.array([self.px_per_mm[0], -self.px_per_mm[1]])
        return np.asarray(points_mm, float) * scale + ((width - 1) / 2, (height - 1) / 2)

    def mm(self, points_px: np.ndarray) -> np.ndarray:
        """(..., 2) pixels to mm."""
        height, width = self.gray.shape
        scale = np.array([self.px_per_mm[0], -self.px_per_mm[1]])
        return (np.asarray(points_px, float) - ((width - 1) / 2, (height - 1) / 2)) / scale

    def profile(self, start_mm: tuple[float, float], end_mm: tuple[float, float], n: int = 401) -> np.ndarray:
        """(n,) grey along a straight line, linear between pixels."""
        t = np.linspace(0, 1, n)[:, None]
        at = self.px(np.array(start_mm) * (1 - t) + np.array(end_mm) * t).astype(np.float32)
        return cv2.remap(self.gray, at[None, :, 0], at[None, :, 1], cv2.INTER_LINEAR)[0].astype(float)

    def edge_mm(self, start_mm: tuple[float, float], end_mm: tuple[float, float]) -> float:
        """Distance from start to where the grey crosses half of the step between the line's two ends."""
        values = self.profile(start_mm, end_mm)
        half = (values[0] + values[-1]) / 2
        (where,) = np.nonzero((values[:-1] - half) * (values[1:] - half) <= 0)
        assert len(where), "no edge on this line"
        k = int(where[0])
        step = values[k + 1] - values[k]
        part = (half - values[k]) / step if step else 0.0
        return float((k + part) / 400 * np.hypot(*np.subtract(end_mm, start_mm)))

    def line_mm(self, start_mm: tuple[float, float], end_mm: tuple[float, float]) -> float:
        """Distance from start to the centroid of the ink on this line."""
        ink = 255 - self.profile(start_mm, end_mm)
        assert ink.max() > 60, "no ink on this line"
        return float(
            (ink * np.arange(401)).sum() / ink.sum() / 400 * np.hypot(*np.subtract(end_mm, start_mm))
        )


def fit_line(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(point, direction) of the straight line through (n, 2) points, least squares."""
    middle = points.mean(axis=0)
    return middle, np.linalg.svd(points - middle)[2][0]


def crossing(a: tuple[np.ndarray, np.ndarray], b: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Where two lines meet."""
    s, _ = np.linalg.solve(np.stack([a[1], -b[1]], axis=1), b[0] - a[0])
    return a[0] + s * a[1]


def detect(image: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """ids (M,), corners (M, 4, 2) pixels as OpenCV reads them."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(np.asarray(image, np.uint8))
    return np.ravel(ids), np.array(corners).reshape(-1, 4, 2)


def refine_corners(scan: Scan, corners_px: np.ndarray) -> np.ndarray:
    """(4, 2) mm corners of one marker: 15 black-white crossings a side, lines, their meeting points."""
    rough = scan.mm(corners_px)
    centre = rough.mean(axis=0)
    lines = []
    for k in range(4):
        a, b = rough[k], rough[(k + 1) % 4]
        outward = (a + b) / 2 - centre
        outward /= np.hypot(*outward)
        points = []
        for t in np.linspace(0.1, 0.9, 15):
            start, end = a + t * (b - a) - outward, a + t * (b - a) + outward
            points.append(start + outward * scan.edge_mm(tuple(start), tuple(end)))
        lines.append(fit_line(np.array(points)))
    return np.array([crossing(lines[k - 1], lines[k]) for k in range(4)])
