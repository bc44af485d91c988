"""A learned look at a floor in plan: what every sample is likely to be, and where particles lie.

The network was trained on drawn floors only (`training.dirt_scenes`) and on three photos of gravel; what its numbers
are worth stands in its card. It sees colour and shape, not shine: see `gloss` for that.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np

from assessor.surface.zone_weigh import ZoneWeights
from assessor.texture.model import Package, read_package
from assessor.values import PATCH_KINDS, FloatArray, FloorImage, Segments

FLOOR = 0.01  # added before the logarithm: darker than this is noise
STRIDE = 16  # sides are padded to multiples of this
TILE, OVERLAP = 768, 64  # samples; larger floors are looked at in tiles so that memory stays small


@dataclass(frozen=True, eq=False)
class Segmenter:
    """One packaged network: the grid it was trained at, whether it tells stones, and its calibration.

    temperature: of the kinds' logits, sample by sample. kind_temperature: of a patch's mean probabilities. likely:
    weights of `patches.likely_features`, whose sum is the logit that a patch is one. zone: of overviews, how places are
    weighed. stones_logit: factor and shift of the stones' logits, by which shares of area come out right.
    """

    title: str
    px_per_mm: float
    stones: bool
    temperature: float
    kind_temperature: float
    likely: tuple[float, ...]
    session: Any
    zone: ZoneWeights | None = None
    stones_logit: tuple[float, float] = (1.0, 0.0)

    def ask(self, log_rgb: FloatArray) -> tuple[FloatArray, FloatArray | None]:
        """(h, w, 3) log reflectance to probabilities of kinds (11, h, w) and of stones (3, h, w) or None."""
        height, width = log_rgb.shape[:2]
        below, right = -height % STRIDE, -width % STRIDE
        padded = np.pad(
            log_rgb, ((0, below), (0, right), (0, 0)), mode="reflect" if min(height, width) > 16 else "edge"
        )
        given = channels(padded)[None]
        names = ["kinds", "stones"] if self.stones else ["kinds"]
        out = self.session.run(names, {"image": given})
        kinds = _softmax(out[0][0, :, :height, :width] / self.temperature)
        slope, shift = self.stones_logit
        stones = _sigmoid(slope * (out[1][0, :, :height, :width] + shift)) if self.stones else None
        return kinds, stones


@cache
def load_segmenter(name: str) -> Segmenter:
    """Read a packaged network once a process; ModelUnusable where it is missing or broken."""
    return read_package(name, _segmenter)


def segment(image: FloorImage, name: str) -> Segments:
    """Look at a floor image with the packaged network `name`; the image is brought to the network's own density.

    Raises ModelUnusable. Samples that are not valid are shown as the floor's median.
    """
    network = load_segmenter(name)
    scaled = resample(image, network.px_per_mm)
    reflectance = np.array(scaled.reflectance)
    if not scaled.valid.all() and scaled.valid.any():
        reflectance[~scaled.valid] = np.median(reflectance[scaled.valid], axis=0)
    log_rgb = np.log(np.clip(reflectance, 1e-3, 4) + np.float32(FLOOR)).astype(np.float32)
    kinds, stones = _tiled(network, log_rgb)
    assert len(kinds) == len(PATCH_KINDS) + 1
    return Segments(
        kinds=kinds,
        visible=None if stones is None else stones[0],
        coarse=None if stones is None else stones[1],
        rim=None if stones is None else stones[2],
        px_per_mm=network.px_per_mm,
        x_min_mm=scaled.x_min_mm,
        y_max_mm=scaled.y_max_mm,
        model=network.title,
    )


def resample(image: FloorImage, px_per_mm: float) -> FloorImage:
    """The same floor at another density; averaged where it gets coarser."""
    factor = px_per_mm / image.px_per_mm
    if abs(factor - 1) < 1e-6:
        return image
    rows, cols = (max(round(n * factor), 1) for n in image.valid.shape)
    way = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    reflectance = cv2.resize(np.asarray(image.reflectance), (cols, rows), interpolation=way)
    valid = cv2.resize(image.valid.astype(np.float32), (cols, rows), interpolation=way) > 0.5
    return FloorImage(
        image.name,
        np.asarray(reflectance, np.float32),
        valid,
        px_per_mm,
        image.x_min_mm,
        image.y_max_mm,
        image.flat,
    )


def channels(log_rgb: FloatArray) -> FloatArray:
    """(h, w, 3) log reflectance to the network's (6, h, w): relative to the floor's own median, then as it is.

    Green, red over green, blue over green; the same as `training.segment_net.segment_input`.
    """
    grey = log_rgb[..., 1]
    parts = np.stack([grey, log_rgb[..., 0] - grey, log_rgb[..., 2] - grey])
    # torch's median is the lower of the two middle values.
    flat = np.sort(parts.reshape(3, -1), axis=1)[:, (parts[0].size - 1) // 2]
    level = np.concatenate([parts[:1] + 1.2, parts[1:]])
    return np.concatenate([2 * (parts - flat[:, None, None]), level]).astype(np.float32)


def _tiled(network: Segmenter, log_rgb: FloatArray) -> tuple[FloatArray, FloatArray | None]:
    """All of a floor, in overlapping tiles where it is large; the overlaps are faded into one another."""
    height, width = log_rgb.shape[:2]
    if max(height, width) <= TILE:
        return network.ask(log_rgb)
    kinds = np.zeros((len(PATCH_KINDS) + 1, height, width), np.float32)
    stones = np.zeros((3, height, width), np.float32) if network.stones else None
    total = np.zeros((height, width), np.float32)
    for r0 in _starts(height):
        for c0 in _starts(width):
            part = log_rgb[r0 : r0 + TILE, c0 : c0 + TILE]
            one, two = network.ask(part)
            weight = np.minimum.outer(_fade(part.shape[0]), _fade(part.shape[1]))
            place = slice(r0, r0 + part.shape[0]), slice(c0, c0 + part.shape[1])
            kinds[(slice(None), *place)] += one * weight
            if stones is not None and two is not None:
                stones[(slice(None), *place)] += two * weight
            total[place] += weight
    return kinds / total, None if stones is None else stones / total


def _starts(n: int) -> list[int]:
    if n <= TILE:
        return [0]
    count = int(np.ceil((n - OVERLAP) / (TILE - OVERLAP)))
    return [round(k * (n - TILE) / (count - 1)) for k in range(count)]


def _fade(n: int) -> FloatArray:
    at = np.minimum(np.arange(n) + 1, n - np.arange(n))
    return np.asarray(np.minimum(at / OVERLAP, 1), np.float32)


def _segmenter(package: Package) -> Segmenter:
    config, told = package.config, package.calibration
    slope, shift = told.get("stones", (1.0, 0.0))
    return Segmenter(
        title=package.title,
        px_per_mm=float(config["px_per_mm"]),
        stones=bool(config["stones"]),
        temperature=float(told["temperature"]),
        kind_temperature=float(told["kind_temperature"]),
        likely=tuple(float(w) for w in told["likely"]),
        session=package.session,
        zone=_zone(told.get("zone")),
        stones_logit=(float(slope), float(shift)),
    )


def _zone(told: dict[str, Any] | None) -> ZoneWeights | None:
    if told is None:
        return None
    arrays = {name: np.array(told[name], float) for name in ("mean", "sd", "mean2", "sd2", "weights")}
    return ZoneWeights(
        **arrays, bias=float(told["bias"]), listed=float(told["listed"]), shown=float(told["shown"])
    )


def _softmax(logits: FloatArray) -> FloatArray:
    high = np.exp(logits - logits.max(0))
    return np.asarray(high / high.sum(0), np.float32)


def _sigmoid(logits: FloatArray) -> FloatArray:
    return np.asarray(1 / (1 + np.exp(-logits)), np.float32)
