"""Straight strips that differ from the floor around them: what a machine missed, gaps between its lanes, overlaps.

A machine works in straight lanes, so its slips are long, straight and alike along their length. On cells of 20 mm the
level and the texture's contrast are set against the floor around (Gaussian mean over half a metre), averaged along
short straight lines in every direction, and what stands out of the scatter of all such averages is outlined. Width
and length come from the raw cells: where the step along and across falls to half.

What a strip is, its contrast says: less texture than beside it is less worked, more is worked twice. Where only the
colour differs, nothing is claimed. Narrow lines with more contrast are joints and cracks, and left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from assessor.surface.zone_even import TextureImage, block_mean, smooth
from assessor.values import BoolArray, FloatArray
from assessor.values.overview import Mosaic, Strip, StripKind


@dataclass(frozen=True, slots=True)
class StripSettings:
    """What counts as a strip; limits from seeded zones without any (`scripts/judge_overview`)."""

    cell_mm: float = 20.0
    around_mm: float = 500.0  # sd of the floor around: a missed half lane of 300 mm still stands out
    line_mm: float = 500.0
    line_width_mm: float = 40.0
    n_angles: int = 36
    min_z: float = 4.5  # of an average along a line, in its own robust scatter
    min_step: float = 0.08  # log; less is no strip that anybody would work again
    min_length_mm: float = 600.0
    min_aspect: float = 3.0
    joint_mm: float = 80.0  # narrower than this and dark or of strong contrast: a joint, a crack, a cable
    joint_level: float = 0.05
    joint_contrast: float = 0.4
    short_mm: float = 1000.0  # shorter strips have to differ twice as much
    gap_mm: float = 120.0  # narrower than this and less worked: a gap between lanes
    min_alike: float = 0.7  # of a strip's length that differs the same way: stains come and go along a line


def find_strips(
    mosaic: Mosaic, texture: TextureImage, settings: StripSettings | None = None
) -> tuple[tuple[Strip, ...], str]:
    """Strips of a zone, longest first, and why none can be told where that is so ("" otherwise)."""
    settings = settings or StripSettings()
    n = max(round(settings.cell_mm * mosaic.image.px_per_mm), 4)
    share = block_mean(texture.use.astype(np.float32), n)
    use = share > 0.5
    if use.sum() * (n / mosaic.image.px_per_mm) ** 2 < 1e6:
        return (), "less than one square metre was seen"
    scene = _Scene(mosaic, texture, settings, n)
    found: list[tuple[float, Strip]] = []
    for of_contrast in (True, False):
        if not of_contrast and not mosaic.light.can_tell_level:
            continue
        for sign in (-1.0, 1.0):
            for box in scene.candidates(of_contrast=of_contrast, sign=sign):
                strip = scene.measure(box, of_contrast=of_contrast, sign=sign)
                if strip is not None:
                    step = strip.contrast if of_contrast else strip.level
                    found.append((abs(step) * strip.length_m, strip))
    kept: list[Strip] = []
    for _, strip in sorted(found, key=lambda pair: -pair[0]):
        if not any(_lies_on(strip, other) for other in kept):
            kept.append(strip)
    return tuple(sorted(kept, key=lambda strip: -strip.length_m)), ""


@dataclass(frozen=True, slots=True)
class _Box:
    """A candidate in cells: middle (column, row), direction of its length (radians, rows down), length and width."""

    middle: tuple[float, float]
    turn: float
    length: float
    width: float


class _Scene:
    """The cells of one zone and their deviations from the floor around."""

    def __init__(self, mosaic: Mosaic, texture: TextureImage, settings: StripSettings, n: int) -> None:
        self.settings, self.mosaic = settings, mosaic
        self.cell_mm = n / mosaic.image.px_per_mm
        share = block_mean(texture.use.astype(np.float32), n)
        self.use: BoolArray = np.asarray(share > 0.5)
        safe = np.maximum(share, 1e-3)
        level = block_mean(np.where(texture.use, texture.log, 0), n) / safe
        contrast = 0.5 * np.log(np.maximum(block_mean(texture.band**2, n) / safe, 1e-7))
        sd = settings.around_mm / self.cell_mm
        self.fields = {of: self._deviation(field, sd) for of, field in ((False, level), (True, contrast))}

    def _deviation(self, field: FloatArray, sd: float) -> FloatArray:
        middle = float(np.median(field[self.use]))
        spread = 1.4826 * float(np.median(np.abs(field[self.use] - middle)))
        # Stains and holes must not pull the floor around: their share is held.
        held = np.clip(field, middle - 2.5 * spread, middle + 2.5 * spread).astype(np.float32)
        off = np.clip(field - smooth(held, self.use, sd), -6 * spread, 6 * spread)
        off[~self.use] = 0
        return np.asarray(off, dtype=np.float32)

    def candidates(self, *, of_contrast: bool, sign: float) -> list[_Box]:
        """Boxes round connected cells whose average along some direction stands out."""
        s = self.settings
        field = self.fields[of_contrast]
        weight = self.use.astype(np.float32)
        best = np.full(field.shape, -np.inf, np.float32)
        for k in range(s.n_angles):
            kernel = _line(s.line_mm / self.cell_mm, s.line_width_mm / self.cell_mm, np.pi * k / s.n_angles)
            covered = cv2.filter2D(weight, -1, kernel, borderType=cv2.BORDER_CONSTANT)
            mean = cv2.filter2D(field, -1, kernel, borderType=cv2.BORDER_CONSTANT) / np.maximum(covered, 0.3)
            good = self.use & (covered > 0.5)
            if good.sum() < 100:
                continue
            scatter = 1.4826 * float(np.median(np.abs(mean[good] - np.median(mean[good]))))
            limit = max(s.min_z * scatter, s.min_step)
            best = np.maximum(best, np.where(good, sign * mean / limit, -np.inf))
        over = best > 1
        labels, count = ndimage.label(
            cv2.morphologyEx(over.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
        )
        boxes = []
        for k, box in enumerate(ndimage.find_objects(labels, count), start=1):
            rows, columns = np.nonzero(labels[box] == k)
            if len(rows) < s.min_length_mm / self.cell_mm / 2:
                continue
            points = np.stack([columns + box[1].start, rows + box[0].start], -1).astype(np.float32)
            middle, (a, b), turn = cv2.minAreaRect(points)
            angle = np.radians(turn if a >= b else turn + 90)
            boxes.append(
                _Box(
                    (float(middle[0]), float(middle[1])),
                    float(angle),
                    float(max(a, b)) + 1,
                    float(min(a, b)) + 1,
                )
            )
        return boxes

    def measure(self, box: _Box, *, of_contrast: bool, sign: float) -> Strip | None:
        """Length, width, steps and kind of a candidate; None where it is no strip."""
        s = self.settings
        field = self.fields[of_contrast]
        reach = max(box.width, 6.0) + 200.0 / self.cell_mm
        half = box.length / 2 + 200.0 / self.cell_mm
        along, across = np.arange(-half, half + 0.5), np.arange(-reach, reach + 0.5)
        values = self._turned(field, box, along, across)
        inner = np.abs(along) < box.length * 0.35
        profile = sign * _nanmean(values[:, inner], 1)
        if not np.isfinite(profile).any():
            return None
        low, high = _half_width(across, profile)
        width = high - low
        if not np.isfinite(width):
            return None
        rows = (
            (across >= low) & (across <= high) if width >= 1.5 else np.abs(across - (low + high) / 2) <= 0.75
        )
        run = sign * _nanmean(values[rows], 0)
        first, last = _half_length(
            along, cv2.GaussianBlur(np.nan_to_num(run)[None].astype(np.float32), (0, 0), 3)[0]
        )
        length_mm, width_mm = (last - first) * self.cell_mm, width * self.cell_mm
        if length_mm < s.min_length_mm or length_mm < s.min_aspect * width_mm:
            return None
        columns = (along >= first) & (along <= last)
        steps = {of: self._step(self._turned(f, box, along, across), rows, columns, across, (low, high))
                 for of, f in self.fields.items()}  # fmt: skip
        main, u_main, alike = steps[of_contrast]
        least = s.min_step * (2 if length_mm < s.short_mm else 1)
        if sign * main < least or abs(main) < 3 * u_main or alike < s.min_alike:
            return None
        (level, u_level, _), (contrast, u_contrast, _) = steps[False], steps[True]
        kind = self._kind(level, contrast, u_contrast, width_mm)
        if kind is None:
            return None
        middle = (low + high) / 2
        ends = [self._place(box, v, middle) for v in (first, last)]
        direction = float(np.degrees(np.arctan2(ends[1][1] - ends[0][1], ends[1][0] - ends[0][0])) % 180)
        u_width = float(np.hypot(self.cell_mm / np.sqrt(6), 0.06 * width_mm))
        return Strip(
            kind, ends[0], ends[1], length_mm / 1000, 0.09, width_mm / 1000, u_width / 1000, direction,
            level, float(np.hypot(u_level, self.mosaic.light.u_level / 3)), contrast, u_contrast,
        )  # fmt: skip

    def _kind(self, level: float, contrast: float, u_contrast: float, width_mm: float) -> StripKind | None:
        """What the contrast says; None for a joint or crack."""
        s = self.settings
        if contrast > max(3 * u_contrast, s.min_step):
            is_line = width_mm < s.joint_mm and (level < -s.joint_level or contrast > s.joint_contrast)
            return None if is_line else "worked-twice"
        if contrast < -max(3 * u_contrast, s.min_step):
            return "lane-gap" if width_mm < s.gap_mm else "less-worked"
        return None if width_mm < s.joint_mm else "unclear"

    def _turned(self, field: FloatArray, box: _Box, along: FloatArray, across: FloatArray) -> FloatArray:
        """(across, along) samples of a field in a candidate's own directions, NaN where nothing was seen."""
        c, s = np.cos(box.turn), np.sin(box.turn)
        x = box.middle[0] + c * along[None] - s * across[:, None]
        y = box.middle[1] + s * along[None] + c * across[:, None]
        value = cv2.remap(
            field,
            x.astype(np.float32),
            y.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        seen = cv2.remap(self.use.astype(np.float32), x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR,
                         borderMode=cv2.BORDER_CONSTANT)  # fmt: skip
        return np.where(seen > 0.8, value, np.nan)

    def _step(
        self,
        values: FloatArray,
        rows: BoolArray,
        columns: BoolArray,
        across: FloatArray,
        edges: tuple[float, float],
    ) -> tuple[float, float, float]:
        """Inside less beside, its standard uncertainty, and the share of the length that differs the same way."""
        beside = ((across < edges[0] - 1.5) & (across > edges[0] - 9)) | (
            (across > edges[1] + 1.5) & (across < edges[1] + 9)
        )
        inside_run, beside_run = (
            _nanmean(values[rows][:, columns], 0),
            _nanmean(values[beside][:, columns], 0),
        )
        # In pieces of 100 mm: neighbours are alike.
        off = inside_run - beside_run
        size = max(round(100 / self.cell_mm), 1)
        pieces = _nanmean(off[: len(off) // size * size].reshape(-1, size), 1)
        pieces = pieces[np.isfinite(pieces)]
        if len(pieces) < 3:
            return 0.0, np.inf, 0.0
        mean = float(np.median(pieces))
        return (
            mean,
            float(1.25 * pieces.std() / np.sqrt(len(pieces))),
            float((np.sign(pieces) == np.sign(mean)).mean()),
        )

    def _place(self, box: _Box, along: float, across: float) -> tuple[float, float]:
        """A point of a candidate in mm."""
        c, s = np.cos(box.turn), np.sin(box.turn)
        column = box.middle[0] + c * along - s * across
        row = box.middle[1] + s * along + c * across
        image = self.mosaic.image
        return (
            float(image.x_min_mm + (column + 0.5) * self.cell_mm),
            float(image.y_max_mm - (row + 0.5) * self.cell_mm),
        )


def _line(length: float, width: float, turn: float) -> FloatArray:
    """An averaging kernel along a short line; length and width in cells, turn from +x, rows down."""
    half = int(np.ceil(length / 2)) + 1
    at = np.arange(-half, half + 1, dtype=np.float32)
    x, y = np.meshgrid(at, at)
    along, across = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    kernel = np.clip(length / 2 - np.abs(along) + 0.5, 0, 1) * np.clip(width / 2 - np.abs(across) + 0.5, 0, 1)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _nanmean(values: FloatArray, axis: int) -> FloatArray:
    """Mean of what is there, NaN where nothing is."""
    good = np.isfinite(values)
    count = good.sum(axis)
    return np.where(count > 0, np.where(good, values, 0).sum(axis) / np.maximum(count, 1), np.nan)


def _half_width(across: FloatArray, profile: FloatArray) -> tuple[float, float]:
    """Where a profile falls to half of its height over what lies beside, about its highest middle; NaN if nowhere."""
    filled = np.where(np.isfinite(profile), profile, np.nanmedian(profile))
    soft = np.convolve(np.pad(filled, 1, mode="edge"), [0.25, 0.5, 0.25], "valid")
    base = float(np.percentile(soft, 25))
    near = np.abs(across) <= np.abs(across).max() / 2
    peak_at = int(np.argmax(np.where(near, soft, -np.inf)))
    # The height of a wide strip is that of its plateau, not of one noisy row.
    top = soft[peak_at]
    plateau = soft[soft > base + 0.6 * (top - base)]
    level = base + (float(np.median(plateau)) - base) / 2
    ends = []
    for step in (-1, 1):
        k = peak_at
        while 0 < k < len(soft) - 1 and soft[k] > level:
            k += step
        if soft[k] > level:
            return np.nan, np.nan
        before = soft[k - step]
        ends.append(float(across[k] - step * (level - soft[k]) / max(before - soft[k], 1e-9)))
    return ends[0], ends[1]


def _half_length(along: FloatArray, run: FloatArray) -> tuple[float, float]:
    """The longest stretch whose value stays over half of its middle's, bridging holes of a sheet or a stain."""
    middle = np.abs(along) < np.abs(along).max() * 0.5
    over: NDArray[np.uint8] = (run > 0.5 * float(np.median(run[middle]))).astype(np.uint8)
    closed = cv2.morphologyEx(over[None], cv2.MORPH_CLOSE, np.ones((1, 17), np.uint8))[0]
    labels, count = ndimage.label(closed)
    if not count:
        return 0.0, 0.0
    longest = max(ndimage.find_objects(labels, count), key=lambda box: box[0].stop - box[0].start)[0]
    return float(along[longest.start]), float(along[longest.stop - 1])


def _lies_on(one: Strip, other: Strip) -> bool:
    """Whether a third of a strip's middle line lies on another strip: the same one, seen askew or otherwise."""
    points = np.linspace(one.start_mm, one.end_mm, 31)
    start, end = np.array(other.start_mm), np.array(other.end_mm)
    way = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
    off = points - (start + end) / 2
    along, across = np.abs(off @ way), np.abs(off @ np.array([-way[1], way[0]]))
    inside = (along < 500 * other.length_m + 50) & (across < 500 * other.width_m + 20)
    return bool(inside.mean() > 1 / 3)
