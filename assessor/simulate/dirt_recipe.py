"""What dirt to lay on a floor: kind, place, size, strength, skin."""

from __future__ import annotations

from dataclasses import dataclass

from assessor.values import PatchKind

Rgb = tuple[float, float, float]

# Looks of dirt, and the kind of patch each of them truly is.
PATCH_LOOKS: dict[str, PatchKind] = {
    "oil": "oil",
    "damp": "damp",
    "tyre": "rubber",
    "sealer": "coating",
    "coating": "coating",
    "islands": "coating",
    "adhesive": "adhesive",
    "dust": "dust",
    "footprint": "dust",
    "slurry": "dust",
    "laitance": "laitance",
    "efflorescence": "laitance",
    "repair": "aggregate",
    "rust": "unknown",
    "leaf": "unknown",
    "tape": "unknown",
}
# Parts of a clean floor that no one may call a patch.
FLOOR_LOOKS = ("crack", "joint", "swirls", "mottle")


@dataclass(frozen=True, slots=True)
class DirtRecipe:
    """One piece of dirt; the same recipe on the same floor is the same dirt.

    kind: one of PATCH_LOOKS or FLOOR_LOOKS. at_mm: its middle in the card frame; size_mm: about its diameter (the
    width of a band, the length of a boot). contrast: mean natural log of the luminance inside its mask over what the
    floor had there. edge_mm: over how much its rim is soft. turn_deg: its direction from card +x. rough: how ragged its
    outline is. gloss: of its film, 1 = a smooth dielectric's; exponent: of the lobe. thickness_mm: of what it adds.
    amount: of islands, the share of the lows that still holds them; of mottle and swirls, the strength. rgb: tint, None
    for its own. seed: of its own shape.
    """

    kind: str
    at_mm: tuple[float, float] = (0.0, 0.0)
    size_mm: float = 40.0
    contrast: float = -0.4
    edge_mm: float = 3.0
    turn_deg: float = 0.0
    rough: float = 0.5
    gloss: float = 0.0
    exponent: float = 120.0
    thickness_mm: float = 0.1
    amount: float = 0.3
    rgb: Rgb | None = None
    seed: int = 0

    def __post_init__(self) -> None:
        if self.kind not in PATCH_LOOKS and self.kind not in FLOOR_LOOKS:
            known = ", ".join((*PATCH_LOOKS, *FLOOR_LOOKS))
            raise ValueError(f"dirt must be one of {known}, not {self.kind!r}")

    @property
    def code(self) -> PatchKind | None:
        """The kind of patch it is; None for a part of the floor itself."""
        return PATCH_LOOKS.get(self.kind)
