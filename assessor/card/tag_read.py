"""Read the tags in a photo, and say what they tell about where it belongs.

The QR codes are read by zxing-cpp in the photo as it is. Only where that finds none, and the card is known, the floor
round the card is laid flat and sharpened, and read again: that helps low photos and soft ones. On 120 rendered photos
(`scripts/judge_tags --compare`) OpenCV's two readers missed more and took several times as long. AprilTags would need
six markers for what a tag says, with cells no larger than the code's, and no phone reads them.

What a code says is believed only where `parse_tag` accepts it. A code that is seen but not understood is a sighting
too, so that a person hears of a dirty tag and not of a missing one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from assessor.card.layout import PAPERS_MM, Rectangle
from assessor.card.linear import grey_bytes
from assessor.card.plane import apply_homography
from assessor.card.strip_layout import STRIP_DESIGN, STRIP_PAPER
from assessor.card.tag import Tag, parse_tag
from assessor.errors import BadTag
from assessor.values import CardSighting, FloatArray, Photo

Said = Literal["tag", "none", "several", "other-job", "unreadable", "far"]


@dataclass(frozen=True, slots=True)
class TagSettings:
    """Where tags are looked for, with reasons."""

    max_off_card_mm: float = 120.0  # farther off lies the next spot's tag, or one that was left behind
    around_mm: float = 75.0  # laid flat round the sheet in the second try: a tag at any turn, and some slack
    flat_px_per_mm: float = 8.0  # a module of 1.1 mm is 9 pixels then
    sharpen: float = 3.0  # of the second try: gives back what soft focus took
    sharpen_mm: float = 0.75
    same_place_mm: float = 15.0  # codes nearer than this are one, read twice
    same_place_px: float = 60.0  # the same where the card is not known


@dataclass(frozen=True, slots=True)
class TagSighting:
    """One code in a photo. tag: None where it is none of ours or damaged; then `problem` says which.

    at_px: its middle. off_card_mm: how far its middle lies from the sheet's edge on the card plane, 0 on the sheet,
    None where the card is not known.
    """

    text: str
    tag: Tag | None
    problem: str
    at_px: tuple[float, float]
    off_card_mm: float | None = None


@dataclass(frozen=True, slots=True)
class TagOutcome:
    """What a photo's tags say of where it belongs: exactly one tag, or why not. sentence: the same for people."""

    said: Said
    tag: Tag | None
    sentence: str


def read_tags(
    photo: Photo, sighting: CardSighting | None = None, settings: TagSettings | None = None
) -> tuple[TagSighting, ...]:
    """Every code in a photo, nearest to the card first; each tag once. sighting: of the card, where it was found.

    Never raises: what cannot be read is a sighting without a tag, and no code at all is ().
    """
    settings = settings or TagSettings()
    grey = grey_bytes(photo.rgb_u8)
    whole = _codes(grey)
    # Lines of 12 megapixels hide a code that is half in shadow; the flat floor is cut close and sharpened.
    if sighting is not None and not any(code.good for code in whole):
        whole += _flat_codes(grey, sighting, settings)
    seen = [_sighting(code, sighting) for code in whole]
    seen.sort(key=lambda one: (one.tag is None, one.off_card_mm or 0.0, one.text))
    kept: list[TagSighting] = []
    for one in seen:
        same = (other for other in kept if _same(one, other, sighting, settings))
        if not any(same):
            kept.append(one)
    return tuple(sorted(kept, key=lambda one: one.off_card_mm or 0.0))


def judge_tags(
    sightings: Sequence[TagSighting], job_code: str | None = None, settings: TagSettings | None = None
) -> TagOutcome:
    """What the tags of one photo say; job_code: the job that is being filed, None where any will do."""
    settings = settings or TagSettings()
    near = [s for s in sightings if s.off_card_mm is None or s.off_card_mm <= settings.max_off_card_mm]
    tags = list(dict.fromkeys(s.tag for s in near if s.tag is not None))
    if len(tags) > 1:
        names = " and ".join(tag.name for tag in tags)
        return TagOutcome("several", None, f"Two tags lie beside the card: {names}. Leave only this spot's.")
    if tags:
        return _of_job(tags[0], job_code)
    if damaged := [s for s in near if s.problem and not s.text]:
        many = "A code lies" if len(damaged) == 1 else f"{len(damaged)} codes lie"
        return TagOutcome(
            "unreadable", None, f"{many} beside the card but cannot be read: dirty, bent or cut off."
        )
    if near:
        return TagOutcome("unreadable", None, f"No tag of ours beside the card: {near[0].problem}.")
    if far := [s for s in sightings if s.tag is not None]:
        off = f"{far[0].off_card_mm:.0f} mm"
        return TagOutcome("far", None, f"The only tag lies {off} from the card. Lay it at the card's edge.")
    return TagOutcome("none", None, "No tag lies beside the card.")


