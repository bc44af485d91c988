"""Did the light stay where it was? Stereo on a surface whose shading moves with the phone is worthless.

A flash raises Sq of a fine floor by a factor of three (study.md part 1, section 5). It shows twice: in the EXIF
data, and in the paper white, whose fall-off over the sheet follows the phone. Lens shading that the phone left in
moves too, but by a few percent only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from assessor.card.rectify import white_basis
from assessor.errors import LightMoved
from assessor.values import Exif, Rectified


@dataclass(frozen=True, slots=True)
class LightSettings:
    """Limits on what the paper white may do between photos and over the sheet."""

    max_change: float = (
        0.30  # relative change of the fall-off between two photos; lens shading residuals reach 0.1
    )
    flag_change: float = 0.15
    flag_gradient: float = 0.8
    flag_white_spread: float = 0.06


def check_light(
    rectified: Sequence[Rectified], exifs: Sequence[Exif], settings: LightSettings | None = None
) -> tuple[str, ...]:
    """Return flags on the light of a capture; raise LightMoved where it moved with the phone."""
    settings = settings or LightSettings()
    fired = [r.photo_name for r, e in zip(rectified, exifs, strict=True) if e.flash_fired]
    if fired:
        raise LightMoved("the flash fired", file=", ".join(fired))
    x, y = np.meshgrid(np.linspace(-80, 80, 9), np.linspace(-110, 110, 9))
    basis = white_basis(x, y)
    fields = np.stack([np.tensordot(r.white_fit[:, 1], basis, axes=1) for r in rectified])
    fields -= fields.mean((1, 2), keepdims=True)
    change = float(np.exp((fields.max(0) - fields.min(0)).max()) - 1)
    if change > settings.max_change:
        raise LightMoved(
            f"the light on the paper changed by {change:.0%} over the sheet between photos, at most"
            f" {settings.max_change:.0%} can be used",
            file=", ".join(r.photo_name for r in rectified),
        )
    flags = []
    if change > settings.flag_change:
        flags.append("light-changed")
    if max(r.light_gradient for r in rectified) > settings.flag_gradient:
        flags.append("light-uneven")
    if max(r.white_spread for r in rectified) > settings.flag_white_spread:
        flags.append("hard-shadow")
    return tuple(flags)
