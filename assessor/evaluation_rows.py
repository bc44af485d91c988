"""Rows of truth, rows scored against it, rows of the summary, and the limits of shares, means and scatters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

import numpy as np
from scipy import special

from assessor.values import Band, FloatArray
from assessor.values.surface import GlossState, PatchKind

NOT_MEASURED = "not-measured"
ABSTAINED = "abstained"
ALL = "all"
ErrorUnit = Literal["relative", "same as value", "grades", "deg"]
PATCH, FALSE_PATCHES, FRACTIONS = "patch", "false_patches", ("coarse_fraction", "visible_fraction")


@dataclass(frozen=True, slots=True)
class TruthRow:
    """One true number of a capture. Bands are None where the quantity has none (grade); light is "" where not told.

    patch: the kind of a true patch, "" in every other row; `value` is 0 there, and `as_dict` gives the kind as value.
    mask: PNG of where it lies, relative to the folder, at px_per_mm. contrast: its mean log reflectance over that of
    the floor around, where told. x_mm, y_mm: where the mask's centre lies, from the card's or the first sheet's.
    """

    capture: str
    kind: str
    process: str
    split: str
    rendered: bool
    quantity: str
    unit: str
    band_short_mm: float | None
    band_long_mm: float | None
    value: float
    light: str = ""
    mask: str = ""
    px_per_mm: float | None = None
    contrast: float | None = None
    patch: PatchKind | Literal[""] = ""
    x_mm: float = 0.0
    y_mm: float = 0.0

    @property
    def band(self) -> Band | None:
        """The band asked for, or None."""
        if self.band_short_mm is None or self.band_long_mm is None:
            return None
        return Band(self.band_short_mm, self.band_long_mm)

    def as_dict(self) -> dict[str, Any]:
        """The columns of truth.csv."""
        row = asdict(self)
        kind = row.pop("patch")
        return {**row, "value": kind or row["value"], "mask": self.mask or None}


@dataclass(frozen=True, slots=True)
class Estimate:
    """What the pipeline said about one quantity; `refused` holds the code where it said nothing.

    estimated: a learned model's estimate and no measurement.
    """

    estimate: float | None = None
    low90: float | None = None
    high90: float | None = None
    bound: Literal["value", "upper"] | None = None
    refused: str | None = None
    estimated: bool = False


@dataclass(frozen=True, slots=True)
class PatchScore:
    """What was found of one true patch.

    found: a patch that the crew sees lies on it: their IoU is at least 0.2, or the found one's centre lies in the true
    one; the best of them by IoU counts. in_review: so does one of the review list, at least. given: kind given, None
    where not found. area_ratio: found area over the true one, both within what is judged. probability: of the true
    kind; wrong_probability: of the likeliest wrong one. true_mm2: true area within what is judged. gloss: whether this
    capture shows shine at all.
    """

    found: bool
    in_review: bool
    given: PatchKind | None
    iou: float | None
    area_ratio: float | None
    probability: float | None
    wrong_probability: float | None
    true_mm2: float
    gloss: GlossState


@dataclass(frozen=True, slots=True)
class FalseScore:
    """What was found where no patch is: false_review counts the review list too. n_true: true patches, no shadows."""

    false_review: int
    n_true: int
    judged_mm2: float


@dataclass(frozen=True, slots=True)
class ScoredRow:
    """A truth row with its estimate and the seconds its capture took; of a patch and of false patches, their scores."""

    truth: TruthRow
    said: Estimate
    seconds: float
    patch: PatchScore | None = None
    false: FalseScore | None = None

    def as_dict(self) -> dict[str, Any]:
        """All columns of the truth row, then those of the estimate and of patches, flat; of a patch the kind given."""
        said = asdict(self.said)
        patch = dict.fromkeys(field.name for kind in (PatchScore, FalseScore) for field in fields(kind))
        patch |= {**(asdict(self.patch) if self.patch else {}), **(asdict(self.false) if self.false else {})}
        given = patch.pop("given")
        if self.truth.quantity == PATCH:
            said["estimate"] = given
        return {**self.truth.as_dict(), **said, "seconds": round(self.seconds, 3), **patch}


@dataclass(frozen=True, slots=True)
class ShareOf:
    """`count` of `n`, with exact 95 % limits."""

    count: int
    n: int
    share: float
    low95: float
    high95: float


@dataclass(frozen=True, slots=True)
class SurfaceScores:
    """Scores of one group of rows of patches, false patches or aggregate; null where it has nothing to say it from.

    mae: mean distance of a fraction from the truth. Of rows of true patches but shadows: recall; of dark ones (contrast
    under -0.15) over 2 cm2 recall_strong (under -0.3) and recall_weak; recall_gloss_judged where the capture shows
    shine; gloss_cannot_tell of all; kind_right, cannot_tell (kind "unknown"), wrong_and_confident (oil or damp of
    which a wrong kind has more than 0.8) of those found; median_iou and area_within_15 of those found. Of shadows:
    shadow_called_stain, where one is shown as anything but shadow or unknown. Of rows of false patches: captures with
    any, false_share; of those without true patches, false_clean; and false patches per m2 as shown and in review.
    """

    mae: float | None = None
    recall: ShareOf | None = None
    recall_strong: ShareOf | None = None
    recall_weak: ShareOf | None = None
    recall_gloss_judged: ShareOf | None = None
    gloss_cannot_tell: ShareOf | None = None
    kind_right: ShareOf | None = None
    cannot_tell: ShareOf | None = None
    wrong_and_confident: ShareOf | None = None
    median_iou: float | None = None
    area_within_15: ShareOf | None = None
    shadow_called_stain: ShareOf | None = None
    false_share: ShareOf | None = None
    false_clean: ShareOf | None = None
    false_per_m2: float | None = None
    false_review_per_m2: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Flat: beside each share, of how many (`..._n`) and its limits (`..._low95`, `..._high95`)."""
        row: dict[str, Any] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            row[field.name] = value.share if isinstance(value, ShareOf) else value
            if "ShareOf" in str(field.type):
                parts = (value.n, value.low95, value.high95) if value else (None, None, None)
                row |= dict(
                    zip((f"{field.name}_{end}" for end in ("n", "low95", "high95")), parts, strict=True)
                )
        return row


