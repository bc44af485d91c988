"""Find the card in a photo and measure its marker corners.

1. OpenCV's detector reads the fixed markers on a reduced picture, on a finer one only when needed (`card.detect`).
2. A robust homography from them says where every marker must lie; detections that do not agree are dropped, and
   several that agree among themselves are a second card.
3. All places are read through that homography (`card.reading`), which also finds markers that shadows or blur hid from
   the detector and the serial, whose markers stand twice on the card.
4. Corners by line fits (`card.corners`), twice: the second time from the corners and lens bend of the first.

Each step only narrows where the next one looks, so the photo's full size is touched once, at the edges.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.card.bundle import exif_focal_px
from assessor.card.corners import CornerFit, CornerSettings, fit_corners, sharpened
from assessor.card.designs import read_design
from assessor.card.detect import Detection, Pyramid, agreeing, detect_markers, divisors, pairs_of
from assessor.card.layout import CardLayout, card_layout
from assessor.card.linear import grey_bytes
from assessor.card.paper import PaperSettings, burnt_share, outline_mm, read_paper
from assessor.card.plane import (
    FOCAL_OVER_LONG_SIDE,
    CardPlane,
    apply_homography,
    fit_homography,
    fit_plane,
    px_per_mm_at,
    tilt_and_distance,
)
from assessor.card.reading import Reading, cell_centres_mm, read_markers
from assessor.card.strip_layout import STRIP_DESIGN, strip_layout
from assessor.card.strip_read import read_strip_serial, strip_paper
from assessor.errors import CardMirrored, CardNotFound, CardOnScreen, SeveralCards
from assessor.values import BoolArray, CardSighting, FloatArray, Photo

CARD_MM = 266.0  # long side of the printed extent


@dataclass(frozen=True, slots=True)
class FindSettings:
    """What counts as the card, with reasons."""

    long_sides_px: tuple[int, ...] = (
        1100,
        2200,
        4400,
    )  # 14 mm markers keep 3 px cells at 300-450 mm in the first
    min_markers: int = 8  # 32 corners carry pose, lens bend and bow of one photo
    min_window_share: float = (
        0.2  # the window lies between the markers, not beyond them; but for the edge strip
    )
    tolerance: float = 0.015  # of the card: bowed paper and lens distortion are normal
    local_tolerance_mm: float = 0.5  # a marker may leave its neighbours' trend by this
    first_markers: int = 3  # fixed ids that agree before places are read
    second_card_markers: int = 3
    min_share: float = 0.85  # of right answers; chance gives 0.5 with sd 0.07
    min_cell_px: float = 3.5  # to read a cell without its neighbours' blur
    few_markers: int = 22  # of 36: fewer are flagged
    clipped_byte: int = 254
    screen_share: float = 0.6
    corners: CornerSettings = field(default_factory=CornerSettings)
    paper: PaperSettings = field(default_factory=PaperSettings)


def find_card(photo: Photo, settings: FindSettings | None = None) -> CardSighting:
    """Find the card in one photo; corners in pixels, good to a few hundredths.

    Raises CardNotFound, SeveralCards, CardMirrored or CardOnScreen, each with the photo's name.
    """
    settings = settings or FindSettings()
    pyramid = Pyramid(grey_bytes(photo.rgb_u8))
    best, most = _State(), 0
    for turn, divisor in enumerate(divisors(photo.size_px, settings.long_sides_px)):
        found = detect_markers(pyramid.level(divisor), divisor, thorough=turn > 0)
        most = max(most, len(found))
        first = _first_plane(found, photo, settings)
        if first is None:
            continue
        best = max(best, _measure(pyramid, first, settings), key=lambda state: len(state.places))
        if best.places.size >= settings.min_markers:
            design = _design(pyramid, best, settings)
            if design == STRIP_DESIGN:
                return _sighting(photo, _numbered(pyramid, best, settings), design, settings)
            if _window_share(best.places) >= settings.min_window_share:
                return _sighting(photo, best, design, settings)
    if not best.places.size and _reads_mirrored(pyramid, photo, settings):
        raise CardMirrored("the card reads only in the mirror image", file=photo.name)
    raise _not_found(photo, best.places, max(most, best.places.size), settings)


def focal_guess_px(photo: Photo) -> float:
    """Focal length in pixels from EXIF, or that of a phone's main camera (69 degrees along the long side)."""
    return exif_focal_px(photo.exif, photo.size_px) or float(FOCAL_OVER_LONG_SIDE * max(photo.size_px))


