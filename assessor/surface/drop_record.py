"""A crew's timed record of water drops, read from TOML and checked; `example_record` is one to copy.

Two drops a spot: one on the floor as it is, one on a freshly abraded place beside it (the control).
"""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from assessor.errors import BadDrops
from assessor.tables.counts import count_needed
from assessor.tables.loader import Text, describe_invalid

Seen = Literal["bead", "film", "odd-shape", "colour"]
Place = Literal["left", "right", "top", "bottom", "middle"]
Seconds = Annotated[float, Field(gt=0, le=24 * 3600)]
EXAMPLE = "water_drops_example.toml"
_STRICT = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True)
class DropEntry:
    """One drop: where, how long until it was absorbed (or how long it was watched in vain), what the eye saw.

    control: on a freshly abraded place beside the spot. seen: how it stood at first. photo: file taken at the end;
    photo_before: of the same window before the drops, the card not moved; at: where in the window the drop lies.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    spot: Text
    control: bool = False
    seconds_to_absorb: Seconds | None = None
    not_absorbed_after_s: Seconds | None = None
    seen: tuple[Seen, ...] = ()
    photo: Text | None = None
    photo_before: Text | None = None
    at: Place | None = None

    @property
    def name(self) -> str:
        """The drop in words: its spot, and whether it is the control."""
        return f"{self.spot} control" if self.control else self.spot


@dataclass(frozen=True, slots=True)
class DropRecord:
    """All drops of one round on one floor. slab_temperature_c, drop_volume_ml, floor_area_m2: None where not known.

    measured_bars_mm: tape readings of the card's check bars, along, then across.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    record: Literal["water-drops"]
    version: Literal[1]
    job: Text
    who: Text
    when: datetime
    how_dropped: Text
    drop: Annotated[tuple[DropEntry, ...], Field(min_length=1)]
    slab_temperature_c: Annotated[float, Field(ge=-20, le=70)] | None = None
    slab_temperature_f: Annotated[float, Field(ge=-4, le=158)] | None = None
    drop_volume_ml: Annotated[float, Field(ge=0.005, le=2.0)] | None = None
    floor_area_m2: Annotated[float, Field(gt=0, le=1e6)] | None = None
    water_allowed: bool | None = None
    measured_bars_mm: tuple[float, float] | None = None

    @property
    def temperature_c(self) -> float | None:
        """Temperature of the slab in degrees Celsius, None where not measured."""
        if self.slab_temperature_f is not None:
            return (self.slab_temperature_f - 32) / 1.8
        return self.slab_temperature_c

    @property
    def spots(self) -> tuple[str, ...]:
        """Names of the spots, in order."""
        return tuple(dict.fromkeys(drop.spot for drop in self.drop))

    @property
    def photos(self) -> tuple[str, ...]:
        """Names of the photo files, each once, in order."""
        return tuple(dict.fromkeys(drop.photo for drop in self.drop if drop.photo is not None))


def example_record() -> str:
    """The text of an invented record to copy; it can be read by `parse_record`."""
    return files("assessor.tables").joinpath(EXAMPLE).read_text(encoding="utf-8")


def parse_record(text: str, *, file: str) -> DropRecord:
    """Read and check a record given as TOML text; raises BadDrops with the file and the row."""
    try:
        record = TypeAdapter(DropRecord).validate_python(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise BadDrops(f"the record is not valid TOML ({error})", file=file) from error
    except ValidationError as error:
        raise BadDrops(describe_invalid(error), file=file) from error
    if record.slab_temperature_c is not None and record.slab_temperature_f is not None:
        raise BadDrops("give slab_temperature_c or slab_temperature_f, not both", file=file)
    for number, drop in enumerate(record.drop, 1):
        if (drop.seconds_to_absorb is None) == (drop.not_absorbed_after_s is None):
            _fail(file, number, f"'{drop.name}' needs seconds_to_absorb or not_absorbed_after_s, one of them")
        if {"bead", "film"} <= set(drop.seen):
            _fail(file, number, f"'{drop.name}' was seen as both bead and film")
        if drop.photo is None and (drop.at is not None or drop.photo_before is not None):
            _fail(file, number, f"'{drop.name}' says at or photo_before but names no photo")
    for photo in record.photos:
        before = {drop.photo_before for drop in record.drop if drop.photo == photo} - {None}
        if len(before) > 1:
            raise BadDrops(f"two photos before are named for '{photo}': give one", file=file)
    for name, count in Counter(drop.name for drop in record.drop).items():
        if count > 1:
            raise BadDrops(
                f"there are {count} drops '{name}': give each its own spot name, at most one control each",
                file=file,
            )
    return record


def before_of(record: DropRecord, photo: str) -> str | None:
    """The photo taken before the drops that goes with one taken at the end, None where there is none."""
    return next(
        (drop.photo_before for drop in record.drop if drop.photo == photo and drop.photo_before), None
    )


def drops_needed(area_m2: float) -> int:
    """Spots that ASTM F3191 asks for on an area: 3 in the first 2,000 ft2, then one in each further 3,000 ft2.

    A part of 3,000 ft2 counts whole. ValueError unless area_m2 > 0.
    """
    return count_needed("water-drops", area_m2)


def _fail(file: str, number: int, found: str) -> None:
    raise BadDrops(f"row {number} of [[drop]]: {found}", file=file)
