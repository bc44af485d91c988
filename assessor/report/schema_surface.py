"""What patches and aggregate add to `assessment.json` (see `schema`): the floor beside its texture."""

from __future__ import annotations

from assessor.report.schema_base import FlagRecord, QuantityRecord, Record
from assessor.values.surface import FloorState, GlossState, PatchKind, PatchLook


class EvidenceRecord(Record):
    """One thing seen of a patch."""

    name: str
    """Stable name of what was looked at."""
    value: float | None
    """Its value; null where there is none."""
    u: float | None
    """Standard uncertainty of the value; null where not known."""
    words: str
    """The same in words."""


class OutcomeRecord(Record):
    """What may be seen in a test."""

    seen: str
    """What may be seen."""
    means: str
    """What it then means."""


class SeparatingTestRecord(Record):
    """The cheapest test that a person can do to tell the two likeliest causes of a patch apart."""

    code: str
    """Stable code."""
    name: str
    """Its name."""
    sentence: str
    """How to do it."""
    outcomes: tuple[OutcomeRecord, ...]
    """What may be seen, and what it then means."""
    caution: str | None
    """What to mind while testing; null where it hurts nobody."""


class PatchRecord(Record):
    """A part of the floor that does not look like bare concrete: a suspicion, never a finding of what it is."""

    number: int
    """Number on the picture, from 1; those shown to the crew come first."""
    shown: bool
    """True where the crew sees it; else it stands in the review list only."""
    look: PatchLook
    """How it stands out: dark, light, glossy, or like a coating."""
    kind: PatchKind
    """The likeliest cause, or unknown where none is clear."""
    probabilities: dict[PatchKind, float]
    """Probability of each cause, 0-1; they sum to 1."""
    likely: float
    """Probability that it is more than the floor's own colour, 0-1."""
    outline_mm: tuple[tuple[float, float], ...]
    """Corners x, y of its closed outline in the frame of the card (of an overview: of its first sheet), mm."""
    centre_mm: tuple[float, float]
    """Mean of the outline's corners, mm."""
    area_mm2: float
    """Area, mm2."""
    u_area_mm2: float
    """Standard uncertainty of the area, mm2."""
    distance_mm: float
    """From the nearest card's or sheet's centre to the patch's nearest point, mm."""
    contrast: float
    """Mean natural logarithm of linear reflectance inside over that of the floor around; negative is darker."""
    u_contrast: float
    """Standard uncertainty of contrast."""
    evidence: tuple[EvidenceRecord, ...]
    """What was seen of it."""
    test: SeparatingTestRecord
    """The cheapest test that tells its likeliest causes apart."""


class SieveRecord(Record):
    """One sieve of the size distribution of the visible particles, by area."""

    sieve_mm: float
    """Opening of the sieve, mm."""
    passing: float
    """Share of the visible particles' area that would pass it, 0-1."""
    low90: float
    """Lower end of the 90 % interval of passing."""
    high90: float
    """Upper end of the 90 % interval of passing."""


class AggregateRecord(Record):
    """Exposed aggregate of the window, by image segmentation."""

    coarse: QuantityRecord | None
    """coarse_fraction: area fraction of particles over 4.75 mm equivalent diameter in this window; null where nothing
    is claimed."""
    visible: QuantityRecord | None
    """visible_fraction: area fraction of all particles that can be outlined; null where nothing is claimed."""
    coarse_around90: tuple[float, float] | None
    """90 % limits of the coarse fraction of the floor around, of which this window is a sample."""
    visible_around90: tuple[float, float] | None
    """90 % limits of the visible fraction of the floor around."""
    smallest_mm: float
    """Smallest particle that can be outlined, mm equivalent diameter."""
    sizes: tuple[SieveRecord, ...]
    """Sizes of the visible particles by area against sieves; empty where nothing is claimed."""
    uneven: float | None
    """Standard deviation of the visible fraction between blocks beyond what chance gives; null where not known."""
    uneven_low90: float | None
    """Lower end of the 90 % interval of uneven."""
    uneven_high90: float | None
    """Upper end of the 90 % interval of uneven."""
    block_mm: float
    """Side of the blocks, mm."""
    n_particles: int
    """Particles outlined."""
    plausible: bool
    """False where the coarse fraction is more than cut concrete can show (about 0.45)."""
    method: str
    """How it was outlined."""
    flags: tuple[FlagRecord, ...]
    """What a reviewer should know about it."""
    abstained: tuple[FlagRecord, ...]
    """Why nothing is claimed; empty where the fractions stand."""


class SurfaceRecord(Record):
    """What lies on the floor and shows in it. No patch found never means clean: much of what spoils a bond can't be
    seen."""

    notice: str
    """Always says that no patch found does not mean clean."""
    judged_mm2: float
    """Area that was looked at, mm2."""
    patches: tuple[PatchRecord, ...]
    """All patches, those shown to the crew first."""
    gloss: GlossState
    """Whether this capture could have shown a film's shine: judged or cannot-tell."""
    gloss_why: str
    """Why, in words."""
    next_shot: str | None
    """The photo that would show a film's shine; null where this capture could."""
    model: str
    """Name and digest of the weights that looked for patches."""
    photos: tuple[str, ...]
    """Names of the photos that were looked at."""
    low_photos: tuple[str, ...]
    """Names of the photos taken so low that they only show shine."""
    floor: FloorState
    """Whether the floor was dry: told-dry or told-damp by a person, looks-damp in the photos, or not-told."""
    flags: tuple[FlagRecord, ...]
    """What a reviewer should know about it, such as a damp floor."""
    aggregate: AggregateRecord | None
    """Exposed aggregate; null where it was not judged."""

    @property
    def shown(self) -> tuple[PatchRecord, ...]:
        """Patches that the crew sees."""
        return tuple(patch for patch in self.patches if patch.shown)

    @property
    def review(self) -> tuple[PatchRecord, ...]:
        """Patches of the review list only."""
        return tuple(patch for patch in self.patches if not patch.shown)
