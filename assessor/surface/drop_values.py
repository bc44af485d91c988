"""What a photo shows of water drops: the frozen values between finding, judging and showing them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from assessor.surface.drop_shape import ContactAngle
from assessor.values import Evidence, FloatArray, freeze

# bead: stands up and bends light; flat: a wet film or a damp mark, which one photo from above can't tell apart.
PhotoShape = Literal["bead", "flat", "cannot-tell"]


@dataclass(frozen=True, eq=False)
class PhotoDrop:
    """One drop as a photo shows it, in the card frame.

    outline_mm (N, 2): edge of what is seen of the water. width_mm +- u_width_mm: diameter of a circle of the same
    area. angle: contact angle by volume and width, None where it can't be told. why: one sentence. evidence: what was
    seen.
    """

    centre_mm: tuple[float, float]
    outline_mm: FloatArray
    width_mm: float
    u_width_mm: float
    shape: PhotoShape
    why: str
    angle: ContactAngle | None
    evidence: tuple[Evidence, ...]

    def __post_init__(self) -> None:
        freeze(self.outline_mm)


@dataclass(frozen=True, eq=False)
class DropPhoto:
    """All drops that one photo shows. light_azimuth_deg: toward the lamp, None where the tabs tell of none."""

    photo_name: str
    drops: tuple[PhotoDrop, ...]
    light_azimuth_deg: float | None
    px_per_mm: float
    notes: tuple[str, ...] = ()