def _of_job(tag: Tag, job_code: str | None) -> TagOutcome:
    if job_code is not None and tag.job_code != job_code:
        sentence = f"The tag is of job {tag.job_code}, not of {job_code}: {tag.name}."
        return TagOutcome("other-job", tag, sentence)
    return TagOutcome("tag", tag, f"The tag says {tag.name}.")


@dataclass(frozen=True, slots=True)
class _Code:
    text: str
    good: bool
    at_px: tuple[float, float]


def _codes(grey_u8: NDArray[np.uint8]) -> list[_Code]:
    """QR codes in a grey image, those that could not be mended included."""
    formats: Any = zxingcpp.BarcodeFormat.QRCode
    found: Any = zxingcpp.read_barcodes(grey_u8, formats=formats, try_invert=False, return_errors=True)
    codes = []
    for one in found:
        corners = (
            one.position.top_left, one.position.top_right, one.position.bottom_right, one.position.bottom_left
        )  # fmt: skip
        middle = float(np.mean([c.x for c in corners])), float(np.mean([c.y for c in corners]))
        good = bool(one.valid)
        codes.append(_Code(one.text if good else "", good, middle))
    return codes


def _flat_codes(grey_u8: NDArray[np.uint8], sighting: CardSighting, settings: TagSettings) -> list[_Code]:
    """Codes on the card plane round the sheet, laid flat and sharpened; places in the photo's pixels."""
    sheet, scale = paper_area(sighting.design), settings.flat_px_per_mm
    left, top = sheet.x_min_mm - settings.around_mm, sheet.y_max_mm + settings.around_mm
    width = round((sheet.x_max_mm + settings.around_mm - left) * scale)
    height = round((top - sheet.y_min_mm + settings.around_mm) * scale)
    mm_from_flat = np.array(
        [[1 / scale, 0, left + 0.5 / scale], [0, -1 / scale, top - 0.5 / scale], [0, 0, 1.0]]
    )
    px_from_flat = sighting.px_from_mm @ mm_from_flat
    flat = cv2.warpPerspective(
        grey_u8, px_from_flat, (width, height), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    )
    soft = cv2.GaussianBlur(flat, (0, 0), settings.sharpen_mm * scale)
    sharp = np.asarray(cv2.addWeighted(flat, 1 + settings.sharpen, soft, -settings.sharpen, 0), np.uint8)
    codes = []
    for code in _codes(sharp):
        x, y = apply_homography(px_from_flat, np.array(code.at_px))
        codes.append(_Code(code.text, code.good, (float(x), float(y))))
    return codes


def paper_area(design: str) -> Rectangle:
    """The paper of a sheet of this design, A4 and Letter both, in the card frame."""
    if design == STRIP_DESIGN:
        return STRIP_PAPER
    width, height = (max(side) / 2 for side in zip(*PAPERS_MM.values(), strict=True))
    return Rectangle(-width, -height, width, height)


def _sighting(code: _Code, card: CardSighting | None) -> TagSighting:
    off = None if card is None else _off_card_mm(_mm_of(card, code.at_px), paper_area(card.design))
    if not code.good:
        return TagSighting("", None, "the code is damaged", code.at_px, off)
    try:
        return TagSighting(code.text, parse_tag(code.text), "", code.at_px, off)
    except BadTag as error:
        return TagSighting(code.text, None, error.found, code.at_px, off)


def _mm_of(card: CardSighting, at_px: tuple[float, float]) -> FloatArray:
    return np.asarray(apply_homography(np.linalg.inv(card.px_from_mm), np.array(at_px)))


def _off_card_mm(at_mm: FloatArray, sheet: Rectangle) -> float:
    x, y = float(at_mm[0]), float(at_mm[1])
    return float(
        np.hypot(
            max(sheet.x_min_mm - x, x - sheet.x_max_mm, 0.0), max(sheet.y_min_mm - y, y - sheet.y_max_mm, 0.0)
        )
    )


def _same(one: TagSighting, other: TagSighting, card: CardSighting | None, settings: TagSettings) -> bool:
    """Whether two sightings are of one code: the same tag, or the same place."""
    if one.tag is not None and one.tag == other.tag:
        return True
    if one.tag is not None and other.tag is not None:
        return False
    if card is None:
        return float(np.hypot(*np.subtract(one.at_px, other.at_px))) < settings.same_place_px
    apart = _mm_of(card, one.at_px) - _mm_of(card, other.at_px)
    return float(np.hypot(*apart)) < settings.same_place_mm
