"""What is left to say of a torch capture whose torches have no place: the lay, and a number that only ranks."""

from __future__ import annotations

import math
from dataclasses import replace

from assessor.texture.torch_heights import TORCH_BANDS
from assessor.texture.view import Z90
from assessor.values import Quantity, Texture

# A torch is held at 15 to 40 degrees by the guide: the tangent's spread about 25 degrees, as a standard uncertainty.
U_TANGENT = 0.30


def rank_only(texture: Texture, elevation_deg: float) -> Texture:
    """The texture without millimetres: lay and `contrast`, the rms of the shading in 0.5-8 mm at the elevation assumed.

    contrast (no unit) ranks spots that were shot alike, torch at the same height; it is no slope.
    """
    sdq = texture.get("Sdq", TORCH_BANDS[0])
    kept: tuple[Quantity, ...] = ()
    if sdq is not None:
        factor = 1 / math.tan(math.radians(elevation_deg))
        value, u = sdq.value * factor, math.hypot(sdq.u * factor, U_TANGENT * sdq.value * factor)
        method = "torch without tab shadows: rms of the shading, to rank spots shot alike; no millimetres"
        kept = (
            replace(
                sdq, name="contrast", value=value, u=u, low90=max(value - Z90 * u, 0.0), high90=value + Z90 * u,
                unit="", method=method,
            ),
        )  # fmt: skip
    return replace(texture, quantities=kept, noise_floor_mm=math.nan)
