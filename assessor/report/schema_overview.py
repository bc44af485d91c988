"""What `overview.json` holds: one zone from standing height. Field names and meanings are stable within a version."""

from __future__ import annotations

from typing import Literal

from assessor.report.schema import Origin
from assessor.report.schema_base import FlagRecord, Record
from assessor.report.schema_surface import SurfaceRecord
from assessor.values.overview import LayState, StripKind


class SheetRecord(Record):
    """One sheet on the floor."""

    name: str
    """Its number, or `card` for the window card."""
    x_mm: float
    """Its marker's centre (the card's window's), in the frame of the sheet named in `origin`, mm."""
    y_mm: float
    """The same, upward."""
    turn_deg: float
    """Turn against the origin's sheet, counter-clockwise."""
    u_mm: float
    """Standard uncertainty of x and of y, print included."""
    u_turn_deg: float
    """Standard uncertainty of the turn."""
    photos: int
    """In how many photos it was read."""


class OverviewPhotoRecord(Record):
    """One photo given."""

    name: str
    """File name with folder."""
    used: bool
    """Whether it is part of the result."""
    rms_px: float | None
    """Residual of its sheets' corners, pixels; null where it was not used."""
    why: str | None
    """Where it was not used: what was found and what to do."""
    code: str | None
    """Code of that error."""


class GapRecord(Record):
    """A part of the zone that no photo shows well enough."""

    number: int
    """Number on the picture."""
    area_m2: float
    """Its area."""
    centre_m: tuple[float, float]
    """Middle of its box from the zone's corner: to the right, up; metres."""
    size_m: tuple[float, float]
    """Sides of its box."""
    outline_mm: tuple[tuple[float, float], ...]
    """Its outline in the frame of `origin`, mm."""


class CoverageRecord(Record):
    """What was seen."""

    covered_m2: float
    """Floor seen with enough pixels per mm, sheets left out; of the zone where its size was given."""
    u_covered_m2: float
    """Standard uncertainty of covered_m2."""
    zone_m2: float | None
    """The zone's area as given; null where no size was given."""
    share: float | None
    """Share of the zone (less what lies under sheets) that was seen, 0-1; null where no size was given."""
    u_share: float | None
    """Standard uncertainty of share."""
    gaps: tuple[GapRecord, ...]
    """Parts of the zone not seen, largest first; empty too where no size was given."""
    method: str
    """How it was told."""


class SpreadRecord(Record):
    """Robust spread between blocks."""

    value: float | None
    """Relative standard deviation; null where it can't be told."""
    u: float | None
    """Its standard uncertainty."""
    chance: float | None
    """What blocks of an even floor would scatter by."""
    blocks: int
    """Blocks judged."""
    why: str
    """Why nothing is told; empty where it is."""
    method: str
    """How it was computed."""


class EvennessRecord(Record):
    """Level and texture block by block. No height is measured here."""

    block_mm: float
    """Side of a block."""
    level: SpreadRecord
    """Spread of the blocks' reflectance."""
    contrast: SpreadRecord
    """Spread of the contrast of the texture's waves of 12-50 mm."""


class StripRecord(Record):
    """A straight strip that differs from the floor around it: told by colour and texture, not by height."""

    number: int
    """Number on the picture."""
    kind: StripKind
    """less-worked, lane-gap (narrow), worked-twice, or unclear (colour only)."""
    start_m: tuple[float, float]
    """One end of its middle line from the zone's corner (where no size was given, from the origin): right, up; m."""
    end_m: tuple[float, float]
    """The other end."""
    length_m: float
    """Length."""
    u_length_m: float
    """Its standard uncertainty."""
    width_m: float
    """Width."""
    u_width_m: float
    """Its standard uncertainty."""
    level: float
    """Natural log of its reflectance over that beside it."""
    u_level: float
    """Its standard uncertainty."""
    contrast: float
    """The same of its texture's contrast."""
    u_contrast: float
    """Its standard uncertainty."""


class LayRecord(Record):
    """Whether the texture runs one way or is crossed."""

    state: LayState
    """one-way, crossed, none (no direction shows), or cannot-tell."""
    one_way: float | None
    """Share of the judged floor whose lines run one way, 0-1."""
    crossed: float | None
    """Share with lines both ways."""
    none: float | None
    """Share where no lines show; light along the lines hides them."""
    u_share: float | None
    """Standard uncertainty of these shares."""
    judged_share: float
    """Share of the mosaic that could be judged."""
    direction_deg: float | None
    """Direction of what runs one way, 0-180 from the origin's +x."""
    matters: bool | None
    """Whether crossed passes are wanted after this process (scarifying only); null where it was not given."""
    why: str
    """Why nothing is told; empty where it is."""
    method: str
    """How it was told."""


class OverviewRecord(Record):
    """One zone from standing-height photos: suspicions to look at, no measurement of height and no grade."""

    schema_version: Literal["overview-1"] = "overview-1"
    """Version of this format."""
    notice: str
    """Always says what no patch found does not mean."""
    assessor_version: str
    """Version of the program."""
    assessed_at_utc: str
    """When."""
    settings_digest: str
    """SHA-256 over all settings."""
    origin_of_photos: Origin
    """Whether a camera took the photos or a program made them."""
    bars_checked: bool
    """Whether the sheets' check bars were measured with a tape."""
    process: str | None
    """Process as given."""
    zone_size_m: tuple[float, float] | None
    """Size as given: along the lowest sheet's bottom edge, and up from it."""
    origin: str
    """The sheet whose frame all places are in; its paper's lower left corner is the zone's corner, by rule."""
    photos: tuple[OverviewPhotoRecord, ...]
    """All photos given, those not used with why."""
    sheets: tuple[SheetRecord, ...]
    """Sheets placed."""
    rms_px: float
    """Residual of all corners in the joint fit."""
    px_per_mm: float
    """Density of the mosaic."""
    light: str
    """What the paper says of the light, in words."""
    u_level: float
    """Relative standard uncertainty that the light leaves on a block's level."""
    coverage: CoverageRecord
    """What was seen."""
    evenness: EvennessRecord
    """How even it is."""
    strips: tuple[StripRecord, ...]
    """Strips, longest first."""
    strips_why: str
    """Why no strip can be told; empty where they can."""
    lay: LayRecord
    """One way or crossed."""
    surface: SurfaceRecord | None
    """Patches; null where no finder was asked."""
    seconds: dict[str, float]
    """Wall seconds by stage."""
    flags: tuple[FlagRecord, ...]
    """What a reviewer should know."""
