"""Exposed aggregate of one window from a learned segmentation: area fractions, sizes, evenness.

Area fractions are means of the model's probabilities, not counts of a mask: a mask cut at one half pulls weak contrast
to nothing, while a calibrated probability stays right on the average. Their 90 % interval is of this window; taken for
the floor around it, the window is also a sample, whose error a bootstrap of blocks gives (Hall 1985, "Resampling a
coverage pattern", Stochastic Processes and their Applications 20, 231; from memory, verify).

Single particles come from a watershed (`surface.particles`). A plane cuts a stone anywhere, mostly off its middle: the
sizes are of sections as they show, smaller than what a sieve held, and no sieve curve of the mix.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from assessor.surface.blocks import (
    Corner,
    block_means,
    chance_variance,
    fit_blocks,
    resample_means,
    unevenness,
)
from assessor.surface.particles import Particles, ParticleSettings, find_particles
from assessor.surface.segment import resample
from assessor.values import Aggregate, Band, BoolArray, FloatArray, FloorImage, Quantity, Segments, SieveRow

Z90 = 1.6449  # half-width of a normal 90 % interval in standard deviations
METHOD = "mean of learned probabilities; sizes by watershed of sections, not of sieved stones"


@dataclass(frozen=True, slots=True)
class AggregateSettings:
    """Areas, sizes and limits. The u_model terms come from `scripts/judge_aggregate --fit`."""

    evaluation_mm: float = 108.0  # the window less 6 mm a side, as all else is judged
    smallest_mm: float = 2.0  # four samples across: less cannot be outlined
    coarse_mm: float = 4.75  # ASTM E11 No. 4, where coarse aggregate begins (domain.md 5)
    # Openings of ASTM E11 Nos. 8 and 4, 1/4, 3/8, 1/2, 3/4 and 1 inch, also in ISO 3310-1 (from memory, verify).
    sieves_mm: tuple[float, ...] = (2.36, 4.75, 6.3, 9.5, 12.5, 19.0, 25.0)
    particles: ParticleSettings = field(default_factory=ParticleSettings)
    # Standard uncertainty of the model's own fractions of one window, and how it grows with the model's doubt.
    # Fitted on 200 drawn floors (seed 1).
    u_model_coarse: float = 0.01
    u_model_visible: float = 0.01
    doubt_coarse: float = 1.1
    doubt_visible: float = 1.61
    u_passing: float = 0.11  # of one sieve's passing share: stones split or joined
    # Blocks this many times the size at which 90 % of the stones' area lies, so that two blocks share few stones.
    block_in_particles: float = 1.5
    draws: int = 400  # of the bootstrap: limits to about a tenth of their width
    # More coarse stone than a fully cut floor can show: 0.35-0.45 of a mix is coarse (domain.md 5).
    most_coarse: float = 0.45
    uneven: float = 0.06  # block to block beyond chance: a fifth of the usual third of stone
    max_doubt: float = 0.15  # mean variance of a sample's yes or no; 0.25 is a coin's
    min_valid: float = 0.6
    max_blur_mm: float = 0.8  # edges softer than this hide a 2 mm stone


def measure_aggregate(
    segments: Segments,
    image: FloorImage,
    settings: AggregateSettings | None = None,
    *,
    blur_mm: float | None = None,
) -> Aggregate | None:
    """Area fractions, sizes and evenness of the stones that show.

    None where the model does not tell aggregate, and where nothing of the evaluation area is seen.

    blur_mm: width of a sharp edge in the photo, where known (`CardSighting.edge_width_mm`). Never refuses: `abstained`
    says where nothing is to be claimed (too blurred, too little seen, the model in doubt). ValueError where segments
    and image do not show the same area.
    """
    use = settings or AggregateSettings()
    if segments.visible is None or segments.coarse is None:
        return None
    image = resample(image, segments.px_per_mm)
    if segments.visible.shape != image.valid.shape:
        raise ValueError("segments and image must show the same area")
    visible = np.clip(np.asarray(segments.visible, np.float64), 0, 1)
    # What lies in a coarse particle lies in a particle.
    coarse = np.minimum(np.clip(np.asarray(segments.coarse, np.float64), 0, 1), visible)
    particles = find_particles(
        visible, segments.rim, image.valid, segments.px_per_mm, smallest_mm=use.smallest_mm, settings=use.particles
    )  # fmt: skip
    area = evaluation_area(image, use.evaluation_mm)
    seen = area & image.valid
    if not seen.any():
        return None
    block_mm, n = fit_blocks(use.block_in_particles * _typical_mm(particles), use.evaluation_mm)
    look = _Look(seen, _corner(area), n, 1 / segments.px_per_mm)
    rng = np.random.default_rng(0)  # the same window gives the same limits
    of_coarse, coarse_around = _fraction(coarse, look, "coarse_fraction", use, rng)
    of_visible, visible_around = _fraction(visible, look, "visible_fraction", use, rng)
    uneven = None
    if particles.whole.any():
        area_mm2 = float(np.average(particles.area_mm2, weights=particles.area_mm2 * particles.whole))
        chance = chance_variance(of_visible.value, area_mm2, block_mm)
        uneven = unevenness(block_means(visible, seen, look.corner, n), chance)
    flags = _flags(of_coarse, uneven, use)
    return Aggregate(
        coarse=of_coarse,
        visible=of_visible,
        smallest_mm=use.smallest_mm,
        sizes=_sizes(particles, n, use, rng),
        uneven=uneven,
        block_mm=block_mm,
        n_particles=len(particles.diameter_mm),
        labels=particles.labels,
        px_per_mm=segments.px_per_mm,
        x_min_mm=segments.x_min_mm,
        y_max_mm=segments.y_max_mm,
        plausible="aggregate-implausible" not in flags,
        method=f"{METHOD} ({segments.model})",
        flags=flags,
        abstained=_abstained(_mean(image.valid, area), _doubt(visible, seen), blur_mm, use),
        coarse_around90=coarse_around,
        visible_around90=visible_around,
    )


def evaluation_area(image: FloorImage, side_mm: float) -> BoolArray:
    """The middle square of the window (card frame origin), (H, W)."""
    rows, cols = (np.arange(n, dtype=np.float64) for n in image.valid.shape)
    y = image.y_max_mm - (rows + 0.5) / image.px_per_mm
    x = image.x_min_mm + (cols + 0.5) / image.px_per_mm
    return np.asarray((np.abs(y) < side_mm / 2)[:, None] & (np.abs(x) < side_mm / 2)[None, :])


@dataclass(frozen=True, eq=False)
class _Look:
    """What is seen of the evaluation area, its first row and column and side (samples), its blocks along a side."""

    seen: BoolArray
    corner: Corner
    blocks: int
    spacing_mm: float


def _fraction(
    map_: FloatArray, look: _Look, name: str, settings: AggregateSettings, rng: np.random.Generator
) -> tuple[Quantity, tuple[float, float]]:
    """Mean probability with the model's uncertainty, and its 90 % limits for the floor around the window."""
    of_coarse = name == "coarse_fraction"
    base = settings.u_model_coarse if of_coarse else settings.u_model_visible
    per_doubt = settings.doubt_coarse if of_coarse else settings.doubt_visible
    value = _mean(map_, look.seen)
    u = math.hypot(base, per_doubt * _doubt(map_, look.seen))
    means = resample_means(map_, look.seen, look.corner, look.blocks, draws=settings.draws, rng=rng)
    n = look.blocks**2
    u_sampling = float(means.std()) * math.sqrt(n / (n - 1)) if len(means) else math.nan
    low, high = _interval(value, u)
    smallest = settings.coarse_mm if of_coarse else settings.smallest_mm
    quantity = Quantity(
        name=name,
        value=value,
        u=u,
        low90=low,
        high90=high,
        unit="",
        band=Band(smallest, settings.evaluation_mm),
        spacing_mm=look.spacing_mm,
        method=METHOD,
    )
    return quantity, _interval(value, math.hypot(u, u_sampling))


