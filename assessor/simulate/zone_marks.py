"""What lies on a zone's floor: islands of coating, stains, tyre marks, dust, and things that are not floor at all."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.simulate.imaging import blur
from assessor.simulate.zone_floor import ZoneFloor
from assessor.values import PATCH_KINDS, BoolArray, FloatArray, PatchKind, U8Array


@dataclass(frozen=True, slots=True)
class MarksRecipe:
    """How many of each; places and sizes are drawn."""

    islands: int = 14
    oil: int = 2
    drips: int = 1
    tyres: int = 1
    damp: int = 0
    dust: int = 1
    adhesive: int = 1
    repairs: int = 0
    broom: bool = True
    cable: bool = True
    boot: bool = False


@dataclass(frozen=True, eq=False)
class TrueMarks:
    """kinds (H, W): 0 bare, else 1 + the kind's place in PATCH_KINDS; debris (H, W) True where no floor is seen."""

    kinds: U8Array
    debris: BoolArray


def code_of(kind: PatchKind) -> int:
    """The number of a kind in the masks."""
    return PATCH_KINDS.index(kind) + 1


def paint_marks(floor: ZoneFloor, recipe: MarksRecipe, rng: np.random.Generator) -> TrueMarks:
    """Paint all marks into the floor's albedo in place and return the truth."""
    brush = _Brush(floor, rng)
    for _ in range(recipe.repairs):
        brush.repair()
    for _ in range(recipe.damp):
        brush.blob("damp", rng.uniform(250, 600), -rng.uniform(0.2, 0.45), soft_mm=25, smooth=0.8)
    for _ in range(recipe.dust):
        kind: PatchKind = "dust" if rng.random() < 0.5 else "laitance"
        brush.blob(kind, rng.uniform(120, 400), rng.uniform(0.18, 0.4), soft_mm=12, smooth=0.5)
    for _ in range(recipe.tyres):
        brush.tyre()
    for _ in range(recipe.oil):
        brush.blob("oil", rng.uniform(60, 260), -rng.uniform(0.2, 0.75), soft_mm=7, smooth=0.9)
    for _ in range(recipe.drips):
        brush.drips()
    for _ in range(recipe.adhesive):
        brush.adhesive()
    for _ in range(recipe.islands):
        brush.island()
    debris = brush.objects(broom=recipe.broom, cable=recipe.cable, boot=recipe.boot)
    brush.kinds[debris] = 0
    return TrueMarks(brush.kinds, debris)


