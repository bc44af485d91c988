"""The stored form of an assessment: what `assessment.json` holds, field by field.

These models are the only way in and out of that file, and `assessor schema` prints them as JSON Schema. The
sentence under each field is its documentation there. Numbers that could not be determined are null, never 0.
Names and meanings never change within one `schema_version`; new fields may be added.
"""

from __future__ import annotations

from typing import Any, Literal

from assessor.report.schema_base import FINE_BAND, MAIN_BAND, BandRecord, FlagRecord, QuantityRecord, Record
from assessor.report.schema_estimate import EstimateRecord
from assessor.report.schema_heights import HeightsRecord
from assessor.report.schema_light import LightingRecord, ToneRecord
from assessor.report.schema_surface import SurfaceRecord
from assessor.report.schema_torch import SlopesRecord, TorchesRecord
from assessor.values import Kind

Origin = Literal["camera", "rendered", "mixed"]
Status = Literal["assessed", "refused", "failed"]


class RefusalRecord(Record):
    """A photo or capture that could not be used."""

    file: str | None
    """The photo's name, or null where the refusal concerns the whole capture."""
    code: str
    """Stable code."""
    sentence: str
    """What was found, its limit and what to do, in one sentence."""


class CardRecord(Record):
    """How the card was seen in one photo."""

    design: str
    """Card design read from the markers."""
    serial: int | None
    """Serial of the print, or null where its markers were hidden."""
    n_markers: int
    """Number of markers read."""
    px_per_mm: float
    """Pixels per millimetre on the card."""
    tilt_deg: float
    """Angle between the line of sight and straight down, degrees."""
    edge_width_px: float
    """Width of the card's black-white edges (10-90 %), pixels: the blur."""
    edge_width_mm: float
    """The same on the card, mm."""
    clipped_fraction: float
    """Share of burnt-out pixels on the card, 0-1."""
    light_gradient: float | None
    """Fall-off of light over the sheet: largest paper white over smallest, minus 1."""
    flags: tuple[FlagRecord, ...]
    """What to know about this photo."""


class PhotoRecord(Record):
    """One photo or video of the capture and what its file says."""

    file: str
    """Name of the photo, with its folder."""
    sha256: str
    """SHA-256 of the file's bytes."""
    used: bool
    """Whether the photo took part in the measurement or estimate."""
    for_shine: bool = False
    """Whether it was taken low toward the light, and so was only looked at for shine."""
    width_px: int | None
    """Width after turning upright, pixels; null where it could not be decoded."""
    height_px: int | None
    """Height after turning upright, pixels; null where it could not be decoded."""
    rendered: bool
    """True where the file says that it was rendered by a computer, not shot by a camera."""
    make: str | None
    """Camera maker as written in the file."""
    model: str | None
    """Camera model as written in the file."""
    focal_35mm: float | None
    """35 mm equivalent focal length as written in the file, mm."""
    exposure_s: float | None
    """Exposure time, seconds."""
    iso: float | None
    """Film speed."""
    flash_fired: bool | None
    """Whether the flash fired."""
    taken_at: str | None
    """Camera's local time, ISO 8601 without zone."""
    card: CardRecord | None
    """The card in this photo, or in a video's first frame used; null where it was not used."""
    n_frames: int | None = None
    """Frames taken from a video; null for a photo."""


class PrintRecord(Record):
    """Size of the print against the drawing."""

    measured_bars_mm: tuple[float, float] | None
    """Tape readings of the check bars, along and across, mm; null where nobody measured."""
    checked: bool
    """True where both bars were measured."""
    ratio_x: float
    """Printed over drawn length across the sheet, as given to the measurement."""
    ratio_y: float
    """Printed over drawn length along the sheet, as given to the measurement."""
    u_ratio_x: float
    """Relative standard uncertainty of ratio_x."""
    u_ratio_y: float
    """Relative standard uncertainty of ratio_y."""


