"""Captures by a phone that breathes, shakes and rolls, as geometry alone: known faults in, corners and truth out.

No picture is made, so hundreds of captures take seconds. Nothing here is shared with `assessor.simulate` nor with the
adjustment: rows are exposed one after the other by fixed-point steps, the lens has terms that the adjustment lacks.
Sizes of the faults: study.md part 4, E4 (focus breathing 1 %, stabiliser 15 px, 0.3 mm + 0.06 degrees a frame) and
part 1 section 2 (corners to some hundredths of a pixel); paper that cockles 0.3 mm rms over 80 mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from assessor.card.layout import card_layout
from assessor.values import Adjustment, Camera, CardSighting, FloatArray
from tests.card.sightings import FOCAL_PX, SERIAL, SIZE_PX, camera_over


@dataclass(frozen=True)
class Faults:
    """Standard deviations of what differs from photo to photo, and of what a lens and a sheet do."""

    breathing: float = 0.0
    centre_px: float = 0.0
    roll_mm: float = 0.0  # camera's way within one frame, each axis
    roll_deg: float = 0.0  # camera's turn within one frame, each axis
    decentring: float = 0.0  # tangential terms of the lens
    k3: float = 0.0
    stitched_px: float = (
        0.0  # smooth bending of the picture where the phone joins several frames, another every photo
    )
    cockle_mm: float = 0.0
    noise_px: float = 0.03  # every corner by itself
    marker_px: float = 0.0  # all corners of a marker together


NONE = Faults()
BREATHING = Faults(breathing=0.01)
STABILISER = Faults(centre_px=15.0)
ROLLING = Faults(roll_mm=0.3, roll_deg=0.06)
ALL = Faults(0.01, 15.0, 0.3, 0.06, 2e-4, 0.01, 0.1, 0.3, marker_px=0.02)


@dataclass(frozen=True, eq=False)
class RollingPhone:
    """A true camera: `camera` at mid-frame, moving by velocity_mm (3,) and turning by velocity_rad (3,) a frame."""

    camera: Camera
    velocity_mm: FloatArray = field(default_factory=lambda: np.zeros(3))
    velocity_rad: FloatArray = field(default_factory=lambda: np.zeros(3))
    tangential: tuple[float, float] = (0.0, 0.0)
    k3: float = 0.0
    bends: FloatArray = field(
        default_factory=lambda: np.zeros((0, 5))
    )  # waves: x, y per px, phase, size x, y
    size_px: tuple[int, int] = SIZE_PX

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Project (..., 3) points in mm to (..., 2) pixels; each is seen when its own row is read."""
        axis = int(np.argmin(self.size_px))  # phones read along the shorter side
        late = np.zeros(points_mm.shape[:-1])
        for _ in range(4):
            pixels = self._at(points_mm, late)
            late = pixels[..., axis] / (self.size_px[axis] - 1) - 0.5
        return pixels

    def _at(self, points_mm: FloatArray, late: FloatArray) -> FloatArray:
        cam = points_mm @ self.camera.camera_from_card.T
        angle = float(np.linalg.norm(self.velocity_rad))
        if angle > 0:  # Rodrigues' formula, point by point
            axis = self.velocity_rad / angle
            c, s = np.cos(angle * late)[..., None], np.sin(angle * late)[..., None]
            cam = cam * c + np.cross(axis, cam) * s + axis * (cam @ axis)[..., None] * (1 - c)
        cam = cam + self.camera.shift_mm + late[..., None] * self.velocity_mm
        x, y = cam[..., 0] / cam[..., 2], cam[..., 1] / cam[..., 2]
        r2 = x * x + y * y
        radial = 1 + r2 * (self.camera.k1 + r2 * (self.camera.k2 + r2 * self.k3))
        p1, p2 = self.tangential  # OpenCV's convention
        ideal = np.stack([x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
                          y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y], -1)  # fmt: skip
        pixels = self.camera.focal_px * ideal + self.camera.centre_px
        for bend in self.bends:
            pixels = pixels + np.cos(pixels @ bend[:2] + bend[2])[..., None] * bend[3:]
        return np.asarray(pixels)


def shoot(rng: np.random.Generator, faults: Faults, *, tilt_deg: float = 15.0) -> list[RollingPhone]:
    """Four sides, with a person's scatter and a phone's faults."""
    p1, p2 = rng.normal(0, 1, 2) * faults.decentring
    k3 = float(rng.normal()) * faults.k3
    phones = []
    for k in range(4):
        camera = camera_over(
            90.0 * k + rng.normal(0, 10),
            tilt_deg + rng.normal(0, 1.5),
            rng.uniform(320.0, 380.0),
            focal_px=FOCAL_PX * (1 + rng.normal() * faults.breathing),
            centre_px=tuple((np.array(SIZE_PX) - 1) / 2 + rng.normal(0, 1, 2) * faults.centre_px),
            radial=(0.05, -0.03),
            aim_mm=(rng.normal(0, 8), rng.normal(0, 8)),
            roll_deg=float(rng.choice([0, 0, 180])) + rng.normal(0, 4),
        )
        velocity_mm = rng.normal(0, 1, 3) * faults.roll_mm
        velocity_rad = np.radians(rng.normal(0, 1, 3) * faults.roll_deg)
        named = replace(camera, photo_name=f"{k + 1}.jpg")
        phones.append(RollingPhone(named, velocity_mm, velocity_rad, (p1, p2), k3, _bends(rng, faults)))
    return phones


