"""Labelled photos of loose gravel (`shared/data/gravel_masks`, BSD-3) as training crops: stones only, no kinds.

They are no cut concrete: coloured stones in sand, standing. They keep the network from knowing drawn stones only.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from assessor.card.linear import linear_from_srgb
from assessor.training.dirt_floor import COARSE_MM, RIM_MM, VISIBLE_MM
from assessor.training.dirt_scenes import WINDOW, DirtBatch
from assessor.values import FloatArray

Labels = NDArray[np.integer[Any]]

PX_PER_MM = 1 / 0.39
TRAINED = ("ig_1_P1060330_1", "ig_3_P1060343_3", "ig_6_P1060355_0")
HELD_OUT = ("ig_2_P1060338_0", "ig_5_P1060351_2", "ig_7_P1060359_3")


def gravel_batch(folder: Path, names: tuple[str, ...], count: int, seed: int, device: str) -> DirtBatch:
    """Random crops at random sizes of the named photos, at the window's scale; ValueError where one is missing."""
    rng = np.random.default_rng(seed)
    parts = []
    for k in range(count):
        photo, mask = read_gravel(folder, names[k % len(names)])
        parts.append(_crop(photo, mask, rng))
    log_rgb, stones = (torch.tensor(np.stack(side), dtype=torch.float32) for side in zip(*parts, strict=True))
    n = WINDOW.n
    none = torch.zeros(count, n, n)
    made = DirtBatch(log_rgb.half(), none.byte(), none.half(), stones.half(), (none + 1).half())
    return DirtBatch(*(getattr(made, name).to(device) for name in DirtBatch.__dataclass_fields__))


def read_gravel(folder: Path, name: str) -> tuple[FloatArray, Labels]:
    """Linear reflectance (512, 512, 3), mean 0.3, and the instance mask (512, 512); ValueError where missing."""
    image = cv2.imread(str(folder / f"{name}.jpg"), cv2.IMREAD_COLOR)
    mask = cv2.imread(str(folder / f"{name}_mask.tif"), cv2.IMREAD_UNCHANGED)
    if image is None or mask is None:
        raise ValueError(f"{folder} lacks {name}")
    linear = linear_from_srgb(image[..., ::-1].astype(np.float32) / 255)
    return np.asarray(linear * (0.3 / linear.mean()), np.float32), mask.astype(np.int64)


def stone_masks(labels: Labels, px_per_mm: float) -> FloatArray:
    """visible, coarse, rim (3, h, w) float32 of an instance mask."""
    numbers = labels.astype(np.int64)
    area = np.bincount(numbers.ravel()).astype(float) * (1 / px_per_mm**2)
    area[:1] = 0
    across = 2 * np.sqrt(area / np.pi)[numbers]
    inside = np.zeros(labels.shape, np.float32)
    for number in np.unique(numbers[numbers > 0]):
        rows, cols = np.nonzero(numbers == number)
        r0, r1, c0, c1 = rows.min(), rows.max() + 1, cols.min(), cols.max() + 1
        own = np.pad((numbers[r0:r1, c0:c1] == number).astype(np.uint8), 1)
        depth = cv2.distanceTransform(own, cv2.DIST_L2, 3)[1:-1, 1:-1]
        inside[r0:r1, c0:c1] = np.maximum(inside[r0:r1, c0:c1], depth)
    seen = across > VISIBLE_MM
    rim = seen & (inside / px_per_mm < RIM_MM)
    return np.stack([seen, across > COARSE_MM, rim]).astype(np.float32)


def _crop(photo: FloatArray, labels: Labels, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """One window: turned, shrunk or enlarged (which changes the stones' size), in another tone."""
    factor = WINDOW.px_per_mm / PX_PER_MM * np.exp(rng.uniform(-0.25, 0.45))
    side = min(WINDOW.n / factor, 505)
    factor = WINDOW.n / side
    turn, half = rng.uniform(0, 360), side / 2
    centre = rng.uniform(half, 512 - half, 2)
    spin = cv2.getRotationMatrix2D((float(centre[0]), float(centre[1])), float(turn), float(factor))
    matrix = np.asarray(spin, float)
    matrix[:, 2] = matrix[:, 2] + WINDOW.n / 2 - centre
    size = (WINDOW.n, WINDOW.n)
    image = cv2.warpAffine(photo, matrix, size, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REFLECT)
    mask = cv2.warpAffine(
        labels.astype(np.float32), matrix, size, flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REFLECT
    )
    tone = np.exp(rng.normal(0, 0.25) + 0.06 * rng.normal(size=3))
    level = float(rng.uniform(0.7, 1.3))
    log = np.log(np.clip(image * tone, 1e-3, 4)) * level
    seen = np.log(np.exp(log) + 0.01).transpose(2, 0, 1).astype(np.float32)
    return seen, stone_masks(np.asarray(mask, np.int64), WINDOW.px_per_mm)
