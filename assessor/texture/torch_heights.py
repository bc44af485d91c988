"""Heights of the window from the torch's slopes, with their transfer and the uncertainty that all of them share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.texture.integrate import integrate_slopes
from assessor.values import Band, BoolArray, HeightMap, PrintScale, SlopeMap, ToneCurve, Torches, Transfer

TORCH_BANDS = (Band(0.5, 8.0), Band(0.5, 25.0), Band(2.5, 25.0))


@dataclass(frozen=True, slots=True)
class TorchHeightSettings:
    """Transfer and doubts, from rendered captures (scripts/judge_set --kind torch)."""

    blur_per_edge: float = 0.25  # sd of the map's own blur over the 10-90 % width of the card's edges
    u_blur: float = 0.12  # relative
    # Steep faces: the share of samples in shadow or shine, beyond what noise makes, tells how much of all waves is
    # lost, and how much more of the short ones. Fitted to 190 rendered captures of four processes up to 0.2 of the
    # samples.
    loss_per_shadow: float = 1.03
    shadow_of_noise: float = 0.012
    blur_per_loss: float = 11.0
    u_loss: float = 0.35  # of the loss
    u_per_shine: float = (
        0.3  # relative, per share of the window that shines and is left out: films have thin rims
    )
    usual_edge_mm: float = 0.26
    u_transfer: float = 0.01
    gap_mm: float = 1.2  # what is narrower is bridged by the slopes round it
    long_mm: float = 8.0  # longer waves are asked of the light (study.md part 4, E5)
    max_spread: float = 0.06  # of the paper about the torch's smooth light, for the long waves to be quoted


def heights_of_slopes(
    slopes: SlopeMap,
    torches: Torches,
    curves: Sequence[ToneCurve],
    print_scale: PrintScale,
    edge_width_mm: Sequence[float],
    *,
    settings: TorchHeightSettings | None = None,
) -> HeightMap:
    """Integrate the slopes and those of both halves to heights in mm.

    curves: the torch photos' tone curves. edge_width_mm: 10-90 % width of the card's edges in each photo.
    """
    use = settings or TorchHeightSettings()
    spacing_mm = 1 / slopes.px_per_mm
    height = integrate_slopes(slopes.slope_x, slopes.slope_y, slopes.valid, spacing_mm)
    halves = None
    if slopes.halves is not None:
        one, two = (integrate_slopes(x, y, slopes.valid, spacing_mm, rounds=2) for x, y in slopes.halves)
        halves = (one, two)
    # The tone's slope scales the shading of all photos, the tabs' heights all tangents; own errors of K torches
    # average.
    tangents = [
        torches.u_tan_common,
        math.sqrt(sum(u * u for u in torches.u_tan_own)) / max(len(torches.u_tan_own), 1),
    ]
    # Torches without a place give ranks, and those have no scale to be unsure of.
    tangents = [u for u in tangents if math.isfinite(u)]
    u_tone = max((curve.u_slope for curve in curves), default=0.0)
    shine = use.u_per_shine * slopes.shining
    scale = math.hypot(*tangents, u_tone, shine, max(print_scale.u_x, print_scale.u_y))
    sides = f"{slopes.n_lights} torches"
    return HeightMap(
        height_mm=height,
        valid=_closed(slopes.valid, use.gap_mm * slopes.px_per_mm),
        px_per_mm=slopes.px_per_mm,
        x_min_mm=slopes.x_min_mm,
        y_max_mm=slopes.y_max_mm,
        halves=halves,
        transfer=torch_transfer(edge_width_mm, slopes.shadowed, use),
        shortest_trusted_mm=TORCH_BANDS[0].short_mm,
        u_scale=scale,
        agreement=1.0 - slopes.residual,
        method=f"torch: slopes from shading under {sides}, integrated in the cosine basis",
        flags=slopes.flags,
    )


def _closed(valid: BoolArray, gap_px: float) -> BoolArray:
    """Valid with its narrow gaps closed: a pit's steep side is where most of its height lies."""
    kernel = np.ones((max(round(gap_px), 1),) * 2, np.uint8)
    return np.asarray(cv2.morphologyEx(valid.astype(np.uint8), cv2.MORPH_CLOSE, kernel) > 0)


def torch_transfer(
    edge_width_mm: Sequence[float], shadowed: float = 0.0, settings: TorchHeightSettings | None = None
) -> Transfer:
    """Share of each wavelength's amplitude that photo, sampling and shading pass: a Gaussian blur and a loss.

    The blur's width goes with the width of the photos' edges; sharpening in the phone brings some of it back, so it
    is less than the edges' own (10-90 % is 2.56 sd). Shading loses where faces are steeper than the torch is high:
    shadowed, the share of samples in shadow or shine, says how much.
    """
    use = settings or TorchHeightSettings()
    known = [width for width in edge_width_mm if math.isfinite(width) and width > 0]
    edge = math.exp(sum(math.log(width) for width in known) / len(known)) if known else use.usual_edge_mm
    loss = use.loss_per_shadow * max(shadowed - use.shadow_of_noise, 0.0)
    wavelength = np.geomspace(0.2, 60, 80)
    blur = 2 * np.pi**2 * (use.blur_per_edge * edge) ** 2 / wavelength**2
    more = blur * use.blur_per_loss * loss
    amplitude = np.maximum(np.exp(-blur - more - loss), 1e-6)
    u = use.u_transfer + amplitude * np.hypot(2 * blur * use.u_blur, (loss + more) * use.u_loss)
    method = "from the width of the card's edges and the share in shadow, fitted to rendered torch captures"
    return Transfer(wavelength, amplitude, u, method)


def bands_allowed(
    bands: Sequence[Band], spread: float, use: TorchHeightSettings
) -> tuple[tuple[Band, ...], bool]:
    """Bands that the evenness of the torch's light allows, and whether any was left out.

    spread: relative rms by which the paper misses the torch's smooth light, median of the photos.
    """
    kept = tuple(band for band in bands if band.long_mm <= use.long_mm or spread <= use.max_spread)
    return kept, len(kept) < len(bands)
