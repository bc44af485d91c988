"""Cameras of a capture, fitted together to every marker corner by least squares.

What is solved, each with a prior that says how much phones and printers really do it (study figures):
one focal length for the capture with a small breathing term per photo, the principal point per photo
(stabiliser), two radial terms, six pose numbers per photo, how the hand moves while a frame is read (rolling
shutter), a smooth bend of the picture, the print's aspect, one marker-size offset per photo (tone curve and ink
move black-white edges), the sheet's quadratic bow and its own small height at every corner (cockle; a wave of 80 mm
tilts the large markers by a millimetre). With four views the sheet's shape is seen directly, so a wavy sheet does
not pass for a bad fit. The solver is in `bundle`; tests/card/test_bundle_faults.py has the table of what each part
is worth.

Gates stand after that: the residual, and whether any photo needs more of a part than phones do. A zoomed photo, a
cropped one, another lens without Exif, a sheet that the wind lifted for one photo all show there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from assessor.card.bundle import BEND, Bundle, BundleState, CameraSettings, NormalEquations
from assessor.card.layout import card_layout
from assessor.card.lens import check_same_camera
from assessor.errors import CaptureError, CardNotFlat, MixedCameras, MixedCards, PoorGeometry
from assessor.values import Adjustment, CardSighting, Exif, FloatArray, PrintScale

__all__ = ["CameraSettings", "adjust_cameras", "common_serial"]


def adjust_cameras(
    sightings: Sequence[CardSighting],
    exifs: Sequence[Exif],
    print_scale: PrintScale,
    settings: CameraSettings | None = None,
) -> Adjustment:
    """Fit all cameras of one capture to its marker corners.

    sightings and exifs run in the same order. Raises MixedCameras, MixedCards, PoorGeometry or CardNotFlat with what
    was found. One photo works too (then the priors carry focal length and sheet shape).
    """
    settings = settings or CameraSettings()
    check_same_camera(sightings, exifs)
    layout = card_layout(common_serial(sightings) or 0)

    def solve(members: Sequence[int]) -> Fit:
        chosen, with_exif = [sightings[k] for k in members], [exifs[k] for k in members]
        return _solve(Bundle(chosen, with_exif, layout, print_scale, settings))

    everyone = range(len(sightings))
    fit = solve(everyone)
    if fit.strain.worst > 1:
        odd = (
            _odd_one_out([solve([k for k in everyone if k != p]) for p in everyone])
            if len(everyone) > 3
            else None
        )
        raise _misfit(fit, odd)
    return _report(fit)


def common_serial(sightings: Sequence[CardSighting]) -> int | None:
    """The serial of the print that all photos show, None where none tells; raises MixedCards."""
    serials = {s.serial for s in sightings if s.serial is not None}
    if len(serials) > 1:
        listed = " and ".join(str(s) for s in sorted(serials))
        raise MixedCards(f"the photos show cards {listed}", file=", ".join(s.photo_name for s in sightings))
    return serials.pop() if serials else None


@dataclass(frozen=True, eq=False)
class Strain:
    """How far a fit is from its gates, as shares of them (over 1 is refused); (P,) per photo except the residual."""

    residual: float
    focal: FloatArray
    centre: FloatArray
    motion: FloatArray
    bend: FloatArray

    @property
    def worst(self) -> float:
        """The largest share."""
        return max(
            self.residual, *(float(v.max()) for v in (self.focal, self.centre, self.motion, self.bend))
        )


@dataclass(frozen=True, eq=False)
class Fit:
    """A solved adjustment and how well it sits."""

    bundle: Bundle
    state: BundleState
    normal: NormalEquations
    rms_px: float
    strain: Strain


def _solve(bundle: Bundle) -> Fit:
    """Solve and measure the strain."""
    s = bundle.settings
    state, normal = bundle.solve()
    norm = np.hypot(*normal.residual.T)
    keep = norm < max(6 * 1.4826 * float(np.median(norm)), 1e-6)
    agree = bool(keep.mean() > 0.7)
    rms_px = float(np.sqrt((normal.residual[keep if agree else ...] ** 2).sum(1).mean() / 2))
    pull = state.photo / bundle.sd_photo
    breathing = state.photo[:, 0] - np.median(state.photo[:, 0])
    strain = Strain(
        rms_px / _max_rms_px(bundle) if agree else np.inf,
        np.abs(breathing) / s.max_breathing,
        np.abs(pull[:, 1:3]).max(1) / s.max_centre_sd,
        np.sqrt((pull[:, 4:10] ** 2).mean(1)) / s.max_motion_sd,
        np.sqrt((pull[:, BEND] ** 2).mean(1)) / s.max_bend_sd,
    )
    return Fit(bundle, state, normal, rms_px, strain)


def _max_rms_px(bundle: Bundle) -> float:
    s = bundle.settings
    return s.max_rms_px if len(bundle.sightings) > 1 else max(s.max_rms_px, s.max_rms_px_one)


def _odd_one_out(without: Sequence[Fit]) -> int | None:
    """Which photo's absence alone lets the rest fit, or None. without: the fits that leave out one photo each."""
    worst = np.array([np.nan_to_num(fit.strain.worst, nan=np.inf) for fit in without])
    best, second = np.argsort(worst)[:2]
    return int(best) if worst[best] < 1 and worst[second] > 1.3 * worst[best] else None


