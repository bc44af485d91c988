"""The printed grey steps in one photo, each beside the white paper that shares its light.

Six steps stand on each of the four sides. A home printer's greys are not known reflectances, so a reading is a level
and the paper next to it, in light as sRGB codes it; `tone` makes something of all of them together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from assessor.card.layout import Step, card_layout
from assessor.card.linear import linear_of_byte
from assessor.values import Camera, FloatArray, Photo

CLIPPED_BYTE = 254
MAX_UNEVEN = 1.15  # paper on one side of a step over the other: more is a shadow edge or dirt


@dataclass(frozen=True, eq=False)
class StepReading:
    """One printed grey step in one photo, linear light 0..1 as sRGB codes it.

    level_rgb (3,) inside the step; white_rgb (3,) paper on both sides of it; even is False where these differ by more
    than 15 % (a shadow edge) or anything is out of frame or burnt out. seen: in the frame and not burnt out; uneven:
    log of the paper on one side over the other's, the largest of the channels, which under a near torch is not small.
    """

    step: Step
    level_rgb: FloatArray
    white_rgb: FloatArray
    even: bool
    seen: bool = True
    uneven: float = 0.0


def read_steps(
    photo: Photo, camera: Camera, scale: tuple[float, float] = (1.0, 1.0)
) -> tuple[StepReading, ...]:
    """Read every printed grey step (24, in the layout's order) and the white paper on both sides of it.

    scale: printed over drawn length along x and y. Means of the middle half of the samples, per channel; never raises.
    """
    grids = _grids_mm() * scale
    pixels = camera.project(np.concatenate([grids, np.zeros((*grids.shape[:-1], 1))], axis=-1))
    width, height = photo.size_px
    seen = ((pixels >= 0) & (pixels <= (width - 1, height - 1))).all((1, 2, 3))
    column = np.clip(np.rint(pixels[..., 0]), 0, width - 1).astype(int)
    row = np.clip(np.rint(pixels[..., 1]), 0, height - 1).astype(int)
    sampled = photo.rgb_u8[row, column]  # (24, 3, N, 3)
    burnt = (np.median(sampled[:, 1:].max(-1), axis=2) >= CLIPPED_BYTE).any(1)
    ordered = np.sort(linear_of_byte()[sampled], axis=2)
    quarter = ordered.shape[2] // 4
    # The mean of the middle half: finer than a byte, blind to specks.
    means = ordered[:, :, quarter:-quarter].mean(2, dtype=float)
    log_white = np.log(np.maximum(means[:, 1:], 1e-4))
    uneven = np.abs(log_white[:, 0] - log_white[:, 1]).max(-1)
    seen &= ~burnt
    even = seen & (uneven < np.log(MAX_UNEVEN))
    return tuple(
        StepReading(step, mean[0], (mean[1] + mean[2]) / 2, bool(even[k]), bool(seen[k]), float(uneven[k]))
        for k, (step, mean) in enumerate(zip(card_layout(0).steps, means, strict=True))
    )


@cache
def _grids_mm() -> FloatArray:
    """(24, 3, 135, 2) sample places: inside each step, and in the 4 mm gaps before and after it along its row."""
    grids = []
    for step in card_layout(0).steps:
        a = step.area
        along_x = step.side in ("top", "bottom")
        low, high = (a.x_min_mm, a.x_max_mm) if along_x else (a.y_min_mm, a.y_max_mm)
        across_low, across_high = (a.y_min_mm, a.y_max_mm) if along_x else (a.x_min_mm, a.x_max_mm)
        across = np.linspace(across_low + 1.5, across_high - 1.5, 9)
        parts = []
        for start, end in ((low + 1.5, high - 1.5), (low - 2.7, low - 1.3), (high + 1.3, high + 2.7)):
            u, v = np.meshgrid(np.linspace(start, end, 15), across)
            parts.append(np.column_stack([u.ravel(), v.ravel()] if along_x else [v.ravel(), u.ravel()]))
        grids.append(parts)
    result = np.array(grids)
    result.flags.writeable = False
    return result
