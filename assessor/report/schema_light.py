"""The light and tone of a capture as they are stored in `assessment.json` (see `schema`)."""

from __future__ import annotations

from assessor.report.schema_base import Record


class LightRecord(Record):
    """One light that casts shadows, as the tabs' shadows tell it, seen from the window's centre."""

    azimuth_deg: float
    """Direction toward the light, degrees from the card's +x, counter-clockwise, 0-360."""
    u_azimuth_deg: float
    """Standard uncertainty of azimuth_deg."""
    elevation_deg: float
    """Height of the light above the card, degrees."""
    u_elevation_deg: float
    """Standard uncertainty of elevation_deg."""
    share: float
    """Its part of the light on level paper at the window's centre, 0-1."""
    u_share: float
    """Standard uncertainty of share."""
    softness_deg: float
    """Half angle of an evenly bright disc with the same shadows, degrees (the sun's is 0.27)."""
    u_softness_deg: float
    """Standard uncertainty of softness_deg."""
    position_mm: tuple[float, float, float] | None
    """Where a near lamp stands in the card frame, mm; null where it is too far to tell."""
    tabs_used: tuple[str, ...]
    """Names of the tabs whose shadows were read."""


class LightingRecord(Record):
    """The light of the capture."""

    lights: tuple[LightRecord, ...]
    """Lights that cast shadows, strongest first; empty where no direction could be seen."""
    diffuse_share: float | None
    """Part of the light that has no direction, 0-1; null where no light could be read."""
    moved_deg: float | None
    """Largest angle between a light as one photo shows it and as the others do, degrees."""
    method: str
    """How the lights were read, or why not."""
    sentence: str
    """The light in words."""


class PhotoToneRecord(Record):
    """How one photo's bytes turn into linear light, beside the sRGB curve."""

    photo: str
    """Name of the photo, or of the frame of a video."""
    brightness: float
    """The curve's first term beyond sRGB: the whole photo brighter or darker."""
    u_brightness: float
    """Standard uncertainty of brightness."""
    contrast: float
    """The curve's second term beyond sRGB: more or less contrast."""
    u_contrast: float
    """Standard uncertainty of contrast."""
    u_tone: float
    """Relative standard uncertainty that the curve leaves on reflectances of 0.2-0.5 of the paper's."""
    u_slope: float
    """Relative standard uncertainty of the curve's local slope, which heights from shading go with; 0: not asked."""


class ToneRecord(Record):
    """What the card's grey steps and paper say about how the phone wrote light."""

    photos: tuple[PhotoToneRecord, ...]
    """One curve per photo."""
    relit: float
    """Exponent by which the phone evened out light and dark parts; 0: not at all."""
    u_relit: float
    """Standard uncertainty of relit."""
    misfit: float
    """Relative rms by which the grey steps of the four sides differ from one curve."""
