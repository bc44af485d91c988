"""Settings of overviews: every stage of a zone's photos."""

from __future__ import annotations

from dataclasses import dataclass, field

from assessor.surface.patches import PatchSettings
from assessor.surface.zone_blobs import BlobSettings
from assessor.surface.zone_even import EvenSettings
from assessor.surface.zone_find import ZoneFindSettings
from assessor.surface.zone_fit import ZoneFitSettings
from assessor.surface.zone_lay import LaySettings
from assessor.surface.zone_mosaic import MosaicSettings
from assessor.surface.zone_strips import StripSettings


def _overview_patches() -> PatchSettings:
    # Beside the sheets and at the rim of what was seen the picture ends: 8 mm are blur.
    # Kinds are too unsure from there to cut a shadow off a stain: it would fall to pieces.
    return PatchSettings(model="overview-surface", least_mm2=100.0, border_mm=8.0, split=False)


@dataclass(frozen=True, slots=True)
class OverviewSettings:
    """By stage, as `zone.assess_zone` runs them."""

    find: ZoneFindSettings = field(default_factory=ZoneFindSettings)
    fit: ZoneFitSettings = field(default_factory=ZoneFitSettings)
    mosaic: MosaicSettings = field(default_factory=MosaicSettings)
    patches: PatchSettings = field(default_factory=_overview_patches)
    blobs: BlobSettings = field(default_factory=BlobSettings)
    even: EvenSettings = field(default_factory=EvenSettings)
    strips: StripSettings = field(default_factory=StripSettings)
    lay: LaySettings = field(default_factory=LaySettings)
