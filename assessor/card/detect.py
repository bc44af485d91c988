"""Read the card's fixed markers with OpenCV's detector, and tell which of them belong to one card.

Source: adaptive thresholds, quads and codes by OpenCV's aruco module (Garrido-Jurado et al. 2014); agreement by RANSAC
(Fischler & Bolles 1981).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.card.layout import DICTIONARY, card_layout
from assessor.card.plane import apply_homography, fit_homography, ransac_homography
from assessor.values import FloatArray


class Pyramid:
    """The grey photo at whole divisors of its size, each made once."""

    def __init__(self, grey_u8: NDArray[np.uint8]) -> None:
        self.full = grey_u8
        self._levels: dict[int, NDArray[np.uint8]] = {1: grey_u8}

    def level(self, divisor: int) -> NDArray[np.uint8]:
        """Averages of divisor x divisor pixels; the remainder at right and bottom is cut off."""
        if divisor not in self._levels:
            rows, columns = (n // divisor for n in self.full.shape)
            whole = self.full[: rows * divisor, : columns * divisor]
            reduced = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
            self._levels[divisor] = np.asarray(reduced, dtype=np.uint8)
        return self._levels[divisor]


@dataclass(frozen=True, eq=False)
class Detection:
    """One fixed marker as detected: its id and rough corners (4, 2) in full-size pixels."""

    id: int
    corners_px: FloatArray


def divisors(size_px: tuple[int, int], long_sides_px: tuple[int, ...]) -> list[int]:
    """Whole divisors that bring the long side under each limit, coarse first, without repeats."""
    return list(dict.fromkeys(max(1, -(-max(size_px) // limit)) for limit in long_sides_px))


@cache
def _dictionary() -> cv2.aruco.Dictionary:
    """The fixed markers only (ids 0-35): looking a candidate up among all 587 takes four times as long."""
    whole = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    n = max(card_layout(0).fixed_markers()) + 1
    return cv2.aruco.Dictionary(
        np.ascontiguousarray(whole.bytesList[:n]), whole.markerSize, whole.maxCorrectionBits
    )


def detect_markers(image_u8: NDArray[np.uint8], divisor: int, *, thorough: bool) -> list[Detection]:
    """Fixed markers of the card in one level, corners in full-size pixels."""
    parameters = cv2.aruco.DetectorParameters()
    # Small threshold windows see past hard shadow edges, large ones hold in blur.
    parameters.adaptiveThreshWinSizeMin = 5 if thorough else 7
    parameters.adaptiveThreshWinSizeMax = 41 if thorough else 19
    parameters.adaptiveThreshWinSizeStep = 12
    parameters.adaptiveThreshConstant = 4 if thorough else 7
    parameters.minMarkerPerimeterRate = 0.03 if thorough else 0.05
    parameters.maxMarkerPerimeterRate = 2.0
    ids: Any  # None where nothing is found, which OpenCV's own types leave out
    quads, ids, _ = cv2.aruco.ArucoDetector(_dictionary(), parameters).detectMarkers(image_u8)
    if ids is None:
        return []
    fixed = card_layout(0).fixed_markers()
    return [
        Detection(int(i), (np.asarray(quad, dtype=float).reshape(4, 2) + 0.5) * divisor - 0.5)
        for i, quad in zip(np.asarray(ids).ravel(), quads, strict=True)
        if int(i) in fixed
    ]


def agreeing(found: list[Detection], tolerance_mm: float) -> list[bool]:
    """Which detections fit one homography of the card within tolerance_mm on the card."""
    if not found:
        return []
    points, pixels = pairs_of(found)
    _, agrees = ransac_homography(pixels, points, tolerance_mm)
    for _ in range(3):
        four = agrees.reshape(-1, 4).all(1)
        if four.sum() < 2:
            break
        # The sample that won may come from one side of the card: fit all that agree, and ask everyone again.
        use = np.repeat(four, 4)
        mm_from_px = fit_homography(pixels[use], points[use])
        agrees = np.linalg.norm(apply_homography(mm_from_px, pixels) - points, axis=1) < tolerance_mm
    return [bool(four.all()) for four in agrees.reshape(-1, 4)]


def pairs_of(found: list[Detection]) -> tuple[FloatArray, FloatArray]:
    """Drawn points (N, 2) in mm and pixels (N, 2) of all corners, marker after marker."""
    fixed = card_layout(0).fixed_markers()
    points = np.concatenate([fixed[d.id].corners_mm() for d in found])
    return points, np.concatenate([d.corners_px for d in found])
