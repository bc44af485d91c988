"""Is this the phone's own plain photo, as the lens saw it and as the phone saved it?

Heights come from where points lie in four photos and from how their light compares. A flash moves with the phone and
raises Sq of a fine floor threefold (study.md part 1, section 5). Portrait blur, panoramas and document scans redraw
the picture, so no lens fits it any more. These are refused by what the file says. HDR merging of quick exposures
(CustomRendered 2 to 4) is not: it is how phones take every photo, and what it does to tones is the tone curve's
business.

A chat or a mail shrinks photos and strips their Exif. That only costs detail and knowledge of the lens, so it is said
(`photo-resent`) and the rest is measured: then the focal length is solved from the tilts, with a wider prior.

Not seen: a portrait or a scan whose notes were stripped on the way, unless the picture is exactly the sheet.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from assessor.card.layout import PAPERS_MM, Rectangle
from assessor.card.paper import outline_mm
from assessor.card.photo_marks import PANORAMA, PORTRAIT, SCAN
from assessor.card.plane import apply_homography
from assessor.errors import FlashFired, ProcessedPhoto
from assessor.values import CardSighting, Exif, Photo


@dataclass(frozen=True, slots=True)
class OriginSettings:
    """When a photo counts as redrawn or as sent on."""

    max_aspect: float = 2.4  # "full screen" photos reach 21:9; sweeps of a panorama begin at about 2.5:1
    min_megapixels: float = 7.5  # rear cameras of phones have 8 MP or more since about 2012 (common practice)
    min_jpeg_quality: int = 60  # quality 75 did no harm to Sq, 50 cost 2-3 % (study.md part 1, section 5)
    max_scan_tilt_deg: float = 2.0  # a scan is straightened; the guide asks for 10-20 degrees
    max_scan_margin: float = 0.015  # sheet corner to frame corner, of the long side


# Exif 2.32, 4.6.5 knows 0 and 1 only. The further values are in a phone maker's public header of its photo library
# (FigExifCustomRenderedValue): 2 and 3 HDR image, 4 and 9 the untouched original, 6 panorama, 7 and 8 shallow depth
# of field. Other makers leave the tag at 0 or 1.
_RENDERED = {6: PANORAMA, 7: PORTRAIT, 8: PORTRAIT}
_SCANNERS = (1, 2)  # Exif 2.32, 4.6.5, FileSource: transparency scanner, reflection scanner
_SCAN_SOFTWARE = re.compile("scan", re.IGNORECASE)
_SENTENCES = {
    PORTRAIT: "the phone blurred part of the picture (portrait mode)",
    PANORAMA: "this is a panorama, stitched from many pictures",
    SCAN: "this is a document scan, which was straightened and cropped by an app",
}

VIDEO_FRAME = "video frame"  # mark of a photo taken out of a video (`video`)


def check_origin(photo: Photo, settings: OriginSettings | None = None) -> tuple[str, ...]:
    """Check what the file says of how the photo was made; returns flags (`photo-resent` or none).

    Raises FlashFired or ProcessedPhoto, with what was found. SceneCaptureType is not read: "portrait" there is only
    a guess about the scene.
    """
    settings = settings or OriginSettings()
    if photo.exif.flash_fired:
        raise FlashFired("the flash fired", file=photo.name)
    long, short = max(photo.size_px), min(photo.size_px)
    said = _RENDERED.get(photo.exif.custom_rendered or 0)
    scanned = photo.exif.file_source in _SCANNERS or _SCAN_SOFTWARE.search(photo.exif.software or "")
    for mark in (said, *photo.file.marks, SCAN if scanned else None):
        if mark and mark != VIDEO_FRAME:
            raise ProcessedPhoto(_SENTENCES[mark], file=photo.name)
    if long > settings.max_aspect * short:
        raise ProcessedPhoto(
            f"the picture is {long / short:.1f} times as long as wide, as panoramas are;"
            f" at most {settings.max_aspect:g} times can be used",
            file=photo.name,
        )
    if VIDEO_FRAME in photo.file.marks:  # which never has Exif, and 2 megapixels of its own right
        return ()
    return ("photo-resent",) if signs_of_resending(photo, settings) else ()


def check_not_scanned(photo: Photo, sighting: CardSighting, settings: OriginSettings | None = None) -> None:
    """Refuse a picture that is exactly the sheet, straightened and without lens data (ProcessedPhoto).

    Scanning apps cut the picture at the paper's edge and strip the Exif. No photo held by hand has the sheet's four
    corners in its own four corners.
    """
    settings = settings or OriginSettings()
    if has_camera_data(photo.exif) or sighting.tilt_deg > settings.max_scan_tilt_deg:
        return
    width, height = photo.size_px
    frame = np.array([[0, 0], [width, 0], [width, height], [0, height]]) - 0.5
    for paper_width, paper_height in PAPERS_MM.values():
        sheet = Rectangle(-paper_width / 2, -paper_height / 2, paper_width / 2, paper_height / 2)
        corners = apply_homography(sighting.px_from_mm, outline_mm(sheet))
        gaps = np.linalg.norm(corners[:, None] - frame, axis=-1).min(1)
        if gaps.max() < settings.max_scan_margin * max(photo.size_px):
            raise ProcessedPhoto(
                "the picture is cut exactly at the sheet's edge and straightened, as document scans are",
                file=photo.name,
            )


def has_camera_data(exif: Exif) -> bool:
    """Whether a camera signed the photo: maker, model, lens or exposure."""
    said = (exif.make, exif.model, exif.lens_model, exif.focal_mm, exif.focal_35mm, exif.exposure_s, exif.iso)
    return any(value is not None for value in said)


def signs_of_shrinking(photo: Photo, settings: OriginSettings | None = None) -> tuple[str, ...]:
    """Say, as words for the person, what shows that the picture has fewer pixels than were taken."""
    settings = settings or OriginSettings()
    if VIDEO_FRAME in photo.file.marks:
        return ()
    width, height = photo.size_px
    taken = photo.exif.size_px
    if taken and (taken[0] > 1.02 * max(width, height) or taken[1] > 1.02 * min(width, height)):
        return (f"{width} x {height} px are left of {taken[0]} x {taken[1]}",)
    if width * height < settings.min_megapixels * 1e6:
        return (f"it has {width} x {height} px, where phones take 8 megapixels or more",)
    return ()


def signs_of_resending(photo: Photo, settings: OriginSettings | None = None) -> tuple[str, ...]:
    """Say, as words for the person, what shows that this is a copy and not the file the phone saved."""
    settings = settings or OriginSettings()
    signs = list(signs_of_shrinking(photo, settings))
    if not has_camera_data(photo.exif):
        signs.append("it carries no camera data")
    quality = photo.file.jpeg_quality
    if quality is not None and quality < settings.min_jpeg_quality:
        signs.append(f"it is packed at JPEG quality {quality}")
    return tuple(signs)
