"""A made-up capture with small arrays, for everything that only shows or stores results."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from assessor.card.layout import card_layout
from assessor.card.raster import card_raster
from assessor.report.record import RecordHead, SourceFile
from assessor.report.schema import ScaleRecord
from assessor.values import (
    Adjustment,
    Band,
    Camera,
    CaptureResult,
    CardSighting,
    Direction,
    Exif,
    HeightMap,
    Photo,
    PrintScale,
    Quantity,
    RangeVerdict,
    Rectified,
    Suggestion,
    TargetRange,
    Texture,
    Transfer,
)

BAND = Band(2.5, 25.0)
CHANCES = (0.0, 0.01, 0.07, 0.26, 0.38, 0.2, 0.06, 0.02, 0.0, 0.0)


def fake_photo(name: str = "spot/a.jpg", *, make: str = "Rendered", width_px: int = 640) -> Photo:
    """A card on a grey floor seen from straight above; unequal height and width."""
    px_per_mm = width_px / 250
    sheet = card_raster(card_layout(), px_per_mm, (210.0, 297.0))
    height_px = sheet.shape[0] + 60
    rng = np.random.default_rng(3)
    grey = np.clip(rng.normal(125, 18, (height_px, width_px)), 0, 255).astype(np.uint8)
    left = (width_px - sheet.shape[1]) // 2
    window = round(120 * px_per_mm)
    row, col = 30 + (sheet.shape[0] - window) // 2, left + (sheet.shape[1] - window) // 2
    floor = grey[row : row + window, col : col + window].copy()
    grey[30 : 30 + sheet.shape[0], left : left + sheet.shape[1]] = sheet
    grey[row : row + window, col : col + window] = floor
    return Photo(name, cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB), Exif(make=make, model="Pretend"), "0" * 64)


def fake_sighting(photo: Photo) -> CardSighting:
    width_px, height_px = photo.size_px
    px = width_px / 250
    homography = np.array([[px, 0, width_px / 2], [0, -px, height_px / 2], [0, 0, 1.0]])
    return CardSighting(
        photo_name=photo.name, size_px=photo.size_px, design="window-1", serial=7,
        marker_ids=np.arange(36), corners_px=np.zeros((36, 4, 2)), corner_sd_px=np.full((36, 4), 0.03),
        px_from_mm=homography, px_per_mm=px, tilt_deg=14.0, edge_width_px=2.0, edge_width_mm=2 / px,
        white_linear=0.8, black_linear=0.03, noise_linear=0.01, clipped_fraction=0.0, flags=("soft",),
    )  # fmt: skip


def fake_heights(*, side: int = 160) -> HeightMap:
    """A sine of 0.3 mm and 12 mm wavelength along x on a slope, with a hole; unequal rows and columns."""
    px_per_mm = side / 120
    cols, rows = side, side - 8
    x = -60 + (np.arange(cols) + 0.5) / px_per_mm
    surface = 0.3 * np.sin(2 * np.pi * x / 12)[None, :] + 0.01 * np.arange(rows)[:, None]
    surface = surface + np.random.default_rng(5).normal(0, 0.02, (rows, cols)) - 3.0
    valid = np.ones((rows, cols), bool)
    valid[20:50, 90:120] = False
    transfer = Transfer(np.array([1.0, 2.0, 25.0]), np.array([0.3, 0.86, 1.0]), np.full(3, 0.03), "fake")
    half = surface.astype(np.float32)
    return HeightMap(
        height_mm=half, valid=valid, px_per_mm=px_per_mm, x_min_mm=-60.0, y_max_mm=60.0,
        halves=(half.copy(), half.copy()), transfer=transfer, shortest_trusted_mm=2.0, u_scale=0.01,
        agreement=0.93, method="fake sweep",
    )  # fmt: skip


def fake_texture() -> Texture:
    def number(name: str, value: float, u: float) -> Quantity:
        low, high = value - 1.645 * u, value + 1.645 * u
        return Quantity(name, value, u, low, high, "mm", BAND, 0.1, f"{name} by ISO 25178-2")

    quantities = (
        number("Sq", 0.212, 0.006), number("Sa", 0.19, 0.006), number("MPD", 0.41, 0.02),
        replace(number("Sz", 1.3, 0.2), low90=0.9, high90=1.6),
        Quantity("Ssk", float("nan"), float("nan"), float("nan"), float("nan"), "", BAND, 0.1, "undefined"),
    )  # fmt: skip
    return Texture("angles", quantities, Direction(90.0, 2.0, 0.8), 0.008, BAND, 0.97, ("few-valid",))


def fake_suggestion(target: TargetRange | None = None) -> Suggestion:
    verdict = None
    if target:
        sentence = "The profile is probably within the range: check it with the chip."
        verdict = RangeVerdict(target, 0.08, 0.84, 0.08, "shot", sentence, "four photos at 10-15 degrees")
    return Suggestion(
        scale_name="prior", scale_edition="ten chips", scale_is_prior=True, grades=tuple(range(1, 11)),
        probabilities=CHANCES, set90=(3, 4, 5, 6), best=5, confidence=0.38, abstained_because=None,
        reasons=("Sq 0.212 mm in 2.5-25 mm",), narrows="photograph your own chips: the scale is a prior",
        verdict=verdict,
    )  # fmt: skip


def fake_result(
    photos: tuple[Photo, ...] | None = None,
    *,
    target: TargetRange | None = None,
    refused: tuple[Exception, ...] = (),
) -> CaptureResult:
    photos = photos or (fake_photo(),)
    turn, shift = np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 350.0])
    cameras = tuple(
        Camera(p.name, 3000.0, (320.0, 400.0), 0.0, 0.0, turn.copy(), shift.copy()) for p in photos
    )
    adjustment = Adjustment(
        cameras, PrintScale(), np.array([0.2, 0.0, -0.1]), (0.0,), 0.05, 0.006, "exif", 0.004
    )
    reflectance = np.full((6, 8, 3), 0.4, np.float32)
    seen = np.ones((6, 8), bool)
    rectified = tuple(
        Rectified(p.name, reflectance.copy(), seen.copy(), 1.0, -4.0, 3.0, 0.12, 0.01, np.zeros((6, 3)))
        for p in photos
    )
    return CaptureResult(
        kind="angles", photos=photos, sightings=tuple(fake_sighting(p) for p in photos),
        adjustment=adjustment,
        rectified=rectified, heights=fake_heights(), texture=fake_texture(),
        suggestion=fake_suggestion(target),
        refused=refused, seconds={"decode": 0.25, "heights": 2.0},
        flags=("bars-unchecked", "scale-prior", "few-valid"),
    )  # fmt: skip


def fake_head(
    photos: tuple[Photo, ...] | None = None, *, capture: str = "spot", target: TargetRange | None = None
) -> RecordHead:
    photos = photos or (fake_photo(),)
    scale = ScaleRecord(
        name="prior-10", edition="ten-chip", is_prior=True, origin="prior", chip_set="none", who="nobody",
        date="version 1", digest="c" * 64,
    )  # fmt: skip
    files = tuple(SourceFile(photo.name, photo.sha256, photo.exif) for photo in photos)
    return RecordHead(
        capture=capture, why_grouped="same folder", key="ab" * 32, assessor_version="0.1.0",
        assessed_at_utc="2026-11-25T09:00:00Z", settings_digest="5" * 64, scale=scale, target=target,
        print_scale=PrintScale(), measured_bars_mm=None, files=files,
    )  # fmt: skip
