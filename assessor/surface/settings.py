"""Settings of everything that is judged beside texture."""

from __future__ import annotations

from dataclasses import dataclass, field

from assessor.surface.aggregate import AggregateSettings
from assessor.surface.gloss import GlossSettings
from assessor.surface.patches import PatchSettings


@dataclass(frozen=True, slots=True)
class SurfaceSettings:
    """By stage. floor: "dry" or "damp" as a person said, "" where nobody did. least_sides: photos that show shine."""

    patches: PatchSettings = field(default_factory=PatchSettings)
    gloss: GlossSettings = field(default_factory=GlossSettings)
    aggregate: AggregateSettings = field(default_factory=AggregateSettings)
    floor: str = ""
    least_sides: int = 4
    # Ratio of two photos in the same light, blurred over 5 mm: 0.02-0.04 in rendered ones; a shadow's edge gives 0.2.
    least_change: float = 0.08
