"""The height map of a capture as it is stored in `assessment.json` (see `schema`)."""

from __future__ import annotations

from assessor.report.schema_base import Record
from assessor.report.schema_torch import PassedRecord


class TransferRecord(Record):
    """Share of each wavelength's amplitude that the height map passes."""

    wavelength_mm: tuple[float, ...]
    """Wavelengths, mm."""
    amplitude: tuple[float | None, ...]
    """Amplitude passed, 0-1."""
    u_amplitude: tuple[float | None, ...]
    """Standard uncertainty of the amplitude passed."""
    method: str
    """How it was found."""


class HeightsRecord(Record):
    """Summary of the height map; the map itself is in the picture only."""

    spacing_mm: float
    """Grid spacing, mm."""
    rows: int
    """Number of rows of the map."""
    cols: int
    """Number of columns of the map."""
    valid_fraction: float
    """Share of the window that could be measured, 0-1."""
    shortest_trusted_mm: float
    """Shortest wavelength that may be trusted, mm."""
    agreement: float | None
    """Median correlation of the views."""
    u_scale: float
    """Relative standard uncertainty of every height from print scale and geometry."""
    method: str
    """How the heights were found."""
    transfer: TransferRecord
    """Share of each wavelength that the map passes."""
    passed: tuple[PassedRecord, ...] = ()
    """The same at 0.5, 1 and 2 mm."""