@dataclass(frozen=True, eq=False)
class _State:
    """Markers measured so far: places in the layout (M,), their corners, and the plane they give."""

    places: NDArray[np.int_] = field(default_factory=lambda: np.empty(0, int))
    serial: int | None = None
    fit: CornerFit | None = None
    plane: CardPlane | None = None


def _first_plane(found: list[Detection], photo: Photo, settings: FindSettings) -> CardPlane | None:
    """The plane that most detections agree on, or None; SeveralCards if the rest agree on another."""
    inliers = agreeing(found, settings.tolerance * CARD_MM)
    if sum(inliers) < settings.first_markers:
        return None
    rest = [d for d, ok in zip(found, inliers, strict=True) if not ok]
    others = sum(agreeing(rest, settings.tolerance * CARD_MM))
    if others >= settings.second_card_markers:
        raise SeveralCards(
            f"{others} markers of a second card are in the photo beside the {sum(inliers)} of the first, 0 are allowed",
            file=photo.name,
        )
    points, pixels = pairs_of([d for d, ok in zip(found, inliers, strict=True) if ok])
    return fit_plane(points, pixels, photo.size_px, scale_px=max(2.0, max(photo.size_px) / 1000))


def _measure(pyramid: Pyramid, plane: CardPlane, settings: FindSettings) -> _State:
    """Read every place through the plane and fit corners, until no more markers come in."""
    state = _State(plane=plane)
    for turn in range(4):
        trend = _Trend(state)
        reading = _read(pyramid, trend, settings)
        places = np.flatnonzero(reading.seen)
        known = state.places.size
        if not places.size:
            return state
        # The first turn only centres the profiles: fewer of them do.
        if turn == 0 or state.fit is None:
            corners = replace(settings.corners, profiles=12, min_profiles=5)
        else:
            corners = sharpened(settings.corners, _blur(state.fit.edge_width_px))
        state = _fit_places(pyramid.full, trend, places, reading.serial, replace(settings, corners=corners))
        if not state.places.size or (turn and state.places.size <= known):
            break
    return state


class _Trend:
    """Where card points fall: the plane, plus what measured markers nearby say (bowed paper)."""

    def __init__(self, state: _State) -> None:
        assert state.plane is not None
        self.plane = state.plane
        self.serial = state.serial or 0
        self.places, self.fit = state.places, state.fit

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Project (P, ..., 2) points of P markers to pixels."""
        pixels = self.plane.project(points_mm)
        if self.fit is None:
            return pixels
        middle = points_mm.reshape(len(points_mm), -1, 2).mean(1)
        shift = _neighbour_mean(self._residuals(), _corners_mm(self.places).mean(1), middle)
        return np.asarray(pixels + shift.reshape(-1, *[1] * (points_mm.ndim - 2), 2))

    def _residuals(self) -> FloatArray:
        assert self.fit is not None
        return np.asarray((self.fit.corners_px - self.plane.project(_corners_mm(self.places))).mean(1))


def _neighbour_mean(values: FloatArray, at_mm: FloatArray, wanted_mm: FloatArray) -> FloatArray:
    """Means of (M, 2) values weighted by 1/distance^4 at (P, 2) places; a value at the place itself is left out."""
    distance2 = ((wanted_mm[:, None] - at_mm[None]) ** 2).sum(-1)
    weight = np.where(distance2 > 1.0, 1 / np.maximum(distance2, 1.0) ** 2, 0.0)
    return np.asarray(weight @ values / np.maximum(weight.sum(1, keepdims=True), 1e-12))


@cache
def _all_corners_mm() -> FloatArray:
    corners = np.array([m.corners_mm() for m in card_layout(0).markers])
    corners.flags.writeable = False
    return corners


def _corners_mm(places: NDArray[np.int_]) -> FloatArray:
    """(M, 4, 2) drawn corners of layout places (the serial changes ids, not places)."""
    return np.asarray(_all_corners_mm()[places])


def _read(pyramid: Pyramid, trend: _Trend, settings: FindSettings) -> Reading:
    """Read all places on the coarsest level whose cells are large enough."""
    centres = trend.project(cell_centres_mm())
    divisor = _divisor(centres, settings)
    return read_markers(pyramid.level(divisor), (centres + 0.5) / divisor - 0.5, settings.min_share)


def _divisor(centres: FloatArray, settings: FindSettings) -> int:
    """How far the picture may be reduced for these cells (P, 8, 8, 2), pixels of the full one."""
    cell_px = float(np.median(np.linalg.norm(np.diff(centres[:, 3:5, 4], axis=1)[:, 0], axis=-1)))
    return int(np.clip(cell_px // settings.min_cell_px, 1, 8))


def _numbered(pyramid: Pyramid, state: _State, settings: FindSettings) -> _State:
    """The same with the strip's serial, half of which stands at a place of its own."""
    return replace(state, serial=read_strip_serial(*_places(pyramid, state, settings), settings.min_share))