def _misfit(fit: Fit, odd: int | None) -> CaptureError:
    """What does not fit, as a sentence about the odd photo or about all."""
    strain, s = fit.strain, fit.bundle.settings
    names = [v.photo_name for v in fit.bundle.sightings]
    file = ", ".join(names) if odd is None else names[odd]
    at = int(np.argmax(strain.focal)) if odd is None else odd
    # A sheet that bent pulls at everything, a zoom or a crop mostly at its own part.
    others = max(float(strain.motion[at]), float(strain.bend[at]), strain.residual)
    if strain.focal[at] > 1 and (others < 0.6 or strain.focal[at] > max(4.0, 2 * others)):
        ratio = float(np.exp(fit.state.photo[at, 0] - np.median(fit.state.photo[:, 0])))
        return MixedCameras(
            f"the focal length in {names[at]} is {ratio:.2f} times that of the other photos, as after a zoom, another"
            f" lens or a crop; focusing changes it by at most {100 * s.max_breathing:g} %",
            file=file,
        )
    if strain.centre[at] > 1 and others < 0.6:
        off = float(np.abs(fit.state.photo[at, 1:3]).max())
        return PoorGeometry(
            f"the lens's middle lies {off:.0f} px beside the middle of {names[at]}, as after a crop",
            file=file,
        )
    found = "the photos do not fit together" if odd is None else "it does not fit the other photos"
    found = "card and photo do not fit together" if len(names) == 1 else found
    if strain.residual > 1:
        limit = _max_rms_px(fit.bundle)
        found += f": corners are off by {fit.rms_px:.2f} px rms, at most {limit:g} px can be used"
    else:
        found += (
            ": the sheet bent between photos, the lens or zoom was changed, or the phone moved in a photo"
        )
    return PoorGeometry(found, file=file)


def _report(fit: Fit) -> Adjustment:
    """Check the sheet and hand the fit on."""
    bundle, state, rms_px = fit.bundle, fit.state, fit.rms_px
    s = bundle.settings
    px_per_mm = float(np.median([v.px_per_mm for v in bundle.sightings]))
    names = ", ".join(v.photo_name for v in bundle.sightings)
    bow = state.shared[4:7].copy()
    flags = []
    if np.abs(bow).max() > s.max_bow_mm:
        raise CardNotFlat(
            f"the sheet is bent by {np.abs(bow).max():.1f} mm, at most {s.max_bow_mm:g} mm can be used",
            file=names,
        )
    if np.abs(bow).max() > s.flag_bow_mm:
        flags.append("card-bent")
    if bundle.focal_source == "solved":
        flags.append("focal-unknown")
    if not bundle.print_scale.checked:
        flags.append("bars-unchecked")
    scale = bundle.scale_xy(state)
    return Adjustment(
        cameras=bundle.cameras(state),
        print_scale=replace(bundle.print_scale, x=float(scale[0]), y=float(scale[1])),
        bow_mm=bow,
        marker_offset_mm=tuple(float(d) for d in state.photo[:, 3]),
        rms_px=rms_px,
        rms_mm=rms_px / px_per_mm,
        focal_source=bundle.focal_source,
        u_gain=_u_gain(fit),
        flags=tuple(flags),
    )


def _u_gain(fit: Fit) -> float:
    """Relative standard uncertainty of heights from poses: how well the view directions' spread is known."""
    bundle, state = fit.bundle, fit.state
    n = len(bundle.sightings)
    if n < 2:
        return float("nan")
    positions = np.stack([-r.T @ t for r, t in zip(state.rotations, state.shifts, strict=True)])
    views = positions[:, :2] / positions[:, 2:]
    centred = views - views.mean(0)
    spread = (centred**2).sum()
    row = np.zeros(bundle.n_parameters)
    for p in range(n):
        r, t = state.rotations[p], state.shifts[p]
        d_view = np.hstack([np.eye(2), -views[p][:, None]]) / positions[p, 2]
        at = bundle.n_shared + p * (bundle.n_photo + bundle.n_pose) + bundle.n_photo
        # C = -R^T t: turning by w (left) moves C by -R^T (t x w) ... = R^T [w]x t; shifting t moves it by -R^T.
        turn = np.stack([r.T @ np.cross(np.eye(3)[k], t) for k in range(3)], axis=1)
        row[at : at + 3] += centred[p] @ d_view @ turn
        row[at + 3 : at + 6] += centred[p] @ d_view @ -r.T
    row /= spread
    covariance = np.linalg.inv(fit.normal.matrix)
    # The factor makes 90 % of simulated captures lie within 1.645 u (tests/card/test_bundle_faults.py): lens
    # terms and joined frames that reach beyond their priors.
    return 1.1 * float(np.sqrt(max(float(row @ covariance @ row), 0.0)))
