"""The base of all stored records, and those that stand in many of them."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict


class Record(BaseModel):
    """Base of all stored records: frozen, sentences under fields become descriptions."""

    model_config = ConfigDict(frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)


class BandRecord(Record):
    """Wavelengths kept: Gaussian S-filter to Gaussian L-filter (ISO 16610-61)."""

    short_mm: float
    """Shortest wavelength kept, mm."""
    long_mm: float
    """Longest wavelength kept, mm."""


MAIN_BAND = BandRecord(short_mm=2.5, long_mm=25.0)
FINE_BAND = BandRecord(short_mm=0.5, long_mm=8.0)


class QuantityRecord(Record):
    """One measured number with its 90 % interval, method and band."""

    name: str
    """Symbol of the standard named in `method`, such as Sq, Sa or MPD."""
    value: float | None
    """Best value; with bound `upper` it repeats `high90`."""
    u: float | None
    """Standard uncertainty, same unit as the value."""
    low90: float | None
    """Lower end of the 90 % interval; no claim where bound is `upper`."""
    high90: float | None
    """Upper end of the 90 % interval, or the upper bound."""
    unit: str
    """Unit of value, u, low90 and high90; empty for a pure number."""
    bound: Literal["value", "upper"]
    """`value`: measured. `upper`: noise buries it, so only "at most high90" is claimed."""
    band: BandRecord
    """Wavelengths that enter this number; numbers of different bands must not be compared."""
    spacing_mm: float
    """Grid spacing of the heights, mm."""
    method: str
    """How it was computed, with the standard."""
    estimated: bool = False
    """True where a learned model guessed it from too few photos to measure: never to be read as a measurement."""


class FlagRecord(Record):
    """Something a reviewer should know about a photo or capture that was still usable."""

    code: str
    """Stable code."""
    sentence: str
    """What was seen."""
    remedy: str
    """What to do about it next time."""
