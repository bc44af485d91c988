"""The least-squares problem behind `camera`: observations as flat arrays, and the Gauss-Newton step on them.

Bundle adjustment with analytic derivatives and Huber weights (Triggs et al. 2000, "Bundle adjustment - a modern
synthesis"); start poses from the plane (Collins & Bartoli 2014, IPPE, in OpenCV).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.layout import CardLayout, Marker
from assessor.errors import PoorGeometry
from assessor.values import Camera, CardSighting, Exif, FloatArray, PrintScale

HALF_SHEET_MM = (100.0, 133.0)


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """Priors (standard deviations) and gates of the adjustment."""

    u_focal_exif: float = 0.05  # makers round the 35 mm equivalent to 1 mm and measure it at infinity
    u_focal_unknown: float = 0.25  # main cameras of phones lie within this of 69 degrees
    u_breathing: float = 0.006  # focus differs between photos of one spot
    u_centre_px_per_kpx: float = 4.0  # stabiliser: 15 px on a 4000 px frame
    u_k1: float = 0.05
    u_k2: float = 0.05
    u_aspect_unchecked: float = 0.015  # printers scale 96-102 %, not alike in both directions
    u_offset_mm: float = 0.15  # ink spread and tone curve
    u_bow_mm: float = 3.0
    u_cockle_mm: float = 0.3  # a home printer's sheet after a day on site
    corner_floor_px: float = 0.03  # nobody's corners are better than this
    max_rms_px: float = 0.6
    max_bow_mm: float = 6.0
    flag_bow_mm: float = 1.5
    iterations: int = 12


def exif_focal_px(exif: Exif, size_px: tuple[int, int]) -> float | None:
    """Focal length in pixels from the 35 mm equivalent (diagonal 43.27 mm), or None."""
    if not exif.focal_35mm or exif.focal_35mm <= 0:
        return None
    # Phones that crop write the equivalent with the zoom already in it, so the zoom ratio is not applied again.
    return float(exif.focal_35mm / 43.267 * np.hypot(float(size_px[0]), float(size_px[1])))


@dataclass(frozen=True)
class BundleState:
    """Where the fit stands: parameters as flat arrays."""

    shared: FloatArray  # log focal factor, k1, k2, aspect, bow a b c
    photo: FloatArray  # (P, 4) breathing, centre x, centre y, marker offset
    rotations: FloatArray  # (P, 3, 3)
    shifts: FloatArray  # (P, 3)
    cockle: FloatArray  # (corners,) mm


@dataclass(frozen=True)
class NormalEquations:
    """Normal equations without the corner heights, and what gives those back."""

    matrix: FloatArray
    gradient: FloatArray
    residual: FloatArray  # (N, 2) px
    shared: FloatArray  # (corners, parameters)
    z_step: FloatArray  # (corners,)


class Bundle:
    """All observations of a capture as flat arrays, and the Gauss-Newton step on them."""

    n_shared, n_photo, n_pose = 7, 4, 6

    def __init__(
        self,
        sightings: Sequence[CardSighting],
        exifs: Sequence[Exif],
        layout: CardLayout,
        print_scale: PrintScale,
        settings: CameraSettings,
    ) -> None:
        self.sightings, self.settings, self.print_scale = sightings, settings, print_scale
        markers = {(m.id, k): m for k, m in enumerate(layout.markers)}
        places: dict[tuple[int, int], int] = {}
        rows: list[tuple[int, int, Marker, FloatArray, FloatArray]] = []
        for p, sighting in enumerate(sightings):
            for marker_id, corners, sds in zip(
                sighting.marker_ids, sighting.corners_px, sighting.corner_sd_px, strict=True
            ):
                # The serial's markers stand twice on the card: the place nearest to the first fit is meant.
                options = [(key, m) for key, m in markers.items() if key[0] == marker_id]
                if not options:
                    continue
                key, marker = min(options, key=lambda o: _distance(sighting, o[1], corners))
                index = places.setdefault(key, len(places))
                rows.append((p, index, marker, corners, sds))
        if not rows:
            raise PoorGeometry("no marker of the card could be used")
        self.n_corners = 4 * len(places)
        self.photo = np.repeat([r[0] for r in rows], 4)
        self.corner = np.concatenate([4 * r[1] + np.arange(4) for r in rows])
        self.by_corner = np.argsort(self.corner, kind="stable")
        self.corner_starts = np.searchsorted(self.corner[self.by_corner], np.arange(self.n_corners))
        self.drawn_mm = np.concatenate([r[2].corners_mm() for r in rows])
        self.outward = np.tile([[-1.0, 1], [1, 1], [1, -1], [-1, -1]], (len(rows), 1))
        self.seen_px = np.concatenate([r[3] for r in rows]).astype(float)
        sd = np.concatenate([r[4] for r in rows]).astype(float)
        self.sd_px = np.hypot(np.where(np.isfinite(sd), sd, 1.0), settings.corner_floor_px)
        self._priors(exifs)

    def _priors(self, exifs: Sequence[Exif]) -> None:
        s = self.settings
        focals = [exif_focal_px(e, v.size_px) for e, v in zip(exifs, self.sightings, strict=True)]
        known = [f for f in focals if f]
        self.focal_source = "exif" if known else "solved"
        width = max(self.sightings[0].size_px)
        self.focal_px = float(np.median(known)) if known else 0.727 * width
        u_focal = s.u_focal_exif if known else s.u_focal_unknown
        u_centre = s.u_centre_px_per_kpx * width / 1000
        if self.print_scale.checked:
            u_aspect = float(np.hypot(self.print_scale.u_x, self.print_scale.u_y))
        else:
            u_aspect = s.u_aspect_unchecked
        self.sd_shared = np.array([u_focal, s.u_k1, s.u_k2, u_aspect, s.u_bow_mm, s.u_bow_mm, s.u_bow_mm])
        breathing = s.u_breathing if len(self.sightings) > 1 else 1e-6
        self.sd_photo = np.array([breathing, u_centre, u_centre, s.u_offset_mm])
        # One photo cannot see the sheet's height: the prior keeps it flat there.
        self.sd_cockle = s.u_cockle_mm if len(self.sightings) > 1 else 1e-3

    def start(self) -> BundleState:
        """Poses from the plane, everything else at its prior."""
        n = len(self.sightings)
        rotations, shifts = np.zeros((n, 3, 3)), np.zeros((n, 3))
        for p, sighting in enumerate(self.sightings):
            rows = self.photo == p
            size = np.array(sighting.size_px)
            matrix = np.array(
                [[self.focal_px, 0, (size[0] - 1) / 2], [0, self.focal_px, (size[1] - 1) / 2], [0, 0, 1]]
            )
            plane = np.column_stack(
                [self.drawn_mm[rows] * (self.print_scale.x, self.print_scale.y), np.zeros(rows.sum())]
            )
            found, turns, moves, errors = cv2.solvePnPGeneric(
                plane, self.seen_px[rows], matrix, np.zeros(0), flags=cv2.SOLVEPNP_IPPE
            )
            if not found:
                raise PoorGeometry("the card's position could not be solved", file=sighting.photo_name)
            best = int(np.argmin(np.asarray(errors).ravel()))
            rotations[p] = cv2.Rodrigues(np.asarray(turns[best], dtype=float))[0]
            shifts[p] = np.asarray(moves[best]).ravel()
        return BundleState(
            np.zeros(self.n_shared), np.zeros((n, self.n_photo)), rotations, shifts, np.zeros(self.n_corners)
        )

    def points_mm(self, state: BundleState) -> FloatArray:
        """(N, 3) corners on the printed, bent sheet."""
        drawn = self.drawn_mm + self.outward * state.photo[self.photo, 3][:, None]
        xy = drawn * self.scale_xy(state)
        u, v = xy[:, 0] / HALF_SHEET_MM[0], xy[:, 1] / HALF_SHEET_MM[1]
        a, b, c = state.shared[4:7]
        return np.column_stack([xy, a * u * u + b * u * v + c * v * v + state.cockle[self.corner]])

    def scale_xy(self, state: BundleState) -> FloatArray:
        """Printed over drawn length along x and y, (2,)."""
        half = state.shared[3] / 2
        return np.array([self.print_scale.x * (1 - half), self.print_scale.y * (1 + half)])

    def _centres(self, state: BundleState) -> FloatArray:
        sizes = np.array([s.size_px for s in self.sightings], dtype=float)
        return np.asarray((sizes - 1) / 2 + state.photo[:, 1:3])

    def _focals(self, state: BundleState) -> FloatArray:
        return np.asarray(self.focal_px * np.exp(state.shared[0] + state.photo[:, 0]))

    def linearise(self, state: BundleState) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Residuals (N, 2) in pixels, their derivatives (N, 2, parameters) and those by the corner's height (N, 2)."""
        n, photo = len(self.photo), self.photo
        points = self.points_mm(state)
        turned = np.einsum("nij,nj->ni", state.rotations[photo], points)
        cam = turned + state.shifts[photo]
        z = cam[:, 2:3]
        xy = cam[:, :2] / z
        r2 = (xy**2).sum(1, keepdims=True)
        k1, k2 = state.shared[1:3]
        radial = 1 + r2 * (k1 + r2 * k2)
        focal = self._focals(state)[photo][:, None]
        residual = focal * xy * radial + self._centres(state)[photo] - self.seen_px
        # d(pixel)/d(normalised), then d(normalised)/d(camera point)
        slope = 2 * (k1 + 2 * r2 * k2)
        d_norm = focal[:, :, None] * (
            radial[:, :, None] * np.eye(2) + slope[:, :, None] * xy[:, :, None] * xy[:, None, :]
        )
        d_cam = np.zeros((n, 2, 3))
        d_cam[:, 0, 0] = d_cam[:, 1, 1] = 1 / z[:, 0]
        d_cam[:, :, 2] = -xy / z
        to_px = d_norm @ d_cam
        on_sheet = to_px @ state.rotations[photo]
        jac = np.zeros((n, 2, self.n_parameters))
        jac[:, :, 0] = focal * xy * radial
        jac[:, :, 1], jac[:, :, 2] = focal * xy * r2, focal * xy * r2 * r2
        scale = self.scale_xy(state)
        drawn = self.drawn_mm + self.outward * state.photo[photo, 3][:, None]
        half = drawn * (-self.print_scale.x / 2, self.print_scale.y / 2)
        jac[:, :, 3] = (on_sheet[:, :, :2] * half[:, None, :]).sum(2)
        u, v = points[:, 0] / HALF_SHEET_MM[0], points[:, 1] / HALF_SHEET_MM[1]
        for k, basis in enumerate((u * u, u * v, v * v)):
            jac[:, :, 4 + k] = on_sheet[:, :, 2] * basis[:, None]
        rows = np.arange(n)
        at = self.n_shared + photo * (self.n_photo + self.n_pose)
        jac[rows, :, at] = focal * xy * radial
        jac[rows, 0, at + 1] = jac[rows, 1, at + 2] = 1.0
        jac[rows, :, at + 3] = (on_sheet[:, :, :2] * (self.outward * scale)[:, None, :]).sum(2)
        for k in range(3):
            spin = np.cross(np.eye(3)[k], turned)
            jac[rows, :, at + 4 + k] = np.einsum("nij,nj->ni", to_px, spin)
            jac[rows, :, at + 7 + k] = to_px[:, :, k]
        return residual, jac, on_sheet[:, :, 2]

    @property
    def n_parameters(self) -> int:
        """Shared, photo and pose parameters; corner heights are eliminated."""
        return self.n_shared + len(self.sightings) * (self.n_photo + self.n_pose)

    def _prior_sds(self) -> FloatArray:
        per_photo = np.concatenate([self.sd_photo, np.full(self.n_pose, np.inf)])
        return np.concatenate([self.sd_shared, np.tile(per_photo, len(self.sightings))])

    def _current(self, state: BundleState) -> FloatArray:
        photo = np.hstack([state.photo, np.zeros((len(self.sightings), self.n_pose))])
        return np.concatenate([state.shared, photo.ravel()])

    def normal_equations(self, state: BundleState) -> NormalEquations:
        """Weighted normal equations with the corner heights eliminated; Huber weight beyond 3 px-sd.

        Each corner's height meets only its own observations, so its block is a number (Schur complement).
        """
        residual, jac, jac_z = self.linearise(state)
        norm = np.hypot(residual[:, 0], residual[:, 1])
        spread = np.maximum(self.sd_px, 1.4826 * np.median(norm) / 1.18)
        weight = np.sqrt(np.minimum(1.0, 3 * spread / np.maximum(norm, 1e-9))) / spread
        flat = (jac * weight[:, None, None]).reshape(-1, self.n_parameters)
        by_z, off = jac_z * weight[:, None], residual * weight[:, None]
        prior = 1 / self._prior_sds() ** 2
        matrix = flat.T @ flat + np.diag(prior)
        gradient = flat.T @ off.ravel() + prior * self._current(state)
        z_prior = 1 / self.sd_cockle**2
        diagonal = np.bincount(self.corner, (by_z**2).sum(1), self.n_corners) + z_prior
        z_gradient = np.bincount(self.corner, (by_z * off).sum(1), self.n_corners) + z_prior * state.cockle
        each = np.einsum("nij,ni->nj", jac, by_z * weight[:, None])
        mixed = np.add.reduceat(each[self.by_corner], self.corner_starts)
        shared = mixed / diagonal[:, None]
        matrix -= mixed.T @ shared
        gradient -= shared.T @ z_gradient
        return NormalEquations(matrix, gradient, residual, shared, z_gradient / diagonal)

    def improve(self, state: BundleState) -> tuple[BundleState, float]:
        """One Gauss-Newton step; returns the new state and the step's largest move in prior or pixel terms."""
        normal = self.normal_equations(state)
        step = -np.linalg.solve(normal.matrix, normal.gradient)
        n, width = len(self.sightings), self.n_photo + self.n_pose
        photo = step[self.n_shared :].reshape(n, width)
        rotations = np.stack(
            [cv2.Rodrigues(d[4:7])[0] @ r for d, r in zip(photo, state.rotations, strict=True)]
        )
        moved = BundleState(
            state.shared + step[: self.n_shared],
            state.photo + photo[:, : self.n_photo],
            rotations,
            state.shifts + photo[:, 7:10],
            state.cockle - normal.z_step - normal.shared @ step,
        )
        size = float(np.abs(step * np.sqrt(np.diag(normal.matrix))).max())
        return moved, size

    def cameras(self, state: BundleState) -> tuple[Camera, ...]:
        """The fitted cameras."""
        focals, centres = self._focals(state), self._centres(state)
        return tuple(
            Camera(
                s.photo_name,
                float(focals[p]),
                (float(centres[p, 0]), float(centres[p, 1])),
                float(state.shared[1]),
                float(state.shared[2]),
                state.rotations[p].copy(),
                state.shifts[p].copy(),
            )
            for p, s in enumerate(self.sightings)
        )

    def u_gain(self, state: BundleState, matrix: FloatArray) -> float:
        """Relative standard uncertainty of heights from poses: how well the view directions' spread is known."""
        n = len(self.sightings)
        if n < 2:
            return float("nan")
        positions = np.stack([-r.T @ t for r, t in zip(state.rotations, state.shifts, strict=True)])
        views = positions[:, :2] / positions[:, 2:]
        centred = views - views.mean(0)
        spread = (centred**2).sum()
        row = np.zeros(self.n_parameters)
        for p in range(n):
            r, t = state.rotations[p], state.shifts[p]
            d_view = np.hstack([np.eye(2), -views[p][:, None]]) / positions[p, 2]
            at = self.n_shared + p * (self.n_photo + self.n_pose) + self.n_photo
            # C = -R^T t: turning by w (left) moves C by -R^T (t x w) ... = R^T [w]x t; shifting t moves it by -R^T.
            turn = np.stack([r.T @ np.cross(np.eye(3)[k], t) for k in range(3)], axis=1)
            row[at : at + 3] += centred[p] @ d_view @ turn
            row[at + 3 : at + 6] += centred[p] @ d_view @ -r.T
        row /= spread
        covariance = np.linalg.inv(matrix)
        # Corner errors of one marker are not independent; the residual's own size guards the weights.
        return 2 * float(np.sqrt(max(float(row @ covariance @ row), 0.0)))


def _distance(sighting: CardSighting, marker: Marker, corners_px: FloatArray) -> float:
    middle = cv2.perspectiveTransform(
        np.array([[[marker.x_mm, marker.y_mm]]], dtype=float), np.asarray(sighting.px_from_mm, dtype=float)
    )[0, 0]
    return float(np.linalg.norm(middle - corners_px.mean(0)))
