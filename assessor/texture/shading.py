"""The window under each torch: relative light on a grid, free of ambient light, exposure and fall-off.

What is left of a sample is `albedo x (1 + cotangent . slope)`: the floor's torch light over what level white paper
would have there. Samples are taken by cubic interpolation on linear light, where the window's own plane is seen
(`register`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.layout import Rectangle
from assessor.card.linear import LUMINANCE, linear_rgb
from assessor.card.sampling import Grid, polynomials_of
from assessor.card.torch_paper import TorchPaper
from assessor.texture.stereo_view import resize_to
from assessor.values import BoolArray, Camera, FloatArray, Photo, ToneCurve

CLIPPED_BYTE = 253
BLOCK_MM = 4.0  # light is levelled on means over such blocks


@dataclass(frozen=True, eq=False)
class Move:
    """Where a photo really shows the point x of the window: at x + shift + stretch x, mm on the card plane."""

    shift_mm: FloatArray
    stretch: FloatArray

    def apply(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Moved positions, mm."""
        (a, b), (c, d) = self.stretch
        return x + self.shift_mm[0] + a * x + b * y, y + self.shift_mm[1] + c * x + d * y


STILL = Move(np.zeros(2), np.zeros((2, 2)))


@dataclass(frozen=True, eq=False)
class Shading:
    """Relative light of K photos and its cotangents, (K, rows, columns) float32 each.

    base: how much each sample can say. cot_x may be (K, 1, columns) and cot_y (K, rows, 1).

    light is `albedo x (1 + cot_x dz/dx + cot_y dz/dy)`; NaN where burnt out.
    """

    light: FloatArray
    cot_x: FloatArray
    cot_y: FloatArray
    base: FloatArray

    def only(self, members: Sequence[int]) -> Shading:
        """The same of some photos."""
        chosen = list(members)
        return Shading(self.light[chosen], self.cot_x[chosen], self.cot_y[chosen], self.base[chosen])

    def rows(self, step: int) -> Shading:
        """The same of every step-th row."""
        part = np.s_[:, ::step]
        return Shading(self.light[part], self.cot_x[part], self.cot_y[part], self.base[part])


