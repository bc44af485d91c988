"""Cameras of all photos of a zone and the places of its sheets on one floor plane, by joint least squares.

Unknown are each photo's pose (6), each sheet's place and turn (3; the origin's lies still), one focal length and one
radial term for all, both with priors. Start values come from single squares (Collins & Bartoli 2014, IPPE, in OpenCV),
chained from sheet to sheet through the photos that show both. Photos that no chain reaches are named, and so are
photos whose sheets do not lie as the others say (a sheet was moved, the wind lifted it, another lens).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import least_squares

from assessor.card.zone_sheet import CARD_NAME
from assessor.errors import NotTied, OverviewMisfit, PhotoError
from assessor.surface.zone_start import Start, start_poses
from assessor.values import Camera, FloatArray, PrintScale
from assessor.values.overview import SheetPlace, SheetsSighting, ZoneFit


@dataclass(frozen=True, slots=True)
class ZoneFitSettings:
    """Priors and gates."""

    u_focal_exif: float = 0.03  # makers round the 35 mm equivalent to 1 mm of about 26
    u_focal_unknown: float = 0.2
    u_k1: float = 0.05
    floor_sd_px: float = 0.15  # rolling shutter, stabiliser, paper that does not lie flat
    max_rms_px: float = 1.5  # a sheet moved by 5 mm shows as 4 px; good zones have 0.1 to 0.4


def fit_zone(
    sightings: Sequence[SheetsSighting], print_scale: PrintScale, settings: ZoneFitSettings | None = None
) -> tuple[ZoneFit | None, tuple[int, ...], tuple[PhotoError, ...]]:
    """Fit all cameras and sheets; returns the fit, which sightings its cameras belong to, and the photos left out.

    None where nothing is left.
    """
    settings = settings or ZoneFitSettings()
    start, members = start_poses(sightings)
    left: list[PhotoError] = [
        _not_tied(sightings, k, members) for k in range(len(sightings)) if k not in members
    ]
    while members:
        problem = _Problem([sightings[k] for k in members], start, settings)
        solved = problem.solve()
        rms = problem.rms_of_photos(solved)
        worst = int(np.argmax(rms))
        if rms[worst] <= settings.max_rms_px:
            return problem.report(solved, rms, print_scale), tuple(members), tuple(left)
        odd = _odd_one(sightings, members, start, settings) if len(members) > 2 else worst
        name = sightings[members[odd]].photo_name
        left.append(
            OverviewMisfit(
                f"its sheets are off by {rms[odd]:.1f} px rms from where the other photos put them,"
                f" at most {settings.max_rms_px:g} px can be used",
                file=name,
            )
        )
        rest = [k for n, k in enumerate(members) if n != odd]
        start, again = start_poses([sightings[k] for k in rest])
        left += [_not_tied(sightings, rest[n], []) for n in range(len(rest)) if n not in again]
        members = [rest[n] for n in again]
    return None, (), tuple(left)


def _not_tied(sightings: Sequence[SheetsSighting], k: int, members: Sequence[int]) -> NotTied:
    shown = ", ".join(sorted(set(sightings[k].names)))
    others = sorted({name for m in members for name in sightings[m].names})
    told = f"; the other photos show {', '.join(others)}" if others else ""
    return NotTied(f"it shows only sheet {shown}{told}", file=sightings[k].photo_name)


def _odd_one(
    sightings: Sequence[SheetsSighting], members: Sequence[int], start: Start, settings: ZoneFitSettings
) -> int:
    """Which photo's absence lets the rest fit best."""
    worst = []
    for n in range(len(members)):
        rest, again = start_poses([sightings[k] for i, k in enumerate(members) if i != n])
        kept = [[k for i, k in enumerate(members) if i != n][j] for j in again]
        problem = _Problem([sightings[k] for k in kept], rest, settings)
        worst.append(float(problem.rms_of_photos(problem.solve()).max()))
    del start
    return int(np.argmin(worst))