def _doubt(map_: FloatArray, seen: BoolArray) -> float:
    """Mean variance of a sample's yes or no, 0 (sure) to 0.25 (a coin)."""
    return _mean(map_ * (1 - map_), seen)


def _mean(map_: FloatArray | BoolArray, where: BoolArray) -> float:
    return float(map_[where].mean())


def _corner(area: BoolArray) -> Corner:
    """First row, first column and side of the evaluation area, samples."""
    rows, cols = np.flatnonzero(area.any(1)), np.flatnonzero(area.any(0))
    return int(rows[0]), int(cols[0]), min(len(rows), len(cols))


def _typical_mm(particles: Particles) -> float:
    """Diameter below which 90 % of the particles' area lies; 0 where there is none."""
    if not len(particles.diameter_mm):
        return 0.0
    order = np.argsort(particles.diameter_mm)
    share = np.cumsum(particles.diameter_mm[order] ** 2)
    return float(particles.diameter_mm[order][np.searchsorted(share, 0.9 * share[-1])])


def _abstained(
    valid: float, doubt: float, blur_mm: float | None, settings: AggregateSettings
) -> tuple[str, ...]:
    found = []
    if not valid >= settings.min_valid:
        found.append("few-valid")
    if blur_mm is not None and blur_mm > settings.max_blur_mm:
        found.append("aggregate-blurred")
    if doubt > settings.max_doubt:
        found.append("aggregate-unsure")
    return tuple(found)