def _design(pyramid: Pyramid, state: _State, settings: FindSettings) -> str:
    """Which sheet it is, from its own markers through the final trend."""
    return read_design(*_places(pyramid, state, settings), settings.min_share)


def _places(
    pyramid: Pyramid, state: _State, settings: FindSettings
) -> tuple[NDArray[np.uint8], Callable[[FloatArray], FloatArray]]:
    """The level of the photo in which cells are read, and card places (P, ..., 2) mm to its pixels."""
    trend = _Trend(state)
    divisor = _divisor(trend.project(cell_centres_mm()), settings)

    def project(points_mm: FloatArray) -> FloatArray:
        return np.asarray((trend.project(points_mm) + 0.5) / divisor - 0.5)

    return pyramid.level(divisor), project


def _fit_places(
    grey_u8: NDArray[np.uint8],
    trend: _Trend,
    places: NDArray[np.int_],
    serial: int | None,
    settings: FindSettings,
) -> _State:
    """Corners of the places read, from the trend's prediction; markers out of line are dropped."""
    corners_mm = _corners_mm(places)
    predicted = trend.project(corners_mm)
    sides_mm = np.linalg.norm(corners_mm[:, 1] - corners_mm[:, 0], axis=1)
    fit = fit_corners(grey_u8, predicted, sides_mm, _sag(trend.plane, corners_mm), settings.corners)
    size = (grey_u8.shape[1], grey_u8.shape[0])
    keep = fit.usable
    for _ in range(2):
        if keep.sum() < 3:
            return _State(plane=trend.plane)
        plane = fit_plane(corners_mm[keep].reshape(-1, 2), fit.corners_px[keep].reshape(-1, 2), size)
        before, keep = keep, fit.usable & _in_line(plane, corners_mm, fit.corners_px, keep, settings)
        if (keep == before).all():
            break
    return _State(places[keep], serial, _only(fit, keep), plane)


def _sag(plane: CardPlane, corners_mm: FloatArray) -> FloatArray:
    """How far the lens bends the middle of each side outward from its chord, (M, 4) px."""
    after_mm = np.roll(corners_mm, -1, axis=1)
    here, after = plane.project(corners_mm), plane.project(after_mm)
    # Perspective maps lines to lines: compare with the chord where the homography puts the same point.
    flat_here, flat_after = (apply_homography(plane.px_from_mm, c) for c in (corners_mm, after_mm))
    flat_middle = (flat_here + flat_after) / 2
    off = flat_middle - plane.centre_px
    bent = plane.centre_px + off * (
        1 + plane.radial * (off * off).sum(-1, keepdims=True) / plane.radius_px**2
    )
    way = (after - here) / np.linalg.norm(after - here, axis=-1, keepdims=True)
    outward = np.stack([way[..., 1], -way[..., 0]], axis=-1)
    return np.asarray(((bent - here) * outward).sum(-1))


def _in_line(
    plane: CardPlane, corners_mm: FloatArray, corners_px: FloatArray, keep: BoolArray, settings: FindSettings
) -> BoolArray:
    """(M,) True where a marker lies near the plane, in line with its neighbours, and has its own shape."""
    residual = corners_px - plane.project(corners_mm)
    middle_mm = corners_mm.mean(1)
    px_per_mm = np.sqrt(np.prod(px_per_mm_at(plane.px_from_mm, middle_mm), axis=0))
    mean = residual.mean(1)
    expected = _neighbour_mean(mean[keep], middle_mm[keep], middle_mm)
    limit = settings.local_tolerance_mm * px_per_mm
    return np.asarray(
        (np.linalg.norm(mean, axis=1) < settings.tolerance * CARD_MM * px_per_mm)
        & (np.linalg.norm(mean - expected, axis=1) < limit)
        & (np.linalg.norm(residual - mean[:, None], axis=2).max(1) < limit)
    )


