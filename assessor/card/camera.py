"""Cameras of a capture, fitted together to every marker corner by least squares.

What is solved, each with a prior that says how much phones and printers really do it (study figures):
one focal length for the capture with a small breathing term per photo, the principal point per photo
(stabiliser), two radial terms, six pose numbers per photo, the print's aspect, one marker-size offset per photo
(tone curve and ink move black-white edges), the sheet's quadratic bow and its own small height at every corner
(cockle; a wave of 80 mm tilts the large markers by a millimetre). With four views the sheet's shape is seen
directly, so a wavy sheet does not pass for a bad fit. The solver is in `bundle`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from assessor.card.bundle import Bundle, BundleState, CameraSettings
from assessor.card.layout import card_layout
from assessor.errors import CardNotFlat, MixedCameras, MixedCards, PoorGeometry
from assessor.values import Adjustment, CardSighting, Exif, PrintScale

__all__ = ["CameraSettings", "adjust_cameras", "check_same_camera"]


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
    serial = _common_serial(sightings)
    layout = card_layout(serial or 0)
    bundle = Bundle(sightings, exifs, layout, print_scale, settings)
    state = bundle.start()
    for _ in range(settings.iterations):
        state, step = bundle.improve(state)
        if step < 1e-4:
            break
    return _report(bundle, state)


def check_same_camera(sightings: Sequence[CardSighting], exifs: Sequence[Exif]) -> None:
    """Refuse photos of one capture that come from different lenses, zooms or sizes (MixedCameras)."""
    names = ", ".join(s.photo_name for s in sightings)
    for what, values in (
        ("photo sizes", {tuple(sorted(s.size_px)) for s in sightings}),
        ("lenses", {e.lens_model for e in exifs if e.lens_model}),
    ):
        if len(values) > 1:
            listed = ", ".join(str(v) for v in sorted(values, key=str))
            raise MixedCameras(f"the photos were taken with different {what} ({listed})", file=names)
    for what, numbers in (
        ("focal lengths", [e.focal_mm for e in exifs if e.focal_mm]),
        ("35 mm equivalents", [e.focal_35mm for e in exifs if e.focal_35mm]),
        ("zoom ratios", [e.digital_zoom_ratio for e in exifs if e.digital_zoom_ratio]),
    ):
        # Equivalents are rounded to whole millimetres, so neighbours may be one lens; the next lens is far away.
        if numbers and max(numbers) > 1.06 * min(numbers):
            listed = ", ".join(f"{v:g}" for v in sorted(set(numbers)))
            raise MixedCameras(f"the photos were taken with different {what} ({listed})", file=names)


def _common_serial(sightings: Sequence[CardSighting]) -> int | None:
    serials = {s.serial for s in sightings if s.serial is not None}
    if len(serials) > 1:
        listed = " and ".join(str(s) for s in sorted(serials))
        raise MixedCards(f"the photos show cards {listed}", file=", ".join(s.photo_name for s in sightings))
    return serials.pop() if serials else None


def _report(bundle: Bundle, state: BundleState) -> Adjustment:
    """Check the fit against the gates and hand it on."""
    s = bundle.settings
    normal = bundle.normal_equations(state)
    residual = normal.residual
    norm = np.hypot(residual[:, 0], residual[:, 1])
    keep = norm < max(6 * 1.4826 * float(np.median(norm)), 1e-6)
    rms_px = float(np.sqrt((residual[keep] ** 2).sum(1).mean() / 2))
    px_per_mm = float(np.median([v.px_per_mm for v in bundle.sightings]))
    names = ", ".join(v.photo_name for v in bundle.sightings)
    if not np.isfinite(rms_px) or rms_px > s.max_rms_px or keep.mean() < 0.7:
        raise PoorGeometry(
            f"card and cameras do not fit together: corners are off by {rms_px:.2f} px rms, at most"
            f" {s.max_rms_px:g} px can be used",
            file=names,
        )
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
        u_gain=bundle.u_gain(state, normal.matrix),
        flags=tuple(flags),
    )
