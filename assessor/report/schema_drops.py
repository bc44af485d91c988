"""The stored form of a round of water drops: what `drops.json` holds, field by field."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from assessor.report.schema_base import Record


class AngleRecord(Record):
    """Contact angle of a standing drop, by its volume and width."""

    deg: float
    """By the shape of a drop under its own weight (Young-Laplace), degrees."""
    u_deg: float
    """Standard uncertainty, degrees."""
    cap_deg: float
    """The same by a spherical cap, which leaves the drop's weight out and reads too low."""


class SeenRecord(Record):
    """One thing seen of a drop in a photo."""

    name: str
    """Stable name."""
    value: float
    """Value; its unit stands in `words`."""
    u: float | None
    """Standard uncertainty, null where not known."""
    words: str
    """What it is."""


class PhotoDropRecord(Record):
    """One drop, or what looks like one, in a photo; places in mm from the window's middle (x right, y up)."""

    x_mm: float
    """Middle, x."""
    y_mm: float
    """Middle, y."""
    width_mm: float
    """Diameter of a circle of the same area, as seen from above, mm."""
    u_width_mm: float
    """Standard uncertainty, mm."""
    shape: Literal["bead", "flat", "cannot-tell"]
    """bead: stands up. flat: a film or a damp mark, which a photo from above can't tell apart."""
    why: str
    """The reason in words."""
    angle: AngleRecord | None
    """Null where it can't be told."""
    evidence: list[SeenRecord]
    """What was seen."""
    matched: str | None
    """The drop of the record it was taken for, null where none."""
    outline_mm: list[tuple[float, float]]
    """Closed outline."""


class DropPhotoRecord(Record):
    """One photo taken at the end."""

    file: str
    """Name as the record gives it."""
    sha256: str
    """Digest of the file; empty where it could not be read."""
    rendered: bool
    """True where a computer made it: no real floor."""
    refused: str | None
    """Why it could not be used, null where it was."""
    before: str | None = None
    """Photo of the same window before the drops, null where there is none."""
    before_refused: str | None = None
    """Why that one could not be used, null where it was or where there is none."""
    px_per_mm: float | None
    """Pixels per mm on the card."""
    light_azimuth_deg: float | None
    """Direction toward the strongest light, counter-clockwise from the sheet's right; null where not known."""
    picture: str | None
    """File name of the picture beside this file."""
    drops: list[PhotoDropRecord]
    """All that was found."""
    unmatched: dict[str, str]
    """Drops of the record that are not told in this photo, with the reason."""
    notes: list[str]
    """What to mind."""


class DropRowRecord(Record):
    """What one drop tells. Nothing here ever says that a floor is free of contamination."""

    spot: str
    """Name of the spot."""
    control: bool
    """True: on a freshly abraded place beside the spot."""
    seconds_to_absorb: float | None
    """As timed."""
    not_absorbed_after_s: float | None
    """As watched in vain."""
    seen: list[str]
    """As the eye saw it: bead, film, odd-shape, colour."""
    porosity: Literal["porous", "dense", "cannot-tell"]
    """By time alone; says nothing of contamination."""
    porosity_why: str
    """The reason in words."""
    shape: Literal["bead", "film", "cannot-tell"]
    """By eye and photo."""
    shape_why: str
    """The reason in words."""
    repels: Literal["repels", "none-found", "cannot-tell"] | None
    """Against the control; null for a control. none-found: the drop behaved as its control, and no more than that."""
    repels_why: str
    """The reason in words."""
    next_step: str
    """What to do."""


class DropsRecord(Record):
    """A round of water drops on one floor."""

    schema_version: Literal["drops-1"] = "drops-1"
    """Version of this layout."""
    assessor_version: str
    """Version of the program."""
    made_at_utc: str
    """When this file was made."""
    record_file: str
    """The crew's record."""
    record_sha256: str
    """Its digest."""
    job: str
    """The job in the crew's words."""
    who: str
    """Who dropped."""
    when: datetime
    """When, local time."""
    slab_temperature_c: float | None
    """Of the floor, degrees Celsius."""
    drop_volume_ml: float | None
    """Of one drop, mL."""
    how_dropped: str
    """In the crew's words."""
    area_m2: float | None
    """Of the floor that the drops stand for."""
    water_allowed: bool | None
    """Whether the data sheet allows water, as the record says."""
    spots_tested: int
    """Spots with a drop that is no control."""
    spots_needed: int | None
    """By ASTM F3191 as told in trade literature; null where the area is not known."""
    count_words: str
    """The same in words."""
    drops: list[DropRowRecord]
    """One row a drop, in the record's order."""
    photos: list[DropPhotoRecord]
    """Photos taken at the end."""
    notes: list[str]
    """What to mind of this round."""
    cautions: list[str]
    """What can hurt someone or the floor."""
    limits: list[str]
    """What water drops can't tell."""

    @property
    def rendered(self) -> bool:
        """Whether any photo was made by a computer."""
        return any(photo.rendered for photo in self.photos)
