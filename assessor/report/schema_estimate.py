"""What an estimate adds to `assessment.json` (see `schema`): the model, what it said, and the light of each photo."""

from __future__ import annotations

from typing import Literal

from assessor.report.schema_base import Record
from assessor.report.schema_light import LightingRecord


class SeenRecord(Record):
    """One photo that the model was shown."""

    photo: str
    """Name of the photo, or of the frame of a video."""
    lighting: LightingRecord | None
    """Its light as its own tabs' shadows tell it; null where they could not be read."""


class EstimateRecord(Record):
    """What a learned model says of the window; an estimate, never a measurement."""

    form: Literal["single", "pair"]
    """single: from one photo, or from several each by itself. pair: from two with the torch on different sides."""
    model: str
    """Name and digest of the model's weights."""
    sq_mm: float | None
    """Median of Sq in the band of the texture's quantity, mm; null where nothing is claimed."""
    half_width_octaves: float | None
    """Half of the 90 % interval of log2 Sq: 1 means from half of sq_mm to twice; null where nothing is claimed."""
    light_known: bool
    """Whether light read off the tabs went in; without it estimates are wider."""
    strangeness: float | None
    """How unlike everything the model was trained on the photo is, over the limit: above 1 nothing is claimed."""
    abstained: tuple[str, ...]
    """Codes of flags that say why nothing is claimed; empty where the estimate stands."""
    photos: tuple[SeenRecord, ...]
    """The photos that went in."""
