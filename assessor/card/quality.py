"""Is the photo good enough to measure, and if not, what should the crew do?

Everything is judged on the card itself, whose edges, paper and ink are known: pixels per millimetre and tilt from the
markers, blur from their edges, light from white paper and black ink beside every marker side (`sheet_state`). The
limits (`quality_limits`) refuse only what the study found to spoil heights (study.md part 1, sections 4 and 5) and flag
what makes them worse.

Not seen here: a shadow inside the window that misses the paper, gloss on the floor, a sheet that is wet all over.
"""

from __future__ import annotations

import numpy as np

from assessor.card.designs import design_layout, window_of
from assessor.card.find import focal_guess_px
from assessor.card.marker_light import MarkerLight, light_at_markers
from assessor.card.paper import burnt_share, outline_mm
from assessor.card.photo_origin import VIDEO_FRAME, signs_of_shrinking
from assessor.card.plane import apply_homography, tilt_and_distance
from assessor.card.quality_limits import QualitySettings
from assessor.card.sheet_state import check_damp, check_glare, check_shadow, check_wear
from assessor.errors import (
    Clipped,
    PhotoShrunk,
    TooBlurred,
    TooClose,
    TooDark,
    TooFar,
    TooOblique,
)
from assessor.values import BoolArray, CardSighting, FloatArray, Photo

__all__ = ["QualitySettings", "check_photo"]


def check_photo(
    photo: Photo, sighting: CardSighting, settings: QualitySettings | None = None, *, torch: bool = False
) -> tuple[str, ...]:
    """Check one photo; returns flags (codes of `flags.FLAGS`), the sighting's own first.

    torch: the photo belongs to a `torch` capture. Then uneven light, hard shadows and paper burnt out beside the torch
    are as they should be, stains are not told from shading, and the photo without torch may be far darker.

    Raises TooFar, PhotoShrunk, TooClose, TooOblique, TooBlurred, TooDark, Clipped, Glare, CardWet or CardWorn:
    what was found, and the limit.
    """
    settings = settings or QualitySettings()
    light = light_at_markers(photo, sighting.corners_px, sighting.px_from_mm, settings.clipped_byte)
    flags = [
        *sighting.flags,
        *_geometry(photo, sighting, settings),
        *_sharpness(photo, sighting, settings),
        *_exposure(photo, sighting, light, settings.for_torch() if torch else settings),
        *_smoothing(photo, sighting, settings),
        *check_glare(sighting, light, settings),
        *(() if torch else check_shadow(light, settings)),
        *check_wear(photo, sighting, light, settings, stains=not torch),
    ]
    if not torch and "hard-shadow" not in flags:  # flare in a deep shadow looks like damp
        flags += check_damp(sighting, light, settings)
    return tuple(dict.fromkeys(flags))


def _geometry(photo: Photo, sighting: CardSighting, settings: QualitySettings) -> list[str]:
    name = photo.name
    if sighting.tilt_deg > settings.max_tilt_deg:
        raise TooOblique(
            f"the phone was tilted {sighting.tilt_deg:.0f} degrees, at most {settings.max_tilt_deg:.0f} can be used",
            file=name,
        )
    least = settings.min_px_per_mm_video if VIDEO_FRAME in photo.file.marks else settings.min_px_per_mm
    if sighting.px_per_mm < least:
        found = (
            f"the card has only {sighting.px_per_mm:.2f} pixels per mm where it is farthest, "
            f"at least {least:.1f} are needed"
        )
        for sign in signs_of_shrinking(photo):  # nearer is no help where pixels were thrown away
            raise PhotoShrunk(f"{found}; the photo looks shrunk: {sign}", file=name)
        raise TooFar(found, file=name)
    _, distance = tilt_and_distance(sighting.px_from_mm, sighting.size_px, focal_guess_px(photo))
    if distance < settings.min_distance_mm:
        raise TooClose(
            f"the phone was about {distance:.0f} mm from the card, "
            f"at least {settings.min_distance_mm:.0f} mm are needed",
            file=name,
        )
    _check_frame(sighting, settings)
    flags = []
    if sighting.px_per_mm < settings.flag_px_per_mm:
        flags.append("coarse-pixels")
    if sighting.tilt_deg > settings.flag_tilt_deg:
        flags.append("tilted")
    return flags


