"""What a torch capture adds to `assessment.json` (see `schema`): where the torch stood, and the slopes it showed."""

from __future__ import annotations

from assessor.report.schema_base import Record


class TorchRecord(Record):
    """The torch of one photo, from the tabs' shadows, seen from the window's centre."""

    photo: str
    """Name of the photo, or of the frame of a video."""
    azimuth_deg: float
    """Direction toward the torch, degrees from the card's +x, counter-clockwise, 0-360."""
    u_azimuth_deg: float
    """Standard uncertainty of azimuth_deg."""
    elevation_deg: float | None
    """Height of the torch above the card, degrees; null where no tab's shadow tells."""
    u_elevation_deg: float | None
    """Standard uncertainty of elevation_deg."""
    u_tan: float | None
    """Relative standard uncertainty of tan(elevation) of this torch by itself."""
    distance_mm: float | None
    """Distance of the torch from the window's centre, mm; null where the shadows can't tell."""
    share: float
    """The torch's part of the light on level paper there, 0-1."""
    u_share: float
    """Standard uncertainty of share."""
    tabs_used: tuple[str, ...]
    """Names of the tabs whose shadows were read."""


class TorchesRecord(Record):
    """Where the torch stood, photo by photo."""

    torches: tuple[TorchRecord, ...]
    """One per torch photo that was used."""
    u_tan_common: float | None
    """Relative standard uncertainty of tan(elevation) shared by all torches, which heights go with; null where no tab's
    shadow tells the elevation: then there are no millimetres."""
    dark_photo: str | None
    """Name of the photo without torch; null where there is none."""
    method: str
    """How the torches were read, or why not."""
    sentence: str
    """The same in words."""


class SlopesRecord(Record):
    """Summary of the slopes from shading; the maps themselves are in the picture only."""

    n_lights: int
    """Number of torch photos that entered."""
    confirmed: bool
    """True where two sets of lights measured the same slopes; false where noise is only modelled (four lights)."""
    torch_share: float | None
    """The torch's part of the light on level paper at the window's centre, 0-1, median of the photos."""
    shadowed: float
    """Share of samples left out as shadow or shine, 0-1."""
    residual: float | None
    """How far the photos miss a matt surface, relative rms."""
    valid_fraction: float
    """Share of the window where enough lights reach, 0-1."""
    spacing_mm: float
    """Grid spacing of the slopes, mm."""


class PassedRecord(Record):
    """What the height map passes of one wavelength."""

    wavelength_mm: float
    """Wavelength, mm."""
    amplitude: float | None
    """Amplitude passed, 0-1; null where the wavelength lies beyond what was worked out."""
    u_amplitude: float | None
    """Standard uncertainty of the amplitude passed."""
