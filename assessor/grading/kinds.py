"""Which capture kind would serve a floor better than the one that was shot, in one sentence."""

from __future__ import annotations

from assessor.values import SlopeMap, Texture

FINE_NOISE = 0.25  # noise of the heights over Sq beyond which `torch` sees more
STEEP_SHADOW = 0.10  # of the torch's samples in shadow
COARSE_MM = 0.35


def say_better_kind(texture: Texture, slopes: SlopeMap | None) -> str | None:
    """Return the sentence, or None where the kind shot is the right one."""
    first = next((q for q in texture.quantities if q.name == "Sq"), None)
    if texture.kind == "angles":
        buried = first is None or first.bound == "upper"
        if buried or (first is not None and texture.noise_floor_mm > FINE_NOISE * first.value):
            return "This floor is too fine for angles: add a torch capture of the same spot, which sees finer texture."
        return None
    if texture.kind == "torch" and slopes is not None:
        coarse = next((q for q in texture.quantities if q.name == "Sq" and q.band.long_mm >= 25), None)
        if slopes.shadowed > STEEP_SHADOW or (coarse is not None and coarse.value > COARSE_MM):
            return (
                "This floor is coarse for a torch: add four photos of the same spot from four sides (angles)."
            )
    return None
