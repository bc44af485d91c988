"""What lies on a floor and what shows in it: the floor in plan, aggregate, patches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from assessor.values.arrays import BoolArray, FloatArray, freeze
from assessor.values.texture import Quantity

PatchKind = Literal[
    "oil", "damp", "coating", "adhesive", "rubber", "dust", "laitance", "shadow", "aggregate", "unknown"
]
# oil or grease; damp; sealer or coating; adhesive or mastic; rubber marks; dust or dried slurry; laitance or
# efflorescence; shadow; aggregate or patch repair; unknown (rust, tape, a leaf, anything else).
PATCH_KINDS: tuple[PatchKind, ...] = get_args(PatchKind)
PatchLook = Literal["dark", "light", "glossy", "coating"]
GlossState = Literal["judged", "cannot-tell"]
FloorState = Literal["told-dry", "told-damp", "looks-damp", "not-told"]


@dataclass(frozen=True, eq=False)
class FloorImage:
    """A floor in plan: linear reflectance over the white paper's in the same light, with the light's fall-off out.

    reflectance (H, W, 3) float32 in linear sRGB; valid (H, W). Row 0 lies at y_max_mm, column 0 at x_min_mm (outer
    edges). flat: free of shading, as the albedo solved from a torch on many sides is; else shadows are in it.
    name: the photo, or what it was made of.
    """

    name: str
    reflectance: FloatArray
    valid: BoolArray
    px_per_mm: float
    x_min_mm: float
    y_max_mm: float
    flat: bool = False

    def __post_init__(self) -> None:
        freeze(self.reflectance)
        freeze(self.valid)
        if self.reflectance.shape[:2] != self.valid.shape:
            raise ValueError("reflectance and valid must agree in shape")

    def place(self, rows: FloatArray, cols: FloatArray) -> tuple[FloatArray, FloatArray]:
        """x, y in mm of fractional sample positions (0 = the centre of the first sample)."""
        return self.x_min_mm + (cols + 0.5) / self.px_per_mm, self.y_max_mm - (rows + 0.5) / self.px_per_mm


@dataclass(frozen=True, eq=False)
class Segments:
    """What a learned model sees at every sample of a floor image, before anybody judges.

    kinds (len(PATCH_KINDS) + 1, H, W) float32: probabilities of bare concrete, then of each kind in the order of
    PATCH_KINDS; they sum to 1. visible, coarse, rim (H, W) float32 or None where the model does not tell aggregate:
    probability that a sample lies in a particle of at least 2 mm, in one over 4.75 mm, and on a particle's rim.
    Grid as `FloorImage`. model: name and digest of the weights.
    """

    kinds: FloatArray
    visible: FloatArray | None
    coarse: FloatArray | None
    rim: FloatArray | None
    px_per_mm: float
    x_min_mm: float
    y_max_mm: float
    model: str

    def __post_init__(self) -> None:
        for array in (self.kinds, self.visible, self.coarse, self.rim):
            freeze(array)


@dataclass(frozen=True, slots=True)
class SieveRow:
    """One sieve of the size distribution: share of the visible particles' area that would pass it, with 90 % limits."""

    sieve_mm: float
    passing: float
    low90: float
    high90: float


@dataclass(frozen=True, eq=False)
class Aggregate:
    """Exposed aggregate of one window, by image segmentation.

    coarse: area fraction of particles over 4.75 mm equivalent diameter (`coarse_fraction`); visible: of all that can
    be outlined (`visible_fraction`, from `smallest_mm`). sizes: by area, against sieves. uneven: standard deviation of
    the visible fraction between blocks of `block_mm` beyond what chance gives, and its 90 % limits; None where too few
    blocks. labels (H, W) int32: 0 paste, else the particle, on the grid given. plausible: False where the coarse
    fraction is more than cut concrete can show (about 0.45). abstained: flag codes that say why nothing is claimed.
    coarse and visible hold for this window; coarse_around90, visible_around90: 90 % limits for the floor around it, of
    which it is a sample (block bootstrap and the model's error together).
    """

    coarse: Quantity
    visible: Quantity
    smallest_mm: float
    sizes: tuple[SieveRow, ...]
    uneven: tuple[float, float, float] | None
    block_mm: float
    n_particles: int
    labels: NDArray[np.int32]
    px_per_mm: float
    x_min_mm: float
    y_max_mm: float
    plausible: bool
    method: str
    flags: tuple[str, ...] = ()
    abstained: tuple[str, ...] = ()
    coarse_around90: tuple[float, float] = (0.0, 1.0)
    visible_around90: tuple[float, float] = (0.0, 1.0)

    def __post_init__(self) -> None:
        freeze(self.labels)


@dataclass(frozen=True, slots=True)
class Evidence:
    """One thing seen of a patch: a stable name, its value with standard uncertainty (None: not known), and words."""

    name: str
    value: float
    u: float | None
    words: str


@dataclass(frozen=True, eq=False)
class Patch:
    """A part of the floor that does not look like bare concrete; never a finding of what it is.

    outline_mm (N, 2): closed, in the frame of the card (or of the first sheet of an overview). distance_mm: from the
    nearest card's or sheet's centre to the patch's nearest point. contrast: mean natural log of linear reflectance
    inside over that of the floor around, with u_contrast. probabilities run as PATCH_KINDS and sum to 1. kind: the
    most probable, or "unknown" where none is clear. likely: probability that this is more than the floor's own
    colour. test: code of the cheapest separating test (`tables/separating_tests.toml`).
    sure: whether it is shown to the crew; the rest stands in the review list only.
    """

    outline_mm: FloatArray
    area_mm2: float
    u_area_mm2: float
    distance_mm: float
    look: PatchLook
    contrast: float
    u_contrast: float
    probabilities: tuple[float, ...]
    kind: PatchKind
    likely: float
    evidence: tuple[Evidence, ...]
    test: str
    sure: bool = True

    def __post_init__(self) -> None:
        freeze(self.outline_mm)

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Mean of the outline's corners, mm."""
        x, y = self.outline_mm.mean(0)
        return float(x), float(y)

    def probability(self, kind: PatchKind) -> float:
        """Probability of one kind."""
        return self.probabilities[PATCH_KINDS.index(kind)]


@dataclass(frozen=True, eq=False)
class Patches:
    """All patches found in one capture and what could be judged at all.

    judged_mm2: area that was looked at. gloss: whether this capture could have shown a film's shine (a low photo toward
    the light, `angles`, `torch`), or can't tell; gloss_why in a sentence. damp: flag codes about a damp floor or a wet
    card. model: name and digest of the weights. photo_names: what was looked at.
    """

    found: tuple[Patch, ...]
    judged_mm2: float
    gloss: GlossState
    gloss_why: str
    model: str
    photo_names: tuple[str, ...]
    flags: tuple[str, ...] = ()

    @property
    def shown(self) -> tuple[Patch, ...]:
        """Those that the crew sees."""
        return tuple(patch for patch in self.found if patch.sure)


@dataclass(frozen=True, eq=False)
class Surface:
    """What one capture says of clean and bare, beside its texture.

    image: the floor as it was judged. floor: whether it was dry: as a person said, as it looks, or nobody knows.
    low_photos: photos taken so low that they only show shine.
    """

    patches: Patches
    aggregate: Aggregate | None
    image: FloorImage
    floor: FloorState = "not-told"
    low_photos: tuple[str, ...] = ()