class _Problem:
    """The unknowns of one fit in one vector: log focal factor, k1, sheets (x, y in mm, turn), photos (turn, shift)."""

    def __init__(self, sightings: Sequence[SheetsSighting], start: Start, settings: ZoneFitSettings) -> None:
        self.sightings, self.settings, self.start = sightings, settings, start
        self.names = [name for name in start.sheets if name != start.origin]
        seen = {name for s in sightings for name in s.names}
        self.names = [name for name in self.names if name in seen]
        index = {start.origin: -1} | {name: k for k, name in enumerate(self.names)}
        counts = [len(s.names) * 4 for s in sightings]
        self.photo = np.repeat(np.arange(len(sightings)), counts)
        self.sheet = np.concatenate([np.repeat([index[n] for n in s.names], 4) for s in sightings])
        self.mm = np.concatenate([s.corners_mm.reshape(-1, 2) for s in sightings])
        self.px = np.concatenate([s.corners_px.reshape(-1, 2) for s in sightings])
        sd = np.concatenate([s.corner_sd_px.ravel() for s in sightings])
        self.sd = np.hypot(np.where(np.isfinite(sd), sd, 1.0), settings.floor_sd_px)
        self.middle = np.array([[(n - 1) / 2 for n in s.size_px] for s in sightings])
        self.focal = np.array([s.focal_px for s in sightings])
        known = all(s.focal_known for s in sightings)
        self.focal_source = "exif" if known else "solved"
        self.u_focal = settings.u_focal_exif if known else settings.u_focal_unknown

    def solve(self) -> FloatArray:
        """The vector that fits best, robustly."""
        sheets = [(x / 100, y / 100, turn) for x, y, turn in (self.start.sheets[n] for n in self.names)]
        poses = [self.start.photos[s.photo_name] for s in self.sightings]
        photos = [np.concatenate([cv2.Rodrigues(r)[0].ravel(), t / 100]) for r, t in poses]
        x0 = np.concatenate([[0.0, 0.0], np.ravel(sheets), np.ravel(photos)])
        for f_scale in (10.0, 2.0):  # first let all pull, then let strays go
            x0 = least_squares(
                self.residuals, x0, loss="soft_l1", f_scale=f_scale, x_scale="jac", max_nfev=60
            ).x
        return np.asarray(x0)

    def parts(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Sheets (S, 3) with the origin's zeros last, and photos (P, 6)."""
        n = 2 + 3 * len(self.names)
        return np.concatenate([x[2:n].reshape(-1, 3), np.zeros((1, 3))]), x[n:].reshape(-1, 6)

    def off_px(self, x: FloatArray) -> FloatArray:
        """(N, 2) where the corners fall less where they were seen."""
        sheets, photos = self.parts(x)
        place = sheets[self.sheet]
        c, s = np.cos(place[:, 2]), np.sin(place[:, 2])
        floor = np.stack([c * self.mm[:, 0] - s * self.mm[:, 1] + 100 * place[:, 0],
                          s * self.mm[:, 0] + c * self.mm[:, 1] + 100 * place[:, 1]], -1)  # fmt: skip
        turns = np.stack([cv2.Rodrigues(p[:3])[0] for p in photos])[self.photo]
        cam = np.einsum("nij,nj->ni", turns[:, :, :2], floor) + 100 * photos[self.photo, 3:]
        plane = cam[:, :2] / np.maximum(cam[:, 2:], 1.0)
        bend = 1 + x[1] * (plane**2).sum(1)
        focal = (self.focal * np.exp(x[0]))[self.photo]
        return np.asarray(focal[:, None] * plane * bend[:, None] + self.middle[self.photo] - self.px)

    def residuals(self, x: FloatArray) -> FloatArray:
        """All residuals in standard deviations, priors at the end."""
        return np.concatenate(
            [(self.off_px(x) / self.sd[:, None]).ravel(), [x[0] / self.u_focal, x[1] / self.settings.u_k1]]
        )

    def rms_of_photos(self, x: FloatArray) -> FloatArray:
        """(P,) rms of each photo's corners, px; corners that could not be refined hardly count."""
        square, weight = (self.off_px(x) ** 2).mean(1), 1 / self.sd**2
        return np.asarray(np.sqrt(np.bincount(self.photo, square * weight) / np.bincount(self.photo, weight)))

    def report(self, x: FloatArray, rms: FloatArray, print_scale: PrintScale) -> ZoneFit:
        """The fit as a value."""
        covariance = self._covariance(x)
        sheets, photos = self.parts(x)
        u_scale = float(np.hypot(print_scale.u_x, print_scale.u_y) / np.sqrt(2))
        places = []
        for k, name in enumerate([*self.names, self.start.origin]):
            n_photos = sum(name in s.names for s in self.sightings)
            px, py, turn = (
                float(100 * sheets[k, 0]),
                float(100 * sheets[k, 1]),
                float(np.degrees(sheets[k, 2])),
            )
            u_place = u_turn = 0.0
            if k < len(self.names):
                own = covariance[2 + 3 * k : 5 + 3 * k, 2 + 3 * k : 5 + 3 * k]
                u_place = 100 * float(np.sqrt(max((own[0, 0] + own[1, 1]) / 2, 0)))
                u_turn = float(np.degrees(np.sqrt(max(own[2, 2], 0))))
            u_mm = float(np.hypot(u_place, u_scale * np.hypot(px, py) / np.sqrt(2)))
            places.append(SheetPlace(name, px, py, (turn + 180) % 360 - 180, u_mm, u_turn, n_photos))
        places.sort(key=lambda p: (p.name == CARD_NAME, int(p.name) if p.name != CARD_NAME else 0))
        cameras = tuple(
            Camera(
                s.photo_name, float(self.focal[k] * np.exp(x[0])), (float(self.middle[k, 0]), float(self.middle[k, 1])),
                float(x[1]), 0.0, np.asarray(cv2.Rodrigues(photos[k, :3])[0], dtype=float), 100 * photos[k, 3:],
            )
            for k, s in enumerate(self.sightings)
        )  # fmt: skip
        return ZoneFit(
            cameras=cameras,
            sizes_px=tuple(s.size_px for s in self.sightings),
            sheets=tuple(places),
            origin=self.start.origin,
            rms_px=float(np.sqrt(np.average((self.off_px(x) ** 2).mean(1), weights=1 / self.sd**2))),
            rms_of_photo_px=tuple(float(v) for v in rms),
            u_scale=u_scale,
            focal_source=self.focal_source,
            method="joint least squares of cameras and sheets on one floor plane",
        )

    def _covariance(self, x: FloatArray) -> FloatArray:
        """Covariance of the unknowns, scaled by how well the corners fit (never below their own statement)."""
        jacobian = least_squares(self.residuals, x, x_scale="jac", max_nfev=1).jac
        freedom = max(2 * len(self.px) - len(x) + 2, 1)
        scale = max(float((self.residuals(x)[:-2] ** 2).sum()) / freedom, 1.0)
        return np.asarray(np.linalg.pinv(jacobian.T @ jacobian) * scale)