def _bends(rng: np.random.Generator, faults: Faults) -> FloatArray:
    """Four waves (4, 5) of 2000-6000 px."""
    angle, phase = rng.uniform(0, 2 * np.pi, (2, 4))
    per_px = 2 * np.pi / rng.uniform(2000, 6000, 4)
    size = rng.normal(0, faults.stitched_px / np.sqrt(2), (4, 2))
    return np.column_stack([per_px * np.cos(angle), per_px * np.sin(angle), phase, size])


def sheet_mm(rng: np.random.Generator, faults: Faults) -> FloatArray:
    """(markers, 4, 3) corners on a slightly bowed sheet that cockles in waves of about 80 mm."""
    xy = np.array([m.corners_mm() for m in card_layout(SERIAL).markers])
    z = 0.6 * (xy[..., 0] / 100) ** 2 - 0.3 * (xy[..., 1] / 133) ** 2
    n = 12
    angle, phase = rng.uniform(0, 2 * np.pi, (2, n))
    waves = 2 * np.pi / rng.uniform(60, 110, n)
    for a, p, w in zip(angle, phase, waves, strict=True):
        along = xy @ (np.cos(a), np.sin(a))
        z = z + faults.cockle_mm * np.sqrt(2 / n) * np.cos(w * along + p)
    return np.concatenate([xy, z[..., None]], -1)


def sightings_by(
    phones: Sequence[RollingPhone],
    faults: Faults,
    rng: np.random.Generator,
    sheets: Sequence[FloatArray] = (),
) -> list[CardSighting]:
    """What finders with corner noise report; sheets: one for all photos, or one a photo where the card moved."""
    layout = card_layout(SERIAL)
    sheets = list(sheets) or [sheet_mm(rng, faults)]
    drawn = np.array([m.corners_mm() for m in layout.markers]).reshape(-1, 2)
    found = []
    for k, phone in enumerate(phones):
        points = sheets[k % len(sheets)]
        corners = phone.project(points) + rng.normal(0, faults.noise_px, (len(points), 4, 2))
        corners += rng.normal(0, faults.marker_px, (len(points), 1, 2))
        homography = np.asarray(cv2.findHomography(drawn, corners.reshape(-1, 2))[0], dtype=float)
        found.append(
            CardSighting(
                photo_name=phone.camera.photo_name, size_px=phone.size_px, design=layout.design, serial=SERIAL,
                marker_ids=np.array([m.id for m in layout.markers]), corners_px=corners,
                corner_sd_px=np.full(corners.shape[:2], max(faults.noise_px, 0.01)), px_from_mm=homography,
                px_per_mm=8.3, tilt_deg=15.0, edge_width_px=1.5, edge_width_mm=0.19, white_linear=0.6,
                black_linear=0.03, noise_linear=0.01, clipped_fraction=0.0,
            )
        )  # fmt: skip
    return found


@dataclass(frozen=True)
class Damage:
    """What the fitted cameras do to a floor 0-3 mm under the card, inside the window.

    gain: relative error of heights; parallax_px: rms by which the photos miss each other on a point at its best
    height and place (what blurs the match); bent_mm: rms of the heights less their plane, at 3 mm deep.
    """

    gain: float
    parallax_px: float
    bent_mm: float


def damage(found: Adjustment, phones: Sequence[RollingPhone], half_mm: float = 50.0) -> Damage:
    """Triangulate true pixels of a floor with the fitted cameras and compare."""
    x, y = np.meshgrid(np.linspace(-half_mm, half_mm, 7), np.linspace(-half_mm, half_mm, 7))
    solved, missed = [], []
    for depth in (0.0, -3.0):
        true = np.stack([x, y, np.full_like(x, depth)], -1).reshape(-1, 3)
        seen = np.stack([phone.project(true) for phone in phones])
        at, off = triangulate(found.cameras, seen, true)
        solved.append(at[:, 2] - depth)
        missed.append(off)
    height = [_less_plane(x.ravel(), y.ravel(), z) for z in solved]
    return Damage(
        gain=float((solved[0] - solved[1]).mean() / 3),
        parallax_px=float(np.sqrt(np.mean(np.square(missed)))),
        bent_mm=float(np.sqrt(np.mean(height[1] ** 2))),
    )


def triangulate(
    cameras: Sequence[Camera], seen_px: FloatArray, start_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Least-squares points (N, 3) for pixels (P, N, 2), and what is left of the pixels (P, N, 2)."""
    at = start_mm.copy()
    for _ in range(2):
        off = seen_px - np.stack([c.project(at) for c in cameras])
        slopes = np.stack(
            [
                np.stack([c.project(at + d) - c.project(at - d) for c in cameras]) / 0.2
                for d in np.eye(3) * 0.1
            ],
            -1,
        )
        normal = np.einsum("pnij,pnik->njk", slopes, slopes)
        at = at + np.linalg.solve(normal, np.einsum("pnij,pni->nj", slopes, off)[..., None])[..., 0]
    return at, seen_px - np.stack([c.project(at) for c in cameras])


def _less_plane(x: FloatArray, y: FloatArray, z: FloatArray) -> FloatArray:
    basis = np.column_stack([np.ones_like(x), x, y])
    return np.asarray(z - basis @ np.linalg.lstsq(basis, z, rcond=None)[0])