class GeometryRecord(Record):
    """Cameras and sheet, fitted together."""

    rms_px: float
    """Reprojection residual of the marker corners, pixels."""
    rms_mm: float
    """The same on the card, mm."""
    focal_source: str
    """Where the focal length came from: exif or solved."""
    bow_mm: tuple[float, ...]
    """Bow of the sheet: terms a, b, c of z = a u^2 + b u v + c v^2 over half the sheet, mm."""
    ratio_x: float
    """Print ratio across the sheet after fitting."""
    ratio_y: float
    """Print ratio along the sheet after fitting."""
    u_gain: float | None
    """Relative standard uncertainty of heights from the geometry alone; null where one photo gives no heights."""
    camera_distances_mm: tuple[float, ...]
    """Distance of each camera from the window's centre, mm."""


class DirectionRecord(Record):
    """Lay of the texture."""

    lay_deg: float | None
    """0-180 degrees from the card's +x, counter-clockwise; null where the texture has none."""
    u_deg: float | None
    """Standard uncertainty, degrees."""
    strength: float | None
    """Strength of the direction, 0 (none) to 1."""


class TextureRecord(Record):
    """Texture parameters of the capture."""

    quantities: tuple[QuantityRecord, ...]
    """All numbers, each with its band and method."""
    direction: DirectionRecord
    """Which way the texture runs."""
    noise_floor_mm: float | None
    """Sq of the measurement's own noise in `noise_band`, mm."""
    noise_band: BandRecord
    """Band of the noise floor."""
    valid_fraction: float
    """Share of the evaluation area that could be measured, 0-1."""


class ChanceRecord(Record):
    """Probability of one grade."""

    grade: int
    """Grade by the scale's own key."""
    probability: float
    """Probability, 0-1."""
    typical_mm: float | None = None
    """Sq of a middling floor of this grade by the scale, mm, in the band that was weighed; null where none was."""


class VerdictRecord(Record):
    """What the suggestion says about the target range."""

    low: int
    """Lowest grade asked for."""
    high: int
    """Highest grade asked for."""
    p_short: float
    """Probability that the profile falls short of the range."""
    p_in_range: float
    """Probability that it lies in the range."""
    p_over: float
    """Probability that it is rougher than the range."""
    call: Literal["chip", "rework", "shot"]
    """chip: ready for the chip. rework. shot: can't tell, take `next_shot`."""
    sentence: str
    """The call in words."""
    next_shot: str | None
    """The capture that would settle it."""


class SuggestionRecord(Record):
    """Probability per grade: a suggestion until a person confirms it against the chips."""

    notice: str
    """Always says that a person must confirm against the chips."""
    chances: tuple[ChanceRecord, ...]
    """Probability per grade in scale order; they sum to 1."""
    set90: tuple[int, ...]
    """Grades that together hold at least 90 %."""
    best: int | None
    """Most probable grade, or null where none may be named."""
    confidence: float | None
    """Probability of the best grade."""
    abstained_because: str | None
    """Why no grade is named, or null."""
    reasons: tuple[str, ...]
    """What the suggestion rests on."""
    narrows: str | None
    """The capture that would narrow the set, and why."""
    verdict: VerdictRecord | None
    """Against the target range, where one was given."""
    weighed: QuantityRecord | None = None
    """The amplitude that was compared with the scale; null where there was none."""
    area_mm: tuple[float, float] | None = None
    """Width and height of the middle of the window that `weighed` was taken over, mm, where the scale's chips were seen
    through a smaller window and floors are compared over as large an area; else null: the texture's own area."""


class ScaleRecord(Record):
    """The grade scale that turned texture into probabilities."""

    name: str
    """Name of the scale."""
    edition: str
    """Chip set it stands for: ten-chip or nine-chip."""
    is_prior: bool
    """True for a shipped scale, which was never measured on chips."""
    origin: Literal["prior", "real", "rendered"]
    """prior: shipped. real: chips photographed for real. rendered: made from rendered photos."""
    chip_set: str
    """Which physical set was measured."""
    who: str
    """Who measured it."""
    date: str
    """When, or the version of the shipped table."""
    digest: str
    """SHA-256 over the whole scale."""