def _interval(value: float, u: float) -> tuple[float, float]:
    if not math.isfinite(value + u):
        return 0.0, 1.0
    return max(value - Z90 * u, 0.0), min(value + Z90 * u, 1.0)


def _flags(
    coarse: Quantity, uneven: tuple[float, float, float] | None, settings: AggregateSettings
) -> tuple[str, ...]:
    found = []
    if coarse.value > settings.most_coarse:
        found.append("aggregate-implausible")
    if uneven is not None and uneven[1] > 0 and uneven[0] > settings.uneven:
        found.append("aggregate-uneven")
    return tuple(found)


def _sizes(
    particles: Particles, n: int, settings: AggregateSettings, rng: np.random.Generator
) -> tuple[SieveRow, ...]:
    """Share of the particles' area under each sieve, with limits from a bootstrap of n x n blocks and u_passing.

    Particles that the window's edge cuts have no known size and are left out, the larger the more often: so every
    other counts for the places where its like would lie whole (`Particles.weight`; Lantuejoul's correction).
    """
    whole = particles.whole
    if not whole.any():
        return ()
    mass = (particles.area_mm2 * particles.weight)[whole]
    diameter = particles.diameter_mm[whole]
    block = np.minimum((particles.place[whole] * n).astype(int), n - 1)
    block = block[:, 0] * n + block[:, 1]
    under = np.stack([np.bincount(block, mass * (diameter < s), n * n) for s in settings.sieves_mm])
    total = np.bincount(block, mass, n * n)
    chosen = rng.integers(n * n, size=(settings.draws, n * n))
    sums = total[chosen].sum(1)
    drawn = under[:, chosen].sum(2)[:, sums > 0] / sums[sums > 0]
    rows = []
    for sieve, passing, draws in zip(settings.sieves_mm, under.sum(1) / mass.sum(), drawn, strict=True):
        u = math.hypot(float(draws.std()), settings.u_passing if 0 < passing < 1 else 0.0)
        low, high = _interval(float(passing), u)
        rows.append(SieveRow(sieve, float(passing), low, high))
    return tuple(rows)
