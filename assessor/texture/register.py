"""What is left to move after the card's registration: the window lies below the card, and hands move.

A plane below the card is seen by cameras in different places as shifted and stretched; so each photo gets a shift and
a stretch that bring it onto the surface solved from all of them: albedo and shading predict what the photo should
show, and a step of Lucas and Kanade (1981) over the whole window says how far it lies off. Their mean over the photos
is left out: nothing tells it, and the map keeps its place.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from assessor.card.sampling import Grid
from assessor.texture.shading import STILL, Move, WindowStack
from assessor.texture.solve import SolveSettings, solve
from assessor.values import FloatArray

MARGIN_MM = 5.0  # the card's cut edge and its shadow lie there


def register(stack: WindowStack, grid: Grid, *, rounds: int, settings: SolveSettings) -> tuple[Move, ...]:
    """Find the moves of all photos, the dark one last if there is one."""
    quick = replace(settings, rounds=1)
    moves = [STILL] * (len(stack.windows) + (stack.dark is not None))
    for _ in range(rounds):
        shading = stack.shading(grid, moves)
        found = solve(shading, quick)
        steps = []
        for k, light in enumerate(shading.light):
            expected = found.albedo * (
                1 + shading.cot_x[k] * found.slope_x + shading.cot_y[k] * found.slope_y
            )
            steps.append(_step(expected, light, found.weights[k] * found.valid, grid))
        if stack.dark is not None:
            dark = stack.dark.sample(grid, moves[-1])
            steps.append(_step(found.albedo, _like(dark, found.albedo), found.valid.astype(np.float32), grid))
        mean = np.mean(steps[: len(stack.windows)], axis=0)
        moves = [_add(move, step - mean) for move, step in zip(moves, steps, strict=True)]
    return tuple(moves)


def _like(dark: FloatArray, albedo: FloatArray) -> FloatArray:
    """The dark photo at the albedo's level, block by block."""
    few = (12, 12)
    size = dark.shape[::-1]
    levels = [cv2.resize(np.nan_to_num(part), few, interpolation=cv2.INTER_AREA) for part in (albedo, dark)]
    ratio = (levels[0] / np.maximum(levels[1], 1e-4)).astype(np.float32)
    return np.asarray(dark * cv2.resize(ratio, size, interpolation=cv2.INTER_LINEAR))


def _step(expected: FloatArray, seen: FloatArray, weight: FloatArray, grid: Grid) -> FloatArray:
    """Shift and stretch (6,) that move a photo onto what is expected: shift x, y, then stretch by rows."""
    margin = round(MARGIN_MM / grid.spacing_mm)
    inner = np.s_[margin:-margin:2, margin:-margin:2]
    smooth = cv2.GaussianBlur(np.asarray(expected, np.float32), (0, 0), 1.0)
    off = cv2.GaussianBlur(np.nan_to_num(expected - seen), (0, 0), 1.0)[inner].ravel()
    per_mm = np.float32(1 / (2 * grid.spacing_mm))
    gx = cv2.filter2D(smooth, cv2.CV_32F, np.array([[-1, 0, 1]]) * per_mm)[inner].ravel()
    gy = cv2.filter2D(smooth, cv2.CV_32F, np.array([[1], [0], [-1]]) * per_mm)[inner].ravel()
    x, y = (part[inner].ravel().astype(np.float32) / 60 for part in grid.places_mm())
    basis = np.stack([gx, gy, gx * x, gx * y, gy * x, gy * y])
    spread = 1.4826 * float(np.median(np.abs(off))) + 1e-6
    sure = weight[inner].ravel() / (1 + np.square(off / (3 * spread)))
    normal = (basis * sure) @ basis.T
    normal += 1e-6 * np.trace(normal) * np.eye(6)
    found = np.linalg.solve(normal, (basis * sure) @ off)
    found[2:] /= 60
    return np.asarray(np.clip(found, [-0.5] * 2 + [-0.01] * 4, [0.5] * 2 + [0.01] * 4))


def _add(move: Move, step: FloatArray) -> Move:
    return Move(move.shift_mm + step[:2], move.stretch + step[2:].reshape(2, 2))
