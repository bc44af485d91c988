"""A zone seen from standing height: sheets on its floor, what is covered, how even it is, strips, texture direction.

All places are in the frame of the lowest-numbered sheet that could be placed: origin at its marker's centre, +x to the
right as one reads its number, +y to its top, mm. Where there are no zone sheets it is the window card's frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from assessor.values.arrays import BoolArray, FloatArray, freeze
from assessor.values.card import Camera
from assessor.values.surface import FloorImage, Patches

StripKind = Literal["less-worked", "lane-gap", "worked-twice", "unclear"]
LayState = Literal["one-way", "crossed", "none", "cannot-tell"]


@dataclass(frozen=True, eq=False)
class SheetsSighting:
    """Markers of zone sheets and of the window card in one photo.

    names (M): "1"-"24" or "card", one a marker. corners_mm (M, 4, 2) in the own frame of each marker's sheet, with the
    print's scale; corners_px (M, 4, 2); corner_sd_px (M, 4). focal_px: from Exif where focal_known, else usual.
    edge_width_px: 10-90 % width of the markers' edges (blur), NaN if unknown.
    """

    photo_name: str
    size_px: tuple[int, int]
    names: tuple[str, ...]
    corners_mm: FloatArray
    corners_px: FloatArray
    corner_sd_px: FloatArray
    focal_px: float
    focal_known: bool
    edge_width_px: float = float("nan")

    def __post_init__(self) -> None:
        for array in (self.corners_mm, self.corners_px, self.corner_sd_px):
            freeze(array)


@dataclass(frozen=True, slots=True)
class SheetPlace:
    """Where one sheet lies: its frame's origin and turn (counter-clockwise), with standard uncertainties.

    u_mm is that of either coordinate against the origin's sheet, print scale included.
    """

    name: str
    x_mm: float
    y_mm: float
    turn_deg: float
    u_mm: float
    u_turn_deg: float
    n_photos: int


@dataclass(frozen=True, eq=False)
class ZoneFit:
    """Cameras and sheets of a zone, fitted together. rms_px: residual of all corners; rms_of_photo_px runs as cameras.

    u_scale: relative standard uncertainty of all lengths (print). focal_source: exif or solved.
    """

    cameras: tuple[Camera, ...]
    sizes_px: tuple[tuple[int, int], ...]
    sheets: tuple[SheetPlace, ...]
    origin: str
    rms_px: float
    rms_of_photo_px: tuple[float, ...]
    u_scale: float
    focal_source: str
    method: str


@dataclass(frozen=True, slots=True)
class ZoneArea:
    """The zone as a person gave it: its lower left corner (in the floor's frame), and both sides, mm."""

    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float


@dataclass(frozen=True, eq=False)
class ZoneLightFit:
    """What the paper says of the light: u_level is the relative standard uncertainty it leaves on a block's level.

    uneven: largest over smallest light on the covered floor, less 1. can_tell_level: False where too few sheets say
    how the light runs, with `why`. method in words.
    """

    u_level: float
    uneven: float
    n_sheets: int
    can_tell_level: bool
    why: str
    method: str


@dataclass(frozen=True, eq=False)
class Mosaic:
    """The floor of a zone in plan, from all photos. source (h, w) int16: each coarse cell's photo, -1 none.

    finest (h, w) float32: smallest px per mm of that photo in the cell; cells of `cell_mm`, edges as `image`'s.
    hidden (H, W): under sheets. shadow (h, w): where a photo darker than another there was left out.
    """

    image: FloorImage
    hidden: BoolArray
    source: NDArray[np.int16]
    finest: FloatArray
    shadow: BoolArray
    cell_mm: float
    light: ZoneLightFit

    def __post_init__(self) -> None:
        for array in (self.hidden, self.source, self.finest, self.shadow):
            freeze(array)


@dataclass(frozen=True, eq=False)
class Gap:
    """A part of the zone that no photo shows well enough: outline (N, 2) mm, area, and its box's sides in m."""

    outline_mm: FloatArray
    area_m2: float
    centre_mm: tuple[float, float]
    size_m: tuple[float, float]

    def __post_init__(self) -> None:
        freeze(self.outline_mm)


@dataclass(frozen=True, eq=False)
class Coverage:
    """What was seen: all covered floor, and of the zone where its size was given (share, else None).

    u_covered_m2: standard uncertainty from print scale and places.
    """

    covered_m2: float
    u_covered_m2: float
    hidden_m2: float
    zone_m2: float | None
    share: float | None
    u_share: float | None
    gaps: tuple[Gap, ...]
    method: str


@dataclass(frozen=True, slots=True)
class Spread:
    """Robust spread of one feature over the zone's blocks: relative standard deviation with its standard uncertainty.

    chance: what blocks of one even floor would scatter by. None where it cannot be told; `why` says why.
    """

    value: float | None
    u: float | None
    chance: float | None
    n_blocks: int
    why: str
    method: str


@dataclass(frozen=True, eq=False)
class Evenness:
    """Blocks of `block_mm` over the mosaic, row 0 at y_max_mm. NaN where too little of a block was seen.

    level (h, w): natural log of the block's reflectance over the zone's middle; contrast: the same of its texture's
    contrast; direction_deg (h, w): the texture's lines, 0-180 from +x; strength (h, w): 0 none, 1 all one way.
    """

    block_mm: float
    x_min_mm: float
    y_max_mm: float
    level: FloatArray
    contrast: FloatArray
    direction_deg: FloatArray
    strength: FloatArray
    level_spread: Spread
    contrast_spread: Spread

    def __post_init__(self) -> None:
        for array in (self.level, self.contrast, self.direction_deg, self.strength):
            freeze(array)


@dataclass(frozen=True, slots=True)
class Strip:
    """A straight strip that differs from the floor around it. Lengths in m; level and contrast as in `Evenness`.

    kind: less-worked (old skin may be left), lane-gap (the same, narrow), worked-twice, unclear (other colour only).
    """

    kind: StripKind
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    length_m: float
    u_length_m: float
    width_m: float
    u_width_m: float
    direction_deg: float
    level: float
    u_level: float
    contrast: float
    u_contrast: float


@dataclass(frozen=True, slots=True)
class Lay:
    """Share of the judged floor whose texture runs one way, is crossed, or shows no direction.

    judged_share: of the blocks. direction_deg: of what runs one way, 0-180 from +x. matters: whether the process asks
    for crossed passes (True after scarifying, False after others, None not told).
    """

    state: LayState
    one_way: float | None
    crossed: float | None
    none: float | None
    u_share: float | None
    judged_share: float
    direction_deg: float | None
    matters: bool | None
    why: str
    method: str


@dataclass(frozen=True, eq=False)
class Overview:
    """All that standing-height photos of one zone say. patches: None where there is no model to look for them.

    seconds: by stage; names of photos used, in order of the fit's cameras.
    """

    fit: ZoneFit
    mosaic: Mosaic
    zone: ZoneArea | None
    coverage: Coverage
    evenness: Evenness
    strips: tuple[Strip, ...]
    strips_why: str
    lay: Lay
    patches: Patches | None
    seconds: tuple[tuple[str, float], ...]
    flags: tuple[str, ...] = ()
