"""Card sightings made from known cameras, without any picture: what the finder would hand to the adjustment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.layout import card_layout
from assessor.values import Camera, CardSighting, Exif, FloatArray

SIZE_PX = (4000, 3000)
SERIAL = 4660
FOCAL_PX = 2910.0  # a 25.2 mm equivalent on 4000 x 3000, so that an EXIF of 26 mm is 3 % wrong


def look_at(position_mm: FloatArray, *, roll_deg: float = 0.0) -> FloatArray:
    """Rotation (3, 3) of a camera that looks at the card's centre; roll turns the picture clockwise."""
    forward = -position_mm / np.linalg.norm(position_mm)
    right = np.cross(forward, (0.0, 1.0, 0.0))
    right /= np.linalg.norm(right)
    turn = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(roll_deg)]))[0]
    return np.asarray(turn @ np.stack([right, np.cross(forward, right), forward]))


def camera_over(
    azimuth_deg: float,
    tilt_deg: float,
    distance_mm: float,
    *,
    focal_px: float = FOCAL_PX,
    centre_px: tuple[float, float] = (1999.5, 1499.5),
    radial: tuple[float, float] = (0.0, 0.0),
    roll_deg: float = 0.0,
    aim_mm: tuple[float, float] = (0.0, 0.0),
) -> Camera:
    """A camera leaning toward `azimuth_deg` (counter-clockwise from card +x)."""
    a, t = np.radians([azimuth_deg, tilt_deg])
    toward = distance_mm * np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
    rotation = look_at(toward, roll_deg=roll_deg)
    shift = -rotation @ (toward + np.array([*aim_mm, 0.0]))
    return Camera(f"{azimuth_deg:.0f}.jpg", focal_px, centre_px, *radial, rotation, shift)


@dataclass(frozen=True)
class Print:
    """A print and how well its corners are seen; the defaults are a bad but usable sheet."""

    scale: tuple[float, float] = (1.02, 0.985)
    bow_mm: tuple[float, float, float] = (1.0, -0.4, 0.3)
    cockle_mm: float = 0.3
    offset_mm: float = 0.02
    noise_px: float = 0.03


FLAT = Print((1.0, 1.0), (0.0, 0.0, 0.0), 0.0, 0.0, 0.0)


def usual_cameras(rng: np.random.Generator, *, breathing: float = 0.003) -> list[Camera]:
    """Four sides, 15 degrees, with a person's and a phone's scatter."""
    return [
        camera_over(
            90.0 * k + rng.normal(0, 10),
            15.0,
            340.0,
            focal_px=FOCAL_PX * (1 + rng.normal(0, breathing)),
            centre_px=(1999.5 + rng.normal(0, 10), 1499.5 + rng.normal(0, 10)),
            radial=(0.05, -0.03),
            aim_mm=(rng.normal(0, 8), rng.normal(0, 8)),
        )
        for k in range(4)
    ]


def printed_mm(made: Print, rng: np.random.Generator) -> FloatArray:
    """(markers, 4, 3) true corner positions of a print."""
    layout = card_layout(SERIAL)
    drawn = np.array([m.corners_mm() for m in layout.markers])
    outward = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
    xy = (drawn + made.offset_mm * outward) * made.scale
    u, v = xy[..., 0] / 100, xy[..., 1] / 133
    a, b, c = made.bow_mm
    z = a * u * u + b * u * v + c * v * v + rng.normal(0, made.cockle_mm, (len(drawn), 1))
    return np.concatenate([xy, z[..., None]], -1)


def sightings_of(
    cameras: Sequence[Camera], made: Print, rng: np.random.Generator, *, size_px: tuple[int, int] = SIZE_PX
) -> list[CardSighting]:
    """What perfect finders with corner noise report for these cameras."""
    layout = card_layout(SERIAL)
    points = printed_mm(made, rng)
    drawn = np.array([m.corners_mm() for m in layout.markers]).reshape(-1, 2)
    found = []
    for camera in cameras:
        corners = camera.project(points) + rng.normal(0, made.noise_px, (len(points), 4, 2))
        homography = np.asarray(cv2.findHomography(drawn, corners.reshape(-1, 2))[0], dtype=float)
        found.append(
            CardSighting(
                photo_name=camera.photo_name, size_px=size_px, design=layout.design, serial=SERIAL,
                marker_ids=np.array([m.id for m in layout.markers]), corners_px=corners,
                corner_sd_px=np.full(corners.shape[:2], max(made.noise_px, 0.01)), px_from_mm=homography,
                px_per_mm=8.0, tilt_deg=15.0, edge_width_px=1.5, edge_width_mm=0.19, white_linear=0.6,
                black_linear=0.03, noise_linear=0.01, clipped_fraction=0.0,
            )
        )  # fmt: skip
    return found


def exifs(count: int, focal_35mm: float | None = 26.0) -> list[Exif]:
    return [Exif(focal_35mm=focal_35mm)] * count


def view_spread(cameras: Sequence[Camera]) -> float:
    """Length of the centred view directions: heights scale with its inverse."""
    positions = np.array([c.position_mm for c in cameras])
    views = positions[:, :2] / positions[:, 2:]
    return float(np.linalg.norm(views - views.mean(0)))