class CaptureRecord(Record):
    """One capture (the photos of one spot at one time) and what was made of it."""

    schema_version: Literal["assessment-4"] = "assessment-4"
    """Version of this format."""
    assessor_version: str
    """Version of the program."""
    assessed_at_utc: str
    """When, ISO 8601, UTC."""
    key: str
    """SHA-256 over photos, settings, bars, range, scale and version; the same key means the same result."""
    settings_digest: str
    """SHA-256 over all stage settings."""
    scale: ScaleRecord
    """Grade scale used."""
    target_range: tuple[int, int] | None
    """Grades asked for, low and high, or null."""
    capture: str
    """Name of the capture; also its folder."""
    why_grouped: str
    """Why these photos were taken as one capture."""
    status: Status
    """assessed, refused (the photos can't be measured) or failed (our own error)."""
    origin: Origin
    """camera, rendered (made by a computer) or mixed; rendered results say nothing about a real floor."""
    kind: Kind | None
    """Kind of capture as seen from the photos or asked for; null where there is no result. single: estimated from one
    photo, or from several each by itself. angles, torch: measured, but torch with `estimate` set is the pair of photos
    that only estimates. fused: angles and torch."""
    better_kind: str | None = None
    """The capture kind that would serve this spot better, and why, in one sentence; null where none would."""
    print: PrintRecord
    """Size of the print."""
    photos: tuple[PhotoRecord, ...]
    """All photos of the capture, used or not."""
    refused: tuple[RefusalRecord, ...]
    """Photos that were not used, and last the capture itself where it was refused."""
    failure: str | None
    """One sentence where our own error stopped this capture."""
    geometry: GeometryRecord | None
    """Cameras and sheet."""
    lighting: LightingRecord | None = None
    """Where the standing light of photos from several sides came from; null for torch alone or where not measured."""
    torches: TorchesRecord | None = None
    """Where the torch stood; null where none was used."""
    slopes: SlopesRecord | None = None
    """Slopes under the torch; null where none was used."""
    tone: ToneRecord | None = None
    """How the phone wrote light; null where nothing was measured."""
    estimate: EstimateRecord | None = None
    """What a learned model says of photos too few to measure; null where the capture was measured."""
    heights: HeightsRecord | None
    """Summary of the height map; null where the texture was only estimated."""
    texture: TextureRecord | None
    """Texture parameters."""
    suggestion: SuggestionRecord | None
    """Probability per grade."""
    surface: SurfaceRecord | None = None
    """What lies on the floor and shows in it, patches and aggregate; null where nothing was judged."""
    flags: tuple[FlagRecord, ...]
    """What a reviewer should know about the capture."""
    seconds: dict[str, float]
    """Time spent per stage, seconds."""

    def quantity(self, name: str) -> QuantityRecord | None:
        """Return `name` as measured in the band that all kinds share (2.5-25 mm), else in another but the fine."""
        every = self.texture.quantities if self.texture else ()
        found = [q for q in every if q.name == name and not q.estimated]
        coarse = [q for q in found if q.band != FINE_BAND]
        return next((q for q in coarse if q.band == MAIN_BAND), coarse[0] if coarse else None)

    def estimated(self, name: str) -> QuantityRecord | None:
        """Return `name` as estimated, or None."""
        found = self.texture.quantities if self.texture else ()
        return next((q for q in found if q.name == name and q.estimated), None)

    def fine(self, name: str) -> QuantityRecord | None:
        """Return `name` in the torch's fine band (0.5-8 mm), or None."""
        found = self.texture.quantities if self.texture else ()
        return next((q for q in found if q.name == name and q.band == FINE_BAND), None)


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of `assessment.json`."""
    schema = CaptureRecord.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