def _only(fit: CornerFit, keep: BoolArray) -> CornerFit:
    return CornerFit(**{name: getattr(fit, name)[keep] for name in CornerFit.__dataclass_fields__})


def _not_found(photo: Photo, places: NDArray[np.int_], n: int, settings: FindSettings) -> CardNotFound:
    """What was read and what is needed."""
    total, needed = len(card_layout(0).markers), settings.min_markers
    if places.size >= needed:
        return CardNotFound(
            f"the {places.size} markers that could be read enclose {_window_share(places):.0%} of the window, "
            f"at least {settings.min_window_share:.0%} is needed",
            file=photo.name,
        )
    some = "none" if n == 0 else f"only {n}"
    return CardNotFound(
        f"{some} of the card's {total} markers could be read, at least {needed} on three sides are needed",
        file=photo.name,
    )


def _window_share(places: NDArray[np.int_]) -> float:
    """Share of the window inside the hull of the markers' corners."""
    window = outline_mm(card_layout(0).window).astype(np.float32)
    hull = cv2.convexHull(_corners_mm(places).reshape(-1, 2).astype(np.float32))
    area, _ = cv2.intersectConvexConvex(hull, window)
    return float(area / cv2.contourArea(window))


def _reads_mirrored(pyramid: Pyramid, photo: Photo, settings: FindSettings) -> bool:
    """True if the fixed markers agree on a plane in the flipped photo."""
    for divisor in divisors(photo.size_px, settings.long_sides_px[:2]):
        flipped = np.ascontiguousarray(pyramid.level(divisor)[:, ::-1])
        found = detect_markers(flipped, divisor, thorough=True)
        if sum(agreeing(found, settings.tolerance * CARD_MM)) > settings.first_markers:
            return True
    return False


def _sighting(photo: Photo, state: _State, design: str, settings: FindSettings) -> CardSighting:
    """Everything the card says about this photo."""
    assert state.fit is not None and state.plane is not None
    fit, layout = state.fit, card_layout(state.serial or 0)
    corners_mm = _corners_mm(state.places)
    px_from_mm = fit_homography(corners_mm.reshape(-1, 2), fit.corners_px.reshape(-1, 2))
    strip = design == STRIP_DESIGN
    paper = strip_paper(settings.paper) if strip else settings.paper
    extent = strip_layout().extent if strip else layout.extent
    signs = read_paper(photo.rgb_u8, px_from_mm, paper)
    if signs.screen_share >= settings.screen_share:
        raise CardOnScreen(
            f"{signs.screen_share:.0%} of the white paper shows a display's pixel pattern, "
            f"{settings.screen_share:.0%} is the limit",
            file=photo.name,
        )
    sides_mm = np.linalg.norm(corners_mm[:, 1] - corners_mm[:, 0], axis=1)
    tilt, _ = tilt_and_distance(state.plane.px_from_mm, photo.size_px, focal_guess_px(photo))
    width_mm = fit.edge_width_px / fit.across_px * sides_mm[:, None]
    return CardSighting(
        photo_name=photo.name,
        size_px=photo.size_px,
        design=design,
        serial=state.serial,
        marker_ids=np.array([layout.markers[k].id for k in state.places]),
        corners_px=fit.corners_px.copy(),
        corner_sd_px=fit.corner_sd_px.copy(),
        px_from_mm=px_from_mm,
        px_per_mm=float(px_per_mm_at(px_from_mm, _window_points(layout))[0].min()),
        tilt_deg=tilt,
        edge_width_px=_blur(fit.edge_width_px),
        edge_width_mm=_blur(width_mm),
        white_linear=float(np.nanmedian(fit.white)),
        black_linear=float(np.nanmedian(fit.black)),
        noise_linear=signs.noise,
        clipped_fraction=burnt_share(photo.rgb_u8, px_from_mm, extent, settings.clipped_byte),
        flags=("few-markers",) if state.places.size < settings.few_markers and not strip else (),
    )


def _window_points(layout: CardLayout) -> FloatArray:
    w = layout.window
    x, y = np.meshgrid(np.linspace(w.x_min_mm, w.x_max_mm, 5), np.linspace(w.y_min_mm, w.y_max_mm, 5))
    return np.column_stack([x.ravel(), y.ravel()])


def _blur(widths: FloatArray) -> float:
    """Median over markers in each of two directions, then the worse: motion blurs one direction only."""
    known = [np.median(column[np.isfinite(column)]) for column in widths.T if np.isfinite(column).any()]
    return float(max(known)) if known else float("nan")
