"""Slopes and albedo of the window from shading under a torch on many sides (capture kind `torch`).

Photometric stereo (Woodham 1980, Opt. Eng. 19, 139) with near lights: on a matt floor the relative light in photo k
is albedo x (1 + c_k . slope), with c_k the cotangents of the torch's direction at that very point. Three unknowns a
sample, one equation a light. Cast shadows, shine and burnt-out samples are not noise but something else: they lose
their weight against the surface that the others agree on. Smooth light errors and a floor's own long waves cannot be
told apart, so each photo's light is levelled over the window (a cubic), and long waves are gone with it.

Two disjoint sets of lights, every other one round the card, give two maps of one surface with independent noise. With
four lights nothing is left over but one residual a sample: its like is put on the map with both signs, a modelled
noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from assessor.card.layout import WINDOW_MM, Rectangle, square
from assessor.card.sampling import Grid
from assessor.card.torch_paper import TorchPaper
from assessor.errors import TooCoarseForTorch, TorchesAlike
from assessor.texture.register import register
from assessor.texture.shading import Move, Shading, WindowPhoto, WindowStack
from assessor.texture.solve import LEFT_OUT, Solution, SolveSettings, solve
from assessor.values import Adjustment, BoolArray, FloatArray, Photo, SlopeMap, ToneCurve

Slopes = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, slots=True)
class SlopeSettings:
    """Grids and limits."""

    inset_mm: float = 0.0  # of the window
    spacing_mm: float = 0.1
    coarse_mm: float = 0.2  # grid on which the photos are registered and albedo is kept
    register_rounds: int = 2
    min_lights: int = 4
    min_checked: int = 6  # lights that can be parted in two halves
    max_gap_deg: float = 140.0  # widest gap between neighbouring torches, seen from the window
    max_shadowed: float = 0.20  # of the samples: beyond, shading cannot tell heights
    flag_shadowed: float = 0.10
    min_valid: float = 0.35
    # Shine: mean light above the matt surface over its albedo, in blocks; rendered sealed patches have 0.004-0.03, matt
    # floors 0.001.
    shine_mm: float = 2.0
    least_shine: float = 0.002
    level_slope: float = 0.25
    rim_mm: float = 6.0
    flag_shine: float = 0.03
    loss_per_noise: float = 3.0
    loss_of_few: float = 0.1
    solve: SolveSettings = field(default_factory=SolveSettings)


def measure_slopes(
    photos: Sequence[Photo],
    dark: Photo | None,
    adjustment: Adjustment,
    papers: Sequence[TorchPaper],
    curves: Sequence[ToneCurve],
    *,
    window: Rectangle | None = None,
    settings: SlopeSettings | None = None,
) -> SlopeMap:
    """Solve slopes (mm/mm) and albedo on a 0.1 mm grid over the window (`designs.window_of`; None: the window card's).

    photos and papers run alike; adjustment.cameras and curves hold the torch photos first and then the dark one, if
    any. Raises TorchesAlike or TooCoarseForTorch.
    """
    use = settings or SlopeSettings()
    names = ", ".join(photo.name for photo in photos)
    order = _around(papers, use, names)
    area = (window or square(WINDOW_MM / 2)).less(use.inset_mm)
    stack = _stack(photos, dark, adjustment, papers, curves, area=area)
    coarse = Grid(area, use.coarse_mm)
    moves = register(stack, coarse, rounds=use.register_rounds, settings=use.solve)
    shading = stack.shading(Grid(area, use.spacing_mm), moves)
    # What is an outlier depends on how noisy these photos are: every tenth row tells.
    first = solve(shading.rows(10), replace(use.solve, rounds=1))
    loss = max(use.solve.loss, use.loss_per_noise * first.residual)
    if len(photos) < use.min_checked:
        # One equation is left over: whichever light is dropped, the rest fit exactly, and the residual says nothing.
        loss = max(loss, use.loss_of_few)
    whole = solve(shading, replace(use.solve, loss=loss))
    shining = _shining(whole, area, use)
    valid, shine = whole.valid & ~shining, float(shining.mean())
    counted = (whole.weights[:, ::3, ::3] > LEFT_OUT).mean(0)
    matt = ~shining[::3, ::3]
    shadowed = 1 - float(counted[matt].mean()) if matt.any() else 1.0
    _check_steepness(valid, shadowed, use, names)
    checked = len(photos) >= use.min_checked
    halves = _halves(shading, whole, order, use) if checked else _modelled(whole)
    told = {
        "not-confirmed": not checked, "torch-steep": shadowed > use.flag_shadowed, "shine": shine > use.flag_shine,
    }  # fmt: skip
    return SlopeMap(
        slope_x=whole.slope_x,
        slope_y=whole.slope_y,
        valid=valid,
        px_per_mm=1 / use.spacing_mm,
        x_min_mm=area.x_min_mm,
        y_max_mm=area.y_max_mm,
        halves=halves,
        albedo_rgb=_albedo(stack, moves, (whole, shading), coarse),
        albedo_px_per_mm=1 / use.coarse_mm,
        specular=_shrink(whole.specular, coarse.shape),
        n_lights=len(photos),
        noise_is_modelled=not checked,
        torch_share=float(np.median([paper.share for paper in papers])),
        shadowed=shadowed,
        residual=whole.residual,
        shining=shine,
        flags=tuple(code for code, is_so in told.items() if is_so),
    )


def _stack(
    photos: Sequence[Photo],
    dark: Photo | None,
    adjustment: Adjustment,
    papers: Sequence[TorchPaper],
    curves: Sequence[ToneCurve],
    *,
    area: Rectangle,
) -> WindowStack:
    gains = [paper.gain_rgb for paper in papers]
    windows = [
        WindowPhoto(photo, camera, curve, gain, area)
        for photo, camera, curve, gain in zip(photos, adjustment.cameras, curves, gains, strict=False)
    ]
    night = None
    if dark is not None:
        middle = np.exp(np.mean(np.log(gains), axis=0))
        at = len(photos)
        night = WindowPhoto(dark, adjustment.cameras[at], curves[at], middle, area)
    return WindowStack(windows, night, papers)


def _around(papers: Sequence[TorchPaper], use: SlopeSettings, names: str) -> list[int]:
    """Photos in the order of the torch's azimuth, or the refusal of too few sides."""
    if len(papers) < use.min_lights:
        raise TorchesAlike(
            f"{len(papers)} usable torch photos of the spot, at least {use.min_lights} are needed", file=names
        )
    azimuth = np.array([np.rad2deg(np.arctan2(p.position_mm[1], p.position_mm[0])) for p in papers]) % 360
    order = np.argsort(azimuth)
    gaps = np.diff(np.append(azimuth[order], azimuth[order[0]] + 360))
    if gaps.max() > use.max_gap_deg:
        raise TorchesAlike(
            f"no torch stood in {gaps.max():.0f} degrees of the circle round the card, at most"
            f" {use.max_gap_deg:.0f} may be left out",
            file=names,
        )
    return [int(k) for k in order]


def _shining(whole: Solution, area: Rectangle, use: SlopeSettings) -> BoolArray:
    """Where a film (sealer, damp, polish) throws the torch's light to the phone, which looks like slopes.

    Light above the matt surface tells it, on ground that is not steep: walls of pits and the card's cut edge glint too.
    """
    shape = Grid(area, use.shine_mm).shape
    level = (whole.slope_x**2 + whole.slope_y**2 < use.level_slope**2) & whole.valid
    shine = _shrink(whole.specular * level, shape) / np.maximum(_shrink(whole.albedo * level, shape), 0.02)
    # Stones' edges are smaller than the median's 10 mm; a patch's rim shines less than its middle.
    core = (cv2.medianBlur(shine, 5) > use.least_shine).astype(np.uint8)
    rim = round(use.rim_mm / use.shine_mm)
    core[:rim] = core[-rim:] = core[:, :rim] = core[:, -rim:] = 0
    grown = cv2.dilate(core, np.ones((5, 5), np.uint8))
    return np.asarray(cv2.resize(grown, whole.specular.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0)


def _check_steepness(valid: BoolArray, shadowed: float, use: SlopeSettings, names: str) -> None:
    if shadowed > use.max_shadowed:
        raise TooCoarseForTorch(
            f"{shadowed:.0%} of the floor's samples lie in the torch's shadow or shine,"
            f" at most {use.max_shadowed:.0%} may",
            file=names,
        )
    share = float(valid.mean())
    if share < use.min_valid:
        raise TooCoarseForTorch(
            f"slopes could be told in {share:.0%} of the window only, the rest shines, is too steep or burnt out;"
            f" at least {use.min_valid:.0%} is needed",
            file=names,
        )


def _halves(
    shading: Shading, whole: Solution, order: Sequence[int], use: SlopeSettings
) -> tuple[Slopes, Slopes]:
    """Slopes of every other light round the card, with the weights that all lights together found."""
    parts = []
    for members in (list(order[::2]), list(order[1::2])):
        own = solve(shading.only(members), use.solve, weights=whole.weights[members])
        # Where a half is blind it has nothing of its own to say.
        parts.append(
            (np.where(own.valid, own.slope_x, whole.slope_x), np.where(own.valid, own.slope_y, whole.slope_y))
        )
    return parts[0], parts[1]


def _modelled(whole: Solution) -> tuple[Slopes, Slopes]:
    """The map with a noise like its fit's residual, once added and once taken off."""
    noise_x = whole.noise * whole.gain_x
    # The residual is one number a sample: moved far enough, it is another one's.
    noise_y = np.roll(whole.noise, (137, 211), (0, 1)) * whole.gain_y
    limit = 10 * float(np.median(np.abs(noise_x[::5, ::5]))) + 1e-6
    noise_x, noise_y = (np.clip(np.where(whole.valid, n, 0), -limit, limit) for n in (noise_x, noise_y))
    return (
        (whole.slope_x + noise_x, whole.slope_y + noise_y),
        (whole.slope_x - noise_x, whole.slope_y - noise_y),
    )


def _albedo(
    stack: WindowStack, moves: Sequence[Move], found: tuple[Solution, Shading], grid: Grid
) -> FloatArray:
    """Linear reflectance (rows, columns, 3) over white paper, free of shading; shadows and shine left out."""
    total, weights = np.zeros((*grid.shape, 3), np.float32), np.zeros(grid.shape, np.float32)
    whole, shading = found
    slope_x, slope_y = (_shrink(s, grid.shape) for s in (whole.slope_x, whole.slope_y))
    for k, colour in enumerate(stack.colours(grid, moves)):
        size = shading.light.shape[1:]
        cot_x, cot_y = (
            _shrink(np.broadcast_to(cot[k], size), grid.shape) for cot in (shading.cot_x, shading.cot_y)
        )
        lit = np.maximum(1 + cot_x * slope_x + cot_y * slope_y, 0.2)
        weight = _shrink(whole.weights[k], grid.shape)
        total += colour * weight[..., None]
        weights += weight * lit
    length = np.sqrt(1 + slope_x**2 + slope_y**2)
    return np.asarray(total * (length / np.maximum(weights, 1e-3))[..., None], dtype=np.float32)


def _shrink(field_: FloatArray, shape: tuple[int, int]) -> FloatArray:
    return np.asarray(cv2.resize(np.asarray(field_, np.float32), shape[::-1], interpolation=cv2.INTER_AREA))
