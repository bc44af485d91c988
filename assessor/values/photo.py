"""One decoded photo and what its file says about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.values.arrays import U8Array, freeze


@dataclass(frozen=True, slots=True)
class Exif:
    """What the camera wrote into the file; None where it wrote nothing.

    `focal_35mm` is the 35 mm equivalent focal length (Exif 2.32 tag FocalLengthIn35mmFilm), mm.
    `taken_at` is the camera's local time as ISO 8601 without zone. `custom_rendered`, `file_source` and `software`
    are the tags of these names; `size_px` (long, short side) is what the camera wrote as the picture's size.
    """

    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    digital_zoom_ratio: float | None = None
    exposure_s: float | None = None
    iso: float | None = None
    f_number: float | None = None
    flash_fired: bool | None = None
    taken_at: str | None = None
    software: str | None = None
    custom_rendered: int | None = None
    file_source: int | None = None
    size_px: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class FileFacts:
    """What a photo's file shows, beside its Exif, of how it was made and sent.

    jpeg_quality: 1-100 on the usual scale of the example tables of ITU-T T.81 annex K, None for other formats.
    marks: how the file's own notes say it was made ("portrait blur", "panorama", "document scan").
    """

    jpeg_quality: int | None = None
    marks: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Photo:
    """One decoded photo: upright, sRGB bytes, (H, W, 3) uint8 in R, G, B order."""

    name: str
    rgb_u8: U8Array
    exif: Exif
    sha256: str
    file: FileFacts = FileFacts()

    def __post_init__(self) -> None:
        if self.rgb_u8.dtype != np.uint8 or self.rgb_u8.ndim != 3 or self.rgb_u8.shape[2] != 3:
            raise ValueError("rgb_u8 must be (H, W, 3) uint8")
        freeze(self.rgb_u8)

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) in pixels."""
        return self.rgb_u8.shape[1], self.rgb_u8.shape[0]
