"""The least-squares problem behind `camera`: observations as flat arrays, and the steps that solve it.

Bundle adjustment by Levenberg-Marquardt with analytic derivatives and Huber weights (Triggs et al. 2000, "Bundle
adjustment - a modern synthesis"); start poses from the plane (Collins & Bartoli 2014, IPPE, in OpenCV).

A photo's rows touch the shared parameters and its own, so derivatives are kept in these columns only and the normal
equations are put together photo by photo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.card.layout import CardLayout, Marker
from assessor.card.warp import BENDS, Rolling, bend_terms, join_warp, row_time
from assessor.errors import PoorGeometry
from assessor.values import Camera, CardSighting, Exif, FloatArray, PrintScale

HALF_SHEET_MM = (100.0, 133.0)
WAY, TURN, BEND = slice(4, 7), slice(7, 10), slice(10, 10 + 2 * BENDS)


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """Priors (standard deviations) and gates of the adjustment."""

    u_focal_exif: float = 0.05  # makers round the 35 mm equivalent to 1 mm and measure it at infinity
    u_focal_unknown: float = 0.25  # main cameras of phones lie within this of 69 degrees
    u_breathing: float = 0.01  # focus differs between photos of one spot
    u_centre_px_per_kpx: float = 4.0  # stabiliser: 15 px on a 4000 px frame
    # A hand moves 10-20 mm and turns 2-4 degrees a second, and a frame takes some 20-30 ms to read (common practice).
    u_way_mm: float = 0.4
    u_turn_deg: float = 0.08
    u_bend_px: float = 0.1  # at the card's far corners; several frames joined, and what k1 and k2 lack
    u_k1: float = 0.05
    u_k2: float = 0.05
    u_aspect_unchecked: float = 0.015  # printers scale 96-102 %, not alike in both directions
    u_offset_mm: float = 0.15  # ink spread and tone curve
    u_bow_mm: float = 3.0
    u_cockle_mm: float = 0.3  # a home printer's sheet after a day on site
    corner_floor_px: float = 0.03  # nobody's corners are better than this
    max_rms_px: float = 0.3  # good captures have 0.02 to 0.06
    max_rms_px_one: float = (
        1.5  # a lone photo cannot tell the sheet's waves from a bad fit: good ones have 0.3 to 0.6
    )
    max_breathing: float = (
        0.06  # between photos; a zoom of 5 % changes no height, but no phone breathes so much
    )
    max_centre_sd: float = 5.0
    max_motion_sd: float = 2.5  # rms over way and turn; usual captures have up to 1.2, a lifted sheet 3 to 7
    max_bend_sd: float = 2.5
    max_bow_mm: float = 6.0
    flag_bow_mm: float = 1.5
    iterations: int = 25
    step: float = 0.3  # standard deviations; the view directions then move by less than 1e-6


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
    # (P, 24): breathing, centre x, y, marker offset, way (3, mm) and turn (3, rad) a frame, bends (7 x 2, px)
    photo: FloatArray
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
    spread: FloatArray  # (N,) standard deviation of a corner, px, from which the weights were made


class Bundle:
    """All observations of a capture as flat arrays, and the steps that fit its cameras to them."""

    n_shared, n_photo, n_pose = 7, 10 + 2 * BENDS, 6

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
                key, marker = options[0]
                if len(options) > 1:
                    key, marker = min(options, key=lambda o: _distance(sighting, o[1], corners))
                index = places.setdefault(key, len(places))
                rows.append((p, index, marker, corners, sds))
        if not rows:
            raise PoorGeometry("no marker of the card could be used")
        self.n_corners = 4 * len(places)
        self.photo = np.repeat([r[0] for r in rows], 4)
        self.corner = np.concatenate([4 * r[1] + np.arange(4) for r in rows])
        self.drawn_mm = np.concatenate([r[2].corners_mm() for r in rows])
        self.outward = np.tile([[-1.0, 1], [1, 1], [1, -1], [-1, -1]], (len(rows), 1))
        self.seen_px = np.concatenate([r[3] for r in rows]).astype(float)
        sd = np.concatenate([r[4] for r in rows]).astype(float)
        self.sd_px = np.hypot(np.where(np.isfinite(sd), sd, 1.0), settings.corner_floor_px)
        self._priors(exifs)
        sizes = np.array([s.size_px for s in sightings], dtype=float)[self.photo]
        self.late = row_time(self.seen_px, sizes)
        # The bends are so small that seen corners stand for the fitted ones.
        self.bends = bend_terms((self.seen_px - (sizes - 1) / 2) / self.focal_px)

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
        roll = [*[s.u_way_mm] * 3, *[np.radians(s.u_turn_deg)] * 3]
        bends = [s.u_bend_px] * 2 * BENDS
        self.sd_photo = np.array([breathing, u_centre, u_centre, s.u_offset_mm, *roll, *bends])
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
        """Residuals (N, 2) in pixels, their derivatives (N, 2, 37) and those by the corner's height (N, 2).

        The 37 columns are those of `columns` for the observation's photo: shared, photo and pose parameters.
        """
        n, photo = len(self.photo), self.photo
        points, own = self.points_mm(state), state.photo[photo]
        late = self.late[:, None]
        turned = np.einsum("nij,nj->ni", state.rotations[photo], points)
        # A row is seen when it is read: the pose has gone on by `late` of its way and turn in a frame.
        turned = turned + late * np.cross(own[:, TURN], turned)
        cam = turned + state.shifts[photo] + late * own[:, WAY]
        z = cam[:, 2:3]
        xy = cam[:, :2] / z
        r2 = (xy**2).sum(1, keepdims=True)
        k1, k2 = state.shared[1:3]
        radial = 1 + r2 * (k1 + r2 * k2)
        focal = self._focals(state)[photo][:, None]
        lens = focal * xy * radial
        bend = np.einsum("nk,nki->ni", self.bends, own[:, BEND].reshape(n, BENDS, 2))
        residual = lens + bend + self._centres(state)[photo] - self.seen_px
        # d(pixel)/d(normalised), then d(normalised)/d(camera point)
        slope = 2 * (k1 + 2 * r2 * k2)
        d_norm = focal[:, :, None] * (
            radial[:, :, None] * np.eye(2) + slope[:, :, None] * xy[:, :, None] * xy[:, None, :]
        )
        to_px = np.concatenate([d_norm, -d_norm @ xy[:, :, None]], axis=2) / z[:, :, None]
        on_sheet = to_px @ state.rotations[photo]
        jac = np.zeros((n, 2, self.n_shared + self.n_photo + self.n_pose))
        jac[:, :, 0] = jac[:, :, 7] = lens
        jac[:, :, 1], jac[:, :, 2] = focal * xy * r2, focal * xy * r2 * r2
        by_xy = on_sheet[:, :, :2] + on_sheet[:, :, 2:] * self._bow_slope(state, points)[:, None, :]
        drawn = self.drawn_mm + self.outward * own[:, 3:4]
        half = drawn * (-self.print_scale.x / 2, self.print_scale.y / 2)
        jac[:, :, 3] = (by_xy * half[:, None, :]).sum(2)
        u, v = points[:, 0] / HALF_SHEET_MM[0], points[:, 1] / HALF_SHEET_MM[1]
        jac[:, :, 4:7] = on_sheet[:, :, 2:] * np.stack([u * u, u * v, v * v], 1)[:, None, :]
        jac[:, 0, 8] = jac[:, 1, 9] = 1.0
        jac[:, :, 10] = (by_xy * (self.outward * self.scale_xy(state))[:, None, :]).sum(2)
        jac[:, 0, 17:31:2] = jac[:, 1, 18:31:2] = self.bends
        jac[:, :, 31:34] = np.cross(turned[:, None, :], to_px)  # to_px . (axis x turned), for all three axes
        jac[:, :, 34:37] = to_px
        jac[:, :, 11:14], jac[:, :, 14:17] = late[:, :, None] * to_px, late[:, :, None] * jac[:, :, 31:34]
        return residual, jac, on_sheet[:, :, 2]

    def _bow_slope(self, state: BundleState, points: FloatArray) -> FloatArray:
        """(N, 2) slope of the bowed sheet along x and y."""
        a, b, c = state.shared[4:7]
        u, v = points[:, 0] / HALF_SHEET_MM[0], points[:, 1] / HALF_SHEET_MM[1]
        return np.column_stack(
            [(2 * a * u + b * v) / HALF_SHEET_MM[0], (b * u + 2 * c * v) / HALF_SHEET_MM[1]]
        )

    def columns(self, photo: int) -> NDArray[np.int_]:
        """Which of all parameters the columns of `linearise` are for one photo, (37,)."""
        own = self.n_photo + self.n_pose
        return np.concatenate([np.arange(self.n_shared), self.n_shared + photo * own + np.arange(own)])

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
        flat, by_z, off = jac * weight[:, None, None], jac_z * weight[:, None], residual * weight[:, None]
        prior = 1 / self._prior_sds() ** 2
        matrix, gradient = np.diag(prior), prior * self._current(state)
        mixed = np.zeros((self.n_corners, self.n_parameters))
        each = np.einsum("nij,ni->nj", flat, by_z)
        for p in range(len(self.sightings)):
            rows, at = self.photo == p, self.columns(p)
            own = flat[rows].reshape(-1, flat.shape[2])
            matrix[np.ix_(at, at)] += own.T @ own
            gradient[at] += own.T @ off[rows].ravel()
            mixed[self.corner[rows][:, None], at] += each[rows]  # a photo sees a corner once
        z_prior = 1 / self.sd_cockle**2
        diagonal = np.bincount(self.corner, (by_z**2).sum(1), self.n_corners) + z_prior
        z_gradient = np.bincount(self.corner, (by_z * off).sum(1), self.n_corners) + z_prior * state.cockle
        shared = mixed / diagonal[:, None]
        matrix -= mixed.T @ shared
        gradient -= shared.T @ z_gradient
        return NormalEquations(matrix, gradient, residual, shared, z_gradient / diagonal, spread)

    def solve(self) -> tuple[BundleState, NormalEquations]:
        """Levenberg-Marquardt steps from the start until they are small; returns the best state."""
        state = self.start()
        normal = self.normal_equations(state)
        damping = 0.0
        for _ in range(self.settings.iterations):
            moved, size = self._moved(state, normal, damping)
            ahead = self.normal_equations(moved)
            # Both with the spread of the old state, since the robust weights follow the fit.
            if self._cost(moved, ahead, normal.spread) < self._cost(state, normal, normal.spread) * (
                1 + 1e-6
            ):
                state, normal = moved, ahead
                if size < self.settings.step and damping < 1e-6:
                    break
                damping = damping / 30 if damping > 1e-8 else 0.0
            else:
                damping = max(30 * damping, 1e-5)
        return state, normal

    def _cost(self, state: BundleState, normal: NormalEquations, spread: FloatArray) -> float:
        """Huber cost with the priors' pull."""
        pull = self._current(state) / self._prior_sds()
        far = np.hypot(*normal.residual.T) / spread
        huber = np.where(far < 3, far**2, 6 * far - 9).sum()
        return float(huber + (pull**2).sum() + ((state.cockle / self.sd_cockle) ** 2).sum())

    def _moved(
        self, state: BundleState, normal: NormalEquations, damping: float
    ) -> tuple[BundleState, float]:
        """The state one step on, and the step's largest move in standard deviations."""
        scale = np.diag(normal.matrix)
        step = -np.linalg.solve(normal.matrix + damping * np.diag(scale), normal.gradient)
        n, width = len(self.sightings), self.n_photo + self.n_pose
        photo = step[self.n_shared :].reshape(n, width)
        rotations = np.stack(
            [cv2.Rodrigues(d[-6:-3])[0] @ r for d, r in zip(photo, state.rotations, strict=True)]
        )
        # Distance and focal length trade as a ratio: growing both by factors stays in that valley.
        shifts = state.shifts + photo[:, -3:]
        shifts[:, 2] = state.shifts[:, 2] * np.exp(np.clip(photo[:, -1] / state.shifts[:, 2], -1, 1))
        moved = BundleState(
            state.shared + step[: self.n_shared],
            state.photo + photo[:, : self.n_photo],
            rotations,
            shifts,
            state.cockle - normal.z_step - normal.shared @ step,
        )
        return moved, float(np.abs(step * np.sqrt(scale)).max())

    def cameras(self, state: BundleState) -> tuple[Camera, ...]:
        """The fitted cameras, each with its warp."""
        focals, centres = self._focals(state), self._centres(state)
        found = []
        for p, s in enumerate(self.sightings):
            camera = Camera(
                s.photo_name,
                float(focals[p]),
                (float(centres[p, 0]), float(centres[p, 1])),
                float(state.shared[1]),
                float(state.shared[2]),
                state.rotations[p].copy(),
                state.shifts[p].copy(),
            )
            own = state.photo[p]
            rolling = Rolling(own[WAY], own[TURN], s.size_px)
            warp = join_warp(camera, rolling, own[BEND].reshape(BENDS, 2), self.focal_px)
            found.append(replace(camera, warp=warp))
        return tuple(found)


def _distance(sighting: CardSighting, marker: Marker, corners_px: FloatArray) -> float:
    middle = cv2.perspectiveTransform(
        np.array([[[marker.x_mm, marker.y_mm]]], dtype=float), np.asarray(sighting.px_from_mm, dtype=float)
    )[0, 0]
    return float(np.linalg.norm(middle - corners_px.mean(0)))
