"""Patches of a zone: found against the zone's own mottle (`zone_blobs`), named by the learned model.

The learned model alone was tried on seeded zones: it was trained on other floors, and showed 18 false patches per m2 on
stony ones (seed 21). So it only says of what stands out which kind it may be.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from assessor.surface.patches import PatchSettings, find_patches
from assessor.surface.segment import segment
from assessor.surface.zone_blobs import BlobSettings, blob_map
from assessor.values import Evidence, FloatArray, FloorImage, Patch, Patches, Segments
from assessor.values.overview import Strip

_INSIDE = 0.9  # chance given to what stands out, so that outlines run where `zone_blobs` drew them


def find_zone_patches(
    image: FloorImage, centres_mm: FloatArray, settings: PatchSettings, blobs: BlobSettings, gloss_why: str
) -> Patches:
    """Find patches in a zone's mosaic; raises ModelUnusable."""
    outside = blob_map(image, blobs)
    seen = segment(image, settings.model)
    named = _named(seen, outside)
    found = find_patches(
        [image], settings=settings, gloss_why=gloss_why, centres_mm=centres_mm, segments=[named]
    )
    weighed = [_weighed(patch, outside, image, blobs) for patch in found.found]
    weighed.sort(key=lambda patch: (-patch.sure, -patch.area_mm2))
    return replace(found, found=tuple(weighed), model=f"{found.model}, against the zone's own mottle")


def without_strips(patches: Patches, strips: tuple[Strip, ...]) -> Patches:
    """The same without those that lie on a strip for more than half: the strip tells them."""
    return replace(
        patches,
        found=tuple(p for p in patches.found if not any(_share_on(p, strip) > 0.5 for strip in strips)),
    )


def _named(seen: Segments, outside: FloatArray) -> Segments:
    """The model's kinds where something stands out, bare floor elsewhere."""
    shape = seen.kinds.shape[1:]
    there = cv2.resize((outside > 0).astype(np.float32), (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    chance = (_INSIDE * (there > 0.5)).astype(np.float32)
    kinds = seen.kinds[1:] + np.float32(1e-3)
    kinds = kinds / kinds.sum(0) * chance
    return replace(seen, kinds=np.concatenate([(1 - chance)[None], kinds]).astype(np.float32))


def _weighed(patch: Patch, outside: FloatArray, image: FloorImage, blobs: BlobSettings) -> Patch:
    """The patch with how far it stands out as evidence, and shown or not by that."""
    at = np.stack([patch.outline_mm[:, 0] - image.x_min_mm, image.y_max_mm - patch.outline_mm[:, 1]], -1)
    at = at * image.px_per_mm - 0.5
    height, width = outside.shape
    c0, r0 = np.clip(np.floor(at.min(0)).astype(int), 0, (width - 1, height - 1))
    c1, r1 = np.clip(np.ceil(at.max(0)).astype(int) + 1, 1, (width, height))
    mask = np.zeros((max(r1 - r0, 1), max(c1 - c0, 1)), np.uint8)
    cv2.fillPoly(mask, [np.round(at - (c0, r0)).astype(np.int32)], 1)
    z = float(outside[r0 : r0 + mask.shape[0], c0 : c0 + mask.shape[1]][mask > 0].max(initial=0.0))
    words = f"it stands out {z:.1f} times as much as this floor does by chance; {blobs.show:g} are shown"
    likely = float(1 / (1 + np.exp(-(z - blobs.show) / blobs.softness)))
    evidence = (*patch.evidence, Evidence("mottle", z, None, words))
    return replace(patch, evidence=evidence, likely=likely, sure=z >= blobs.show)


def _share_on(patch: Patch, strip: Strip) -> float:
    """Share of a patch's outline that lies on a strip or within 20 mm of it."""
    start, end = np.array(strip.start_mm), np.array(strip.end_mm)
    way = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
    off = patch.outline_mm - (start + end) / 2
    along, across = np.abs(off @ way), np.abs(off @ np.array([-way[1], way[0]]))
    return float(((along < 500 * strip.length_m + 150) & (across < 500 * strip.width_m + 20)).mean())