@dataclass(frozen=True, slots=True)
class SummaryRow:
    """Scores of one group. Null where the group has nothing to say it from.

    n_gross: gross errors not refused, gross_high95 the upper limit of their share of n; median_half_width: of the 90 %
    intervals, relative. Both for quantities in mm only. The octaves are of Sq where it was estimated, the figures in
    grades of grades. light: the one light of the group, or "all"; patch: the one true kind of patch, or "all".
    surface: scores of patches, false patches and aggregate, whose names stand beside the others in `as_dict`.
    """

    kind: str
    quantity: str
    process: str
    split: str
    band_short_mm: float | None
    band_long_mm: float | None
    n: int
    n_rendered: int
    error_unit: ErrorUnit
    bias: float | None
    scatter: float | None
    largest_error: float | None
    coverage: float | None
    upper_share: float
    refused_share: float
    bias_low95: float | None = None
    bias_high95: float | None = None
    scatter_low95: float | None = None
    scatter_high95: float | None = None
    coverage_low95: float | None = None
    coverage_high95: float | None = None
    refused_low95: float | None = None
    refused_high95: float | None = None
    n_gross: int | None = None
    gross_high95: float | None = None
    median_half_width: float | None = None
    light: str = ALL
    mae_octaves: float | None = None
    median_half_width_octaves: float | None = None
    mae_grades: float | None = None
    exact_share: float | None = None
    within_one_share: float | None = None
    abstained_share: float = 0.0
    patch: str = ALL
    surface: SurfaceScores | None = None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON, flat."""
        row = asdict(self)
        del row["surface"]
        return {**row, **(self.surface or SurfaceScores()).as_dict()}


def share_limits(count: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided binomial limits of a share of which `count` of `n` were seen.

    Each side holds (1 - confidence) / 2; where count is 0 or n the far limit is the share itself. ValueError for
    counts outside 0..n. Source: Clopper and Pearson 1934, by the beta distribution's quantiles.
    """
    if not 0 <= count <= n or n == 0:
        raise ValueError(f"{count} of {n} is no share")
    tail = (1.0 - confidence) / 2.0
    low = float(special.betaincinv(count, n - count + 1, tail)) if count > 0 else 0.0
    high = float(special.betaincinv(count + 1, n - count, 1.0 - tail)) if count < n else 1.0
    return low, high


def share_of(hits: Sequence[bool]) -> ShareOf | None:
    """The share of hits with its limits; None of nothing."""
    if not hits:
        return None
    count, n = sum(hits), len(hits)
    return ShareOf(count, n, count / n, *share_limits(count, n))


def mean_limits(values: Sequence[float] | FloatArray, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided limits of the mean of normal values by Student's t; ValueError for fewer than two."""
    n = len(values)
    if n < 2:
        raise ValueError("a mean's limits need two values")
    middle, sd = float(np.mean(values)), float(np.std(values, ddof=1))
    half = float(special.stdtrit(n - 1, (1.0 + confidence) / 2.0)) * sd / math.sqrt(n)
    return middle - half, middle + half


def scatter_limits(scatter: float, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided limits of the standard deviation of normal values, of which `n` gave `scatter`, by chi-square."""
    if n < 2:
        raise ValueError("a scatter's limits need two values")
    tail = (1.0 - confidence) / 2.0
    # `chdtri` takes the chance of a larger value.
    largest, least = (float(special.chdtri(n - 1, above)) for above in (tail, 1.0 - tail))
    return scatter * math.sqrt((n - 1) / largest), scatter * math.sqrt((n - 1) / least)
