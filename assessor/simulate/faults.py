"""Faults of ordinary phones and sites, at the strength that they show; a capture with one must still be measured.

Strengths: study of toy models (focus breathing 1 %, stabiliser 15 px, rolling shutter 0.3 mm and 0.06 degrees a frame,
shading 3-5 %, cockle 0.3 mm rms); denoising and tone are common practice, set by eye.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from assessor.simulate.body import BodyRecipe
from assessor.simulate.capture import CaptureRecipe

FAULTS = (
    "none", "breathing", "stabiliser", "rolling", "shading", "denoise", "tone", "cockle", "body",
)  # fmt: skip


def with_fault(recipe: CaptureRecipe, fault: str, rng: np.random.Generator) -> CaptureRecipe:
    """The same capture with one named fault; ValueError for a name that is none of FAULTS."""
    sensor, sheet = recipe.sensor, recipe.sheet
    if fault == "none":
        return recipe
    if fault == "breathing":
        return replace(recipe, breathing=0.01)
    if fault == "stabiliser":
        return replace(recipe, centre_px=15.0)
    if fault == "rolling":
        return replace(recipe, rolling_mm=0.3, rolling_deg=0.06)
    if fault == "shading":
        sensor = replace(
            sensor,
            shading=float(rng.uniform(0.03, 0.05)),
            shading_centre=(float(rng.uniform(-0.15, 0.15)), float(rng.uniform(-0.15, 0.15))),
            shading_rgb=(float(rng.uniform(0.8, 1.3)), 1.0, float(rng.uniform(0.7, 1.2))),
        )
        return replace(recipe, sensor=sensor)
    if fault == "denoise":
        return replace(recipe, sensor=replace(sensor, denoise=float(rng.uniform(0.4, 0.8))))
    if fault == "tone":
        sensor = replace(
            sensor,
            s_curve=float(rng.uniform(0.2, 0.5)),
            lift_ev=float(rng.uniform(0.1, 0.5)),
            toe=float(rng.uniform(0.0, 0.2)),
            local=float(rng.uniform(0.08, 0.15)),
        )
        return replace(recipe, sensor=sensor)
    if fault == "cockle":
        return replace(recipe, sheet=replace(sheet, cockle_mm=0.3))
    if fault == "body":
        return replace(recipe, body=BodyRecipe(distance_mm=float(rng.uniform(560, 640))))
    raise ValueError(f"fault must be one of {', '.join(FAULTS)}, not {fault!r}")


def stripped(recipe: CaptureRecipe) -> CaptureRecipe:
    """The same capture after its EXIF was lost."""
    return replace(recipe, sensor=replace(recipe.sensor, exif=False))


def messenger(recipe: CaptureRecipe, longest_px: int = 2048) -> CaptureRecipe:
    """The same capture after a messenger: shrunk to longest_px, JPEG quality 75, no EXIF."""
    return replace(
        recipe,
        sensor=replace(recipe.sensor, exif=False, sent_px=longest_px, quality=75, file_format="jpg"),
    )
