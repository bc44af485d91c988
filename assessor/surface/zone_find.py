"""Find zone sheets, and the window card's large markers, in a photo from standing height.

OpenCV's detector reads the markers on the photo at half its size, and at full size where fewer than two sheets were
seen. Corners then come from line fits on linear light (`card.corners`): a corner by gradients errs by up to half a
pixel, which is half a millimetre here and several at two metres from the sheet.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.card.bundle import exif_focal_px
from assessor.card.corners import CornerSettings, fit_corners, sharpened
from assessor.card.detect import Pyramid
from assessor.card.find import focal_guess_px
from assessor.card.layout import DICTIONARY, Marker
from assessor.card.linear import grey_bytes
from assessor.card.zone_sheet import CARD_NAME, zone_markers
from assessor.errors import NoSheet, OverviewMisfit, TooBlurred
from assessor.values import FloatArray, Photo, PrintScale
from assessor.values.overview import SheetsSighting


@dataclass(frozen=True, slots=True)
class ZoneFindSettings:
    """How markers are looked for."""

    max_long_side_px: int = 2200  # cells of a sheet keep 4 px where a full-size pixel covers 2.2 mm
    min_sheets: int = 2  # fewer at half size: look at full size too
    max_edge_px: float = 7.0  # 10-90 %: an island of 1 cm2 is 5 to 20 px across; sharp photos have 2 to 3
    unrefined_sd_px: float = 0.6  # corners whose edges could not be fitted
    white_mm: float = 14.0  # plain paper outside a sheet's marker that profiles may use (25 mm are there)
    corners: CornerSettings = field(default_factory=CornerSettings)


def find_sheets(
    photo: Photo, print_scale: PrintScale, settings: ZoneFindSettings | None = None
) -> SheetsSighting:
    """Find all sheets in one photo; raises NoSheet, OverviewMisfit where one number lies there twice,
    or TooBlurred."""
    settings = settings or ZoneFindSettings()
    pyramid = Pyramid(grey_bytes(photo.rgb_u8))
    known = zone_markers()
    coarse = max(1, -(-max(photo.size_px) // settings.max_long_side_px))
    found: list[tuple[int, FloatArray]] = []
    for divisor in dict.fromkeys((coarse, 1)):
        found = _detect(pyramid.level(divisor), divisor)
        if len({known[i][0] for i, _ in found}) >= settings.min_sheets:
            break
    if not found:
        raise NoSheet("no zone sheet and no card could be read", file=photo.name)
    twice = sorted(known[i][0] for i, n in Counter(i for i, _ in found).items() if n > 1)
    if twice:
        raise OverviewMisfit(f"sheet {twice[0]} lies in the photo twice", file=photo.name)
    markers = [known[i] for i, _ in found]
    start = np.array([corners for _, corners in found])
    corners, sd, blur = _refine(pyramid.full, start, markers, settings)
    if blur > settings.max_edge_px:
        raise TooBlurred(
            f"the sheets' edges are {blur:.1f} px wide, at most {settings.max_edge_px:g} px can be used",
            file=photo.name,
        )
    scale = np.array([print_scale.x, print_scale.y])
    return SheetsSighting(
        photo_name=photo.name,
        size_px=photo.size_px,
        names=tuple(name for name, _ in markers),
        corners_mm=np.array([marker.corners_mm() for _, marker in markers]) * scale,
        corners_px=corners,
        corner_sd_px=sd,
        focal_px=focal_guess_px(photo),
        focal_known=exif_focal_px(photo.exif, photo.size_px) is not None,
        edge_width_px=blur,
    )


@cache
def _dictionary() -> tuple[cv2.aruco.Dictionary, tuple[int, ...]]:
    """The markers of overviews only, and their ids in the whole family."""
    whole = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    ids = tuple(sorted(zone_markers()))
    part = cv2.aruco.Dictionary(
        np.ascontiguousarray(whole.bytesList[list(ids)]), whole.markerSize, whole.maxCorrectionBits
    )
    return part, ids


def _detect(image_u8: NDArray[np.uint8], divisor: int) -> list[tuple[int, FloatArray]]:
    """Ids and corners (4, 2) in full-size pixels."""
    dictionary, ids = _dictionary()
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = 7, 31
    parameters.adaptiveThreshWinSizeStep = 12
    parameters.minMarkerPerimeterRate = 0.02
    # Concrete is full of squares that are none: no bit may be wrong by much.
    parameters.errorCorrectionRate = 0.4
    found: Any
    quads, found, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(image_u8)
    if found is None:
        return []
    return [
        (ids[int(i)], (np.asarray(quad, dtype=float).reshape(4, 2) + 0.5) * divisor - 0.5)
        for i, quad in zip(np.asarray(found).ravel(), quads, strict=True)
    ]


def _refine(
    grey_u8: NDArray[np.uint8],
    start_px: FloatArray,
    markers: list[tuple[str, Marker]],
    settings: ZoneFindSettings,
) -> tuple[FloatArray, FloatArray, float]:
    """Corners (M, 4, 2), their sd (M, 4), blur, by line fits; sheets and card have other white round them."""
    corners, sd = start_px.copy(), np.full(start_px.shape[:2], settings.unrefined_sd_px)
    widths: list[float] = []
    for is_card in (False, True):
        members = [k for k, (name, _) in enumerate(markers) if (name == CARD_NAME) == is_card]
        if not members:
            continue
        how = settings.corners if is_card else replace(settings.corners, outside_mm=settings.white_mm)
        sides = np.array([markers[k][1].side_mm for k in members])
        fit = fit_corners(grey_u8, start_px[members], sides, None, how)
        width = float(np.nanmedian(fit.edge_width_px)) if np.isfinite(fit.edge_width_px).any() else 2.0
        begin = np.where(fit.usable[:, None, None], fit.corners_px, start_px[members])
        fit = fit_corners(grey_u8, begin, sides, None, sharpened(how, width))
        for k, at in enumerate(members):
            if fit.usable[k]:
                corners[at], sd[at] = fit.corners_px[k], fit.corner_sd_px[k]
                widths += [float(w) for w in fit.edge_width_px[k] if np.isfinite(w)]
    return corners, sd, float(np.median(widths)) if widths else float("nan")