class _Brush:
    """Paints into one floor; keeps the kinds' mask."""

    def __init__(self, floor: ZoneFloor, rng: np.random.Generator) -> None:
        self.floor, self.rng = floor, rng
        self.kinds: U8Array = np.zeros(floor.passes.shape, np.uint8)
        self.px = floor.px_per_mm

    def _place(self) -> tuple[int, int]:
        height, width = self.kinds.shape
        pad = 0.09  # marks lie within the zone and a little beyond
        col = self.rng.uniform(pad, 1 - pad) * width
        row = self.rng.uniform(pad, 1 - pad) * height
        return round(col), round(row)

    def _shape(self, radius_mm: float, knobbly: float = 0.35) -> FloatArray:
        """1 inside an irregular outline, 0 outside, on a box of its own."""
        half = int(np.ceil(radius_mm * self.px * 1.9)) + 3
        theta = np.linspace(0, 2 * np.pi, 96, endpoint=False)
        radius = np.ones(96)
        for k in range(2, 9):
            radius += self.rng.normal(0, knobbly / k) * np.cos(k * theta + self.rng.uniform(0, 2 * np.pi))
        radius = np.clip(radius, 0.3, 1.8) * radius_mm * self.px
        stretch = self.rng.uniform(0.6, 1.0)
        points = np.stack([half + radius * np.cos(theta), half + stretch * radius * np.sin(theta)], -1)
        turn = cv2.getRotationMatrix2D((half, half), float(self.rng.uniform(0, 180)), 1.0)
        points = points @ turn[:, :2].T + turn[:, 2]
        box = np.zeros((2 * half + 1, 2 * half + 1), np.uint8)
        cv2.fillPoly(box, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, shift=4)
        return box.astype(np.float32) / 255

    def _lay(self, cover: FloatArray, at: tuple[int, int]) -> tuple[slice, slice, FloatArray] | None:
        """The floor's window under a box and the part of the cover that lies in it."""
        height, width = self.kinds.shape
        top, left = at[1] - cover.shape[0] // 2, at[0] - cover.shape[1] // 2
        r0, r1 = max(top, 0), min(top + cover.shape[0], height)
        c0, c1 = max(left, 0), min(left + cover.shape[1], width)
        if r0 >= r1 or c0 >= c1:
            return None
        return slice(r0, r1), slice(c0, c1), cover[r0 - top : r1 - top, c0 - left : c1 - left]

    def blob(self, kind: PatchKind, radius_mm: float, log: float, *, soft_mm: float, smooth: float) -> None:
        """An irregular stain of one log contrast with a soft edge; smooth: what is left of the fine texture."""
        cover = blur(self._shape(radius_mm), soft_mm * self.px)
        got = self._lay(cover, self._place())
        if got is None:
            return
        rows, cols, part = got
        view = self.floor.albedo[rows, cols]
        even = blur(view, 6 * self.px)
        calm = part[..., None] * np.float32(1 - smooth)
        warm = np.array([1.0, 0.97, 0.9], np.float32) if kind == "oil" else np.ones(3, np.float32)
        view[...] = (
            (view + calm * (even - view))
            * np.exp(np.float32(log) * part)[..., None]
            * (1 + part[..., None] * (warm - 1))
        )
        self.kinds[rows, cols][part > 0.5] = code_of(kind)

    def island(self) -> None:
        """An island of left-over coating, 1-30 cm2: even, of its own colour; none where something lies."""
        area = float(np.exp(self.rng.uniform(np.log(110.0), np.log(3000.0))))
        shape = self._shape(float(np.sqrt(area / np.pi / 0.8)), 0.5)
        got = self._lay(blur(shape, 0.5), self._place())
        if got is None:
            return
        rows, cols, part = got
        view = self.floor.albedo[rows, cols]
        if (self.kinds[rows, cols][part > 0.5] != 0).any():
            return
        level = np.median(view.reshape(-1, 3), axis=0)
        log = self.rng.choice([-1.0, 1.0], p=[0.6, 0.4]) * self.rng.uniform(0.18, 0.6)
        tint = np.exp(self.rng.normal(0, 0.06, 3)).astype(np.float32)
        colour = np.clip(level * np.exp(np.float32(log)) * tint, 0.04, 0.8)
        grain = view / np.maximum(blur(view, 4 * self.px), 0.02)
        film = colour * (1 + np.float32(0.3) * (grain - 1))
        view += part[..., None] * (film - view)
        self.kinds[rows, cols][part > 0.5] = code_of("coating")

    def drips(self) -> None:
        """A row of small dark drops."""
        at, way = np.array(self._place(), float), self.rng.normal(0, 1, 2)
        for _ in range(int(self.rng.integers(4, 9))):
            at = at + way / np.linalg.norm(way) * self.rng.uniform(60, 160) * self.px
            cover = blur(self._shape(self.rng.uniform(8, 22)), 2 * self.px)
            got = self._lay(cover, (round(at[0]), round(at[1])))
            if got is None:
                return
            rows, cols, part = got
            self.floor.albedo[rows, cols] *= np.exp(-np.float32(0.55) * part)[..., None]
            self.kinds[rows, cols][part > 0.5] = code_of("oil")

    def tyre(self) -> None:
        """A tyre's track in a wide bend: two dark edges and a faint tread between."""
        height, width = self.kinds.shape
        cover = np.zeros((height, width), np.uint8)
        start, radius = np.array(self._place(), float), self.rng.uniform(1200, 4000) * self.px
        turn = self.rng.uniform(0, 2 * np.pi)
        angles = np.linspace(0, self.rng.uniform(0.35, 0.8), 80) * self.rng.choice([-1, 1])
        tread = self.rng.uniform(160, 230) * self.px
        for off, thick, value in ((-tread / 2, 26, 255), (tread / 2, 26, 255), (0.0, 70, 120)):
            r = radius + off
            path = start + np.stack(
                [
                    r * np.cos(angles + turn) - radius * np.cos(turn),
                    r * np.sin(angles + turn) - radius * np.sin(turn),
                ],
                -1,
            )
            cv2.polylines(
                cover,
                [np.round(path).astype(np.int32)],
                False,
                value,
                max(round(thick * self.px), 1),
                cv2.LINE_AA,
            )
        soft = blur(cover.astype(np.float32) / 255, 3 * self.px)
        log = -float(self.rng.uniform(0.25, 0.6))
        self.floor.albedo[...] *= np.exp(np.float32(log) * soft)[..., None]
        self.kinds[soft > 0.5] = code_of("rubber")

    def adhesive(self) -> None:
        """Brown combed ridges of glue in a blot."""
        shape = self._shape(self.rng.uniform(60, 200))
        at = np.arange(shape.shape[1], dtype=np.float32)[None] / self.px
        comb = 0.65 + 0.35 * np.sign(np.sin(2 * np.pi * (at + 0.3 * at.T[: shape.shape[0]]) / 9.0))
        got = self._lay(blur(shape * comb, 1.0), self._place())
        if got is None:
            return
        rows, cols, part = got
        glue = np.array([0.20, 0.14, 0.07], np.float32)
        view = self.floor.albedo[rows, cols]
        view += np.float32(0.75) * part[..., None] * (glue - view)
        self.kinds[rows, cols][blur(part, 4 * self.px) > 0.35] = code_of("adhesive")

    def repair(self) -> None:
        """A rectangular repair of another mortar."""
        col, row = self._place()
        w, h = (round(v * self.px) for v in self.rng.uniform(150, 420, 2))
        view = self.floor.albedo[row : row + h, col : col + w]
        level = view.mean((0, 1)) * np.float32(np.exp(self.rng.choice([-1, 1]) * self.rng.uniform(0.15, 0.3)))
        view[...] = level * (1 + np.float32(0.4) * (view / np.maximum(blur(view, 4 * self.px), 0.02) - 1))
        self.kinds[row : row + h, col : col + w] = code_of("aggregate")

    def objects(self, *, broom: bool, cable: bool, boot: bool) -> BoolArray:
        """Broom, cable and boot with a soft shadow at their feet: what hides the floor; returns where."""
        height, width = self.kinds.shape
        debris = np.zeros((height, width), np.uint8)
        for wanted, paint in ((broom, self._broom), (cable, self._cable), (boot, self._boot)):
            if wanted:
                mask = np.zeros((height, width), np.uint8)
                colour = paint(mask)
                soft = blur(mask.astype(np.float32) / 255, 0.7)
                shade = blur(
                    np.roll(mask, (round(12 * self.px),) * 2, (0, 1)).astype(np.float32) / 255, 8 * self.px
                )
                self.floor.albedo[...] *= (1 - 0.35 * shade)[..., None]
                self.floor.albedo[...] += soft[..., None] * (colour - self.floor.albedo)
                # The shadow at its foot belongs to it.
                debris |= ((soft > 0.3) | (shade > 0.3)).astype(np.uint8)
        return np.asarray(debris > 0)

    def _broom(self, mask: U8Array) -> FloatArray:
        col, row = self._place()
        turn = self.rng.uniform(0, 2 * np.pi)
        way = np.array([np.cos(turn), np.sin(turn)])
        head, end = np.array([col, row], float), np.array([col, row]) + way * 1200 * self.px
        cv2.line(mask, _ints(head), _ints(end), 255, round(26 * self.px), cv2.LINE_AA)
        side = np.array([-way[1], way[0]]) * 220 * self.px
        cv2.line(mask, _ints(head - side), _ints(head + side), 255, round(90 * self.px), cv2.LINE_AA)
        return np.array([0.35, 0.22, 0.10], np.float32)

    def _cable(self, mask: U8Array) -> FloatArray:
        steps = np.cumsum(self.rng.normal(0, 0.12, 90)) + self.rng.uniform(0, 2 * np.pi)
        path = (
            np.array(self._place())
            + np.cumsum(np.stack([np.cos(steps), np.sin(steps)], -1), 0) * 25 * self.px
        )
        cv2.polylines(mask, [np.round(path).astype(np.int32)], False, 255, round(12 * self.px), cv2.LINE_AA)
        return np.array([0.55, 0.20, 0.03], np.float32)

    def _boot(self, mask: U8Array) -> FloatArray:
        col, row = self._place()
        size = round(150 * self.px), round(55 * self.px)
        cv2.ellipse(mask, (col, row), size, float(self.rng.uniform(0, 180)), 0, 360, 255, -1, cv2.LINE_AA)
        return np.array([0.05, 0.045, 0.04], np.float32)


def _ints(point: FloatArray) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))