class WindowPhoto:
    """One photo's window, cut out once and sampled as often as wanted."""

    def __init__(
        self, photo: Photo, camera: Camera, curve: ToneCurve, gain_rgb: FloatArray, area: Rectangle
    ) -> None:
        self.camera, self.area, self.curve = camera, area, curve
        wide = area.less(-3.0)
        across, up = (wide.x_min_mm, wide.x_max_mm), (wide.y_min_mm, wide.y_max_mm)
        corners = np.array([[x, y, z] for x in across for y in up for z in (0.0, -6.0)])
        at = camera.project(corners)
        width, height = photo.size_px
        low = np.clip(np.floor(at.min(0)).astype(int) - 3, 0, (width - 4, height - 4))
        high = np.clip(np.ceil(at.max(0)).astype(int) + 4, low + 4, (width, height))
        self.rgb = np.ascontiguousarray(photo.rgb_u8[low[1] : high[1], low[0] : high[0]])
        self.low, self.gain_rgb = low, gain_rgb
        # Grey whose channels are weighed by the torch's own colour on paper, which settles the white balance.
        self.grey = np.zeros(self.rgb.shape[:2], np.float32)
        for channel, weight, gain in zip(cv2.split(self.rgb), LUMINANCE, gain_rgb, strict=True):
            self.grey += cv2.LUT(channel, (curve.table * (weight / max(gain, 1e-6))).astype(np.float32))
        burnt = (self.rgb.max(2) >= CLIPPED_BYTE).astype(np.uint8)
        self.burnt = cv2.dilate(burnt, np.ones((3, 3), np.uint8)) if burnt.any() else None

    def sample(self, grid: Grid, move: Move = STILL) -> FloatArray:
        """Linear light (rows, columns) over the torch's on paper at the window's centre; NaN where burnt out."""
        places = self._places(grid, move)
        seen = cv2.remap(self.grey, *places, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        if self.burnt is not None:
            gone = cv2.remap(self.burnt, *places, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
            seen[gone > 0] = np.nan
        return np.asarray(seen)

    def sample_rgb(self, grid: Grid, move: Move) -> FloatArray:
        """The same in colour, (rows, columns, 3)."""
        seen = cv2.remap(
            self.rgb, *self._places(grid, move), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(
            linear_rgb(np.asarray(seen, np.uint8), self.curve.table) / self.gain_rgb.astype(np.float32)
        )

    def _places(self, grid: Grid, move: Move) -> tuple[FloatArray, FloatArray]:
        fields = polynomials_of(
            lambda x, y: self.camera.project(np.stack([*move.apply(x, y), np.zeros_like(x)], -1)) - self.low,
            self.area,
        )
        return grid.evaluate(fields[0]), grid.evaluate(fields[1])


class WindowStack:
    """The windows of all photos of a torch capture; `dark` is the photo without torch, if there is one."""

    def __init__(
        self,
        windows: Sequence[WindowPhoto],
        dark: WindowPhoto | None,
        papers: Sequence[TorchPaper],
    ) -> None:
        self.windows, self.dark, self.papers = tuple(windows), dark, tuple(papers)

    def shading(self, grid: Grid, moves: Sequence[Move]) -> Shading:
        """Relative light on a grid; moves: one a photo, then the dark one's."""
        dark = self.dark.sample(grid, moves[-1]) if self.dark is not None else None
        k, (rows, columns) = len(self.windows), grid.shape
        light, base = (np.empty((k, rows, columns), np.float32) for _ in range(2))
        # A torch's cotangents go with x and y alone, unless ambient light shares them out.
        flat = dark is not None
        cot_x = np.empty((k, 1 if flat else rows, columns), np.float32)
        cot_y = np.empty((k, rows, 1 if flat else columns), np.float32)
        for at in range(k):
            light[at], cot_x[at], cot_y[at], base[at] = self._one(at, moves[at], grid, dark)
        # Noise is about the same in all photos, so a sample says more where the torch is bright.
        base /= base.mean(0)
        np.maximum(base, np.float32(0.2), out=base)
        return Shading(_levelled(light, grid), cot_x, cot_y, base)

    def _one(
        self, k: int, move: Move, grid: Grid, dark: FloatArray | None
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        window, paper = self.windows[k], self.papers[k]
        torch, cot_x, cot_y = torch_fields(paper, grid)
        seen = window.sample(grid, move)
        if dark is not None and self.dark is not None:
            # The dark photo's grey is weighed by its own gains.
            ratio = float(np.exp(np.mean(np.log(self.dark.gain_rgb / window.gain_rgb))))
            seen -= np.float32(paper.ambient_scale * ratio) * dark
            return seen / torch, cot_x[:1], cot_y[:, :1], torch
        # Without a dark photo the ambient light stays in and shares the shading out.
        whole = torch + np.float32((1 - paper.share) / paper.share)
        part = torch / whole
        return seen / whole, cot_x * part, cot_y * part, torch * part

    def colours(self, grid: Grid, moves: Sequence[Move]) -> Iterator[FloatArray]:
        """Relative light in colour of each photo, (rows, columns, 3), without ambient light; moves as in `shading`."""
        dark = self.dark.sample_rgb(grid, moves[-1]) if self.dark is not None else None
        for k, (window, paper) in enumerate(zip(self.windows, self.papers, strict=True)):
            torch = torch_fields(paper, grid)[0][..., None]
            seen = window.sample_rgb(grid, moves[k])
            if dark is None or self.dark is None:
                yield np.asarray(seen / (torch + np.float32((1 - paper.share) / paper.share)))
            else:
                ratio = (paper.ambient_scale * self.dark.gain_rgb / window.gain_rgb).astype(np.float32)
                yield np.asarray((seen - ratio * dark) / torch)


def torch_fields(paper: TorchPaper, grid: Grid) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Torch light on level paper over that at the centre, and cotangents along x and y, float32 on the grid."""
    x, y = Grid(grid.area, 10 * grid.spacing_mm).places_mm()
    light, cot_x, cot_y = (
        resize_to(np.asarray(part, np.float32), grid)
        for part in (np.exp(paper.log_light(x, y)), *paper.cotangents(x, y))
    )
    return light, cot_x, cot_y


def _levelled(light: FloatArray, grid: Grid) -> FloatArray:
    """Take out of each photo (K, rows, columns) what differs from the others as smoothly as a cubic over the window.

    A wrong beam or place of the torch looks just so, and so do slopes over waves far longer than the texture's. Blocks
    that are half burnt out (NaN) say nothing.
    """
    width, height = grid.area.size_mm
    few = max(round(height / BLOCK_MM), 8), max(round(width / BLOCK_MM), 8)
    seen = np.stack([_blocks(np.isfinite(part), few) for part in light])
    blocks = np.stack([_blocks(np.nan_to_num(part), few) for part in light]) / np.maximum(seen, 1e-3)
    usable = seen > 0.5
    mean = (blocks * usable).sum(0) / np.maximum(usable.sum(0), 1)
    log = np.log(np.maximum(blocks, 1e-4) / np.maximum(mean, 1e-4))
    down, along = ((np.arange(n) + 0.5) / n * 2 - 1 for n in few)
    basis = np.stack([np.outer(down**i, along**j) for i in range(4) for j in range(4 - i)]).reshape(10, -1).T
    for k, own in enumerate(usable.reshape(len(light), -1)):
        fitted = basis @ np.linalg.lstsq(basis[own], log[k].ravel()[own], rcond=None)[0]
        smooth = np.exp(-fitted).reshape(few).astype(np.float32)
        light[k] *= cv2.resize(smooth, light.shape[:0:-1], interpolation=cv2.INTER_CUBIC)
    return light


def _blocks(field: FloatArray | BoolArray, few: tuple[int, int]) -> FloatArray:
    return np.asarray(cv2.resize(np.asarray(field, np.float32), few[::-1], interpolation=cv2.INTER_AREA))