def _check_frame(sighting: CardSighting, settings: QualitySettings) -> None:
    """TooClose where the window or too much of the ring lies outside the frame."""
    layout = design_layout(sighting.design)
    grown = outline_mm(window_of(sighting.design).less(-settings.window_margin_mm))
    ring = np.array([m.corners_mm() for m in layout.markers if m.role not in ("large", "design")])
    limit = np.array(sighting.size_px) - 1

    def inside(points_mm: FloatArray) -> BoolArray:
        pixels = apply_homography(sighting.px_from_mm, points_mm)
        return np.asarray(((pixels >= 0) & (pixels <= limit)).all(-1))

    outside = int((~inside(ring).all(1)).sum())
    if not inside(grown).all() or outside > settings.max_ring_outside:
        ring_part = f"{outside} of the ring's {len(ring)} markers lie"
        part = ring_part if inside(grown).all() else "the window lies"
        raise TooClose(
            f"{part} partly outside the frame, the window and at least "
            f"{len(ring) - settings.max_ring_outside} markers of the ring must be in it",
            file=sighting.photo_name,
        )


def _sharpness(photo: Photo, sighting: CardSighting, settings: QualitySettings) -> list[str]:
    """Blur on the card's edges; near the card it is focus, and raising the phone helps where holding still does not."""
    px, mm = sighting.edge_width_px, sighting.edge_width_mm
    soft = px > settings.flag_edge_px and mm > settings.flag_edge_mm
    _, distance = tilt_and_distance(sighting.px_from_mm, sighting.size_px, focal_guess_px(photo))
    ultra_wide = (photo.exif.focal_35mm or 26.0) < settings.main_focal_35mm
    near = distance < settings.near_limit_mm and not ultra_wide
    if px > settings.max_edge_px and mm > settings.max_edge_mm:
        found = (
            f"the card's edges are {px:.1f} pixels ({mm:.2f} mm) wide, at most {settings.max_edge_px:.1f} pixels "
            f"or {settings.max_edge_mm:.2f} mm can be used"
        )
        if near:
            raise TooClose(f"{found}; at {distance:.0f} mm the phone may not focus", file=photo.name)
        raise TooBlurred(found, file=photo.name)
    return ["near-focus" if near else "soft"] if soft else []


def _smoothing(photo: Photo, sighting: CardSighting, settings: QualitySettings) -> list[str]:
    """Paper much quieter than any phone's sensor is at this ISO: the phone wiped noise out, and texture with it.

    Says nothing without ISO, where rounding to bytes or strong JPEG hides the noise, and where blur explains a lot.
    """
    iso, quality = photo.exif.iso, photo.file.jpeg_quality
    if iso is None or sighting.edge_width_px > settings.flag_edge_px:
        return []
    least = settings.smoothed_share * settings.noise_at_iso_100 * (iso / 100) ** 0.5
    if least < settings.least_noise or (quality is not None and quality < settings.least_jpeg_quality):
        return []
    return ["phone-smoothed"] if sighting.noise_linear < least else []


def _exposure(
    photo: Photo, sighting: CardSighting, light: MarkerLight, settings: QualitySettings
) -> list[str]:
    name, white, noise = photo.name, sighting.white_linear, sighting.noise_linear
    if white < settings.min_white:
        raise TooDark(
            f"the white paper reaches only {white:.1%} of full exposure, at least {settings.min_white:.0%} is needed",
            file=name,
        )
    if noise > settings.max_noise:
        raise TooDark(
            f"noise on the white paper is {noise:.0%} of its brightness, at most {settings.max_noise:.0%} can be used",
            file=name,
        )
    area = window_of(sighting.design)
    window = burnt_share(photo.rgb_u8, sighting.px_from_mm, area, settings.clipped_byte)
    for part, share, limit in (
        ("floor in the window", window, settings.max_window_clipped),
        ("white paper", light.clipped, settings.max_paper_clipped),
    ):
        if share > limit:
            raise Clipped(f"{share:.0%} of the {part} is burnt out, at most {limit:.0%} may be", file=name)
    flags = []
    if white < settings.flag_white or noise > settings.flag_noise:
        flags.append("dark")
    if window > settings.flag_window_clipped or light.clipped > settings.flag_paper_clipped:
        flags.append("clipped")
    return flags
