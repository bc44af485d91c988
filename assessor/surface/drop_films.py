"""Flat wet patches: films and the damp marks of absorbed drops, by their darkness alone.

Brightness is smoothed with a median that stones up to some millimetres don't pass, and patches are sought that are
darker than the floor by what water does, with an edge on all sides, at least as wide as a drop spreads. A large dark
stone is smaller, an oil stain or a sealed patch can look the same: only the record tells that water lay there. With a
photo of the same window before the drops, what was there before cancels, and small patches are found as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.surface.drop_view import DropView
from assessor.values import BoolArray, FloatArray, U8Array, freeze

LOWEST, HIGHEST = -4.0, 0.7  # of log luminance in the eight bits that the median needs
SECTORS = 16


@dataclass(frozen=True, slots=True)
class FilmSettings:
    """Found on simulated photos (seed 1 of `simulate.drops_catalogue`).

    step_log: edge's change of log luminance, weakest and strongest. Water darkens concrete by 0.25 to 0.6 (domain
    knowledge: 0.61 measured, 0.71-0.78 by the film model); the median and the edge's bands lose some of it, and dark
    stones step by more. smallest_mm: stones up to 14 mm look alike. all_round: share of sectors with an edge; solid:
    of the hull that is patch; even: spread inside over the step. opening_mm: necks narrower than this are cut.
    """

    sample_mm: float = 0.5
    median_mm: float = 5.5
    step_log: tuple[float, float] = (0.12, 0.5)
    smallest_mm: float = 16.0
    largest_mm: float = 45.0
    all_round: float = 0.9
    solid: float = 0.84
    even: float = 0.45
    threshold_step: float = 0.02
    opening_mm: float = 3.5


# Against a photo before the drops stones and stains cancel: finer, smaller, and as dark as water gets.
AGAINST_DRY = FilmSettings(
    median_mm=2.5, step_log=(0.12, 0.8), smallest_mm=4.0, all_round=0.8, solid=0.8, even=0.6, opening_mm=2.0
)


@dataclass(frozen=True, eq=False)
class FoundFilm:
    """A flat dark patch in the card frame; step_log: how much darker than the floor about it (over 0)."""

    centre_mm: FloatArray
    outline_mm: FloatArray
    width_mm: float
    u_width_mm: float
    step_log: float
    all_round: float
    solid: float

    def __post_init__(self) -> None:
        freeze(self.centre_mm)
        freeze(self.outline_mm)


@dataclass(frozen=True, eq=False)
class _Plain:
    """Log luminance without small stones and slow trends, and which samples lie inside the window."""

    level: FloatArray
    inside: BoolArray
    px_per_mm: float


def find_films(
    view: DropView, settings: FilmSettings, *, before: DropView | None = None
) -> tuple[FoundFilm, ...]:
    """All flat patches that may be a film or a damp mark, most distinct first; before: the window without drops."""
    plain = _plain(view, before, settings)
    best: list[tuple[float, FoundFilm]] = []
    for cover in _patches(plain, settings):
        film = _judge(cover, plain, view, settings)
        if film is not None:
            best.append((film.step_log * film.all_round * film.solid, film))
    kept: list[FoundFilm] = []
    for _, film in sorted(best, key=lambda pair: -pair[0]):
        near = [
            np.linalg.norm(film.centre_mm - k.centre_mm) < (film.width_mm + k.width_mm) / 2.5 for k in kept
        ]
        if not any(near):
            kept.append(film)
    return tuple(kept)


def _plain(view: DropView, before: DropView | None, settings: FilmSettings) -> _Plain:
    step = max(round(settings.sample_mm * view.px_per_mm), 1)
    n = view.luminance.shape[0] // step
    density = view.px_per_mm / step
    log = _log(view, n, step)
    if before is not None:
        log = log - _log(before, n, step)
    bytes_u8 = np.clip((log - LOWEST) / (HIGHEST - LOWEST) * 255, 0, 255).astype(np.uint8)
    size = 2 * (round(settings.median_mm * density) // 2) + 1
    middle = cv2.medianBlur(bytes_u8, size).astype(np.float32) / 255 * (HIGHEST - LOWEST) + LOWEST
    middle = np.asarray(cv2.GaussianBlur(middle, (0, 0), 1.0), dtype=np.float32)
    inside = view.inside()[step // 2 :: step, step // 2 :: step][:n, :n]
    at = (np.arange(n) + 0.5) / n * 2 - 1
    x, y = np.meshgrid(at, at)
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)
    rows, values = basis[inside], middle[inside]
    weight = np.ones_like(values)
    for _ in range(8):
        terms = np.linalg.lstsq(rows * weight[:, None], values * weight, rcond=None)[0]
        rest = values - rows @ terms
        spread = max(1.4826 * float(np.median(np.abs(rest))), 1e-3)
        weight = np.sqrt(1 / (1 + (rest / (2 * spread)) ** 2))
    level = np.where(inside, middle - basis @ terms, 0.0)
    return _Plain(level.astype(np.float32), inside, density)


def likeness(view: DropView, before: DropView, settings: FilmSettings) -> float:
    """Correlation of the fine pattern of two windows: near 1 for one place under one card, near 0 for others."""
    step = max(round(settings.sample_mm * view.px_per_mm), 1)
    n = view.luminance.shape[0] // step
    inside = view.inside()[step // 2 :: step, step // 2 :: step][:n, :n]
    fine = []
    for one in (view, before):
        log = _log(one, n, step)
        fine.append((log - cv2.GaussianBlur(log, (0, 0), 3.0 * view.px_per_mm / step))[inside])
    return float(np.corrcoef(fine[0], fine[1])[0, 1])


def _log(view: DropView, n: int, step: int) -> FloatArray:
    """Log luminance of step x step samples each, (n, n)."""
    small = cv2.resize(view.luminance[: n * step, : n * step], (n, n), interpolation=cv2.INTER_AREA)
    return np.asarray(np.log(small), dtype=np.float32)


def _patches(plain: _Plain, settings: FilmSettings) -> Iterator[U8Array]:
    """Connected dark patches of a drop's size at every threshold, holes filled, (n, n) of 0 and 1."""
    size = max(round(settings.opening_mm * plain.px_per_mm), 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    for threshold in np.arange(settings.step_log[0] / 2, settings.step_log[1], settings.threshold_step):
        dark = ((plain.level < -threshold) & plain.inside).astype(np.uint8)
        dark = np.asarray(cv2.morphologyEx(dark, cv2.MORPH_OPEN, disc), dtype=np.uint8)
        lines, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for line in lines:
            width = 2 * np.sqrt(cv2.contourArea(line) / np.pi) / plain.px_per_mm
            if settings.smallest_mm * 0.9 < width < settings.largest_mm:
                cover = np.zeros_like(dark)
                cv2.drawContours(cover, [line], -1, 1, -1)
                yield cover


def _judge(cover: U8Array, plain: _Plain, view: DropView, settings: FilmSettings) -> FoundFilm | None:
    """The patch as a film where it looks like one."""
    density = plain.px_per_mm
    width = 2 * float(np.sqrt(cover.sum() / np.pi)) / density
    line = max(cv2.findContours(cover, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=cv2.contourArea)
    hull = np.zeros_like(cover)
    cv2.drawContours(hull, [cv2.convexHull(line)], -1, 1, -1)
    solid = float(cover.sum() / max(hull.sum(), 1))
    if not settings.smallest_mm <= width <= settings.largest_mm or solid < settings.solid:
        return None
    rows, cols = np.nonzero(cover)
    middle = float(cols.mean()), float(rows.mean())
    within = cv2.distanceTransform(cover, cv2.DIST_L2, 3) / density
    beyond = cv2.distanceTransform(1 - cover, cv2.DIST_L2, 3) / density
    near, deep = min(0.8, 0.1 * width), min(2.8, 0.4 * width)
    inner: BoolArray = (within > near) & (within < deep)
    outer: BoolArray = (beyond > near) & (beyond < deep) & plain.inside
    steps = _sectors(plain.level, outer, middle) - _sectors(plain.level, inner, middle)
    if not np.isfinite(steps).any():
        return None
    step = float(np.nanmean(steps))
    round_ = float(np.mean(steps > 0.4 * step))  # a sector out of sight is none with an edge
    even = float(plain.level[cover > 0].std()) / max(step, 1e-3)
    if not settings.step_log[0] <= step <= settings.step_log[1]:
        return None
    if round_ < settings.all_round or even > settings.even:
        return None
    points = line[:, 0].astype(float)
    outline = np.stack(
        [view.x_min_mm + (points[:, 0] + 0.5) / density, view.y_max_mm - (points[:, 1] + 0.5) / density], 1
    )
    centre = np.array(
        [view.x_min_mm + (middle[0] + 0.5) / density, view.y_max_mm - (middle[1] + 0.5) / density]
    )
    # Where in its soft, ragged edge a film ends is a matter of taste: half a millimetre to a millimetre each side.
    return FoundFilm(
        centre, outline, width, float(np.hypot(min(0.8, 0.1 * width), 0.04 * width)), step, round_, solid
    )


def _sectors(level: FloatArray, mask: BoolArray, middle: tuple[float, float]) -> FloatArray:
    """Mean level of a mask's samples by direction from the middle, (SECTORS,); nan where there are too few."""
    rows, cols = np.nonzero(mask)
    turn = np.arctan2(rows - middle[1], cols - middle[0]) / (2 * np.pi) % 1
    sector = (turn * SECTORS).astype(int) % SECTORS
    total = np.bincount(sector, level[rows, cols], SECTORS)
    count = np.bincount(sector, minlength=SECTORS)
    return np.asarray(np.where(count > 3, total / np.maximum(count, 1), np.nan))
