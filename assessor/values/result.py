"""What is suggested, and everything made of one capture."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from assessor.values.arrays import Kind
from assessor.values.card import Adjustment, CardSighting, Lighting, Rectified, Tone, Torches
from assessor.values.estimate import Estimate
from assessor.values.photo import Photo
from assessor.values.surface import Surface
from assessor.values.texture import HeightMap, Quantity, SlopeMap, Texture


@dataclass(frozen=True, slots=True)
class TargetRange:
    """The grades the next product asks for, by the scale's own keys (low and high included)."""

    low: int
    high: int

    def __str__(self) -> str:
        return f"{self.low}-{self.high}"


@dataclass(frozen=True, slots=True)
class RangeVerdict:
    """What the suggestion says about a target range.

    call is one of: chip (ready for the chip), rework, shot (can't tell: take `next_shot`).
    """

    target: TargetRange
    p_short: float
    p_in_range: float
    p_over: float
    call: Literal["chip", "rework", "shot"]
    sentence: str
    next_shot: str | None


@dataclass(frozen=True, slots=True)
class Suggestion:
    """Probability per grade; never a grade. A person confirms against the chips.

    grades and probabilities run in scale order and sum to 1. set90: the grades that hold 90 %. abstained_because:
    a sentence where no grade may be named. narrows: the capture that would narrow the set, and why. typical_mm: Sq of a
    middling floor of each grade in the band that was weighed, empty where none was. weighed: the amplitude that was
    compared with the scale, None where there was none; area_mm: width and height it was taken over where the scale's
    chips ask for their own area, else None.
    """

    scale_name: str
    scale_edition: str
    scale_is_prior: bool
    grades: tuple[int, ...]
    probabilities: tuple[float, ...]
    set90: tuple[int, ...]
    best: int | None
    confidence: float
    abstained_because: str | None
    reasons: tuple[str, ...]
    narrows: str | None
    verdict: RangeVerdict | None = None
    flags: tuple[str, ...] = ()
    typical_mm: tuple[float, ...] = ()
    weighed: Quantity | None = None
    area_mm: tuple[float, float] | None = None


@dataclass(frozen=True, eq=False)
class CaptureResult:
    """Everything the pipeline made of one capture; summaries go to the record, arrays only to pictures.

    heights is None and estimate is set where the texture was estimated, not measured; lightings is then the light of
    each photo, None where it could not be read. surface: what shows beside the texture, None where nothing was judged.
    """

    kind: Kind
    photos: tuple[Photo, ...]
    sightings: tuple[CardSighting, ...]
    adjustment: Adjustment
    rectified: tuple[Rectified, ...]
    heights: HeightMap | None
    texture: Texture
    suggestion: Suggestion
    refused: tuple[Exception, ...]
    seconds: dict[str, float] = field(default_factory=dict)
    flags: tuple[str, ...] = ()
    lighting: Lighting | None = None
    tone: Tone | None = None
    torches: Torches | None = None
    slopes: SlopeMap | None = None
    dark_photo: str | None = None
    better_kind: str | None = None
    estimate: Estimate | None = None
    lightings: tuple[Lighting | None, ...] = ()
    surface: Surface | None = None
