"""Sq of a window from one photo, or from two with the torch on opposite sides, as a learned model estimates it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from assessor.texture.look import Look
from assessor.values.estimate import Estimate


@dataclass(frozen=True, slots=True)
class EstimateSettings:
    """Which models to use and when to claim nothing."""

    single: str = "one-photo"
    pair: str = "two-photos"
    max_half90: float = 1.5  # octaves; a wider estimate says no more than a look at the floor
    max_strangeness: float = 1.0


def estimate_texture(looks: Sequence[Look], settings: EstimateSettings | None = None) -> Estimate:
    """Estimate Sq from the looks of one window.

    Two looks whose strongest lights stand on opposite sides are estimated together; else every look by itself, and the
    middle one counts with the widest interval, since photos of one window are not independent.
    """
    raise NotImplementedError(looks, settings)
