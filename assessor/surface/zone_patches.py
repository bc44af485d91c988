"""Patches of a zone: what stands out of its own mottle (`zone_blobs`), weighed (`zone_weigh`) and named by the model.

The learned model alone was tried on seeded zones: it was trained on other floors, and showed 18 false patches per m2 on
stony ones (seed 21). So what stands out of the zone itself proposes, and the model is one witness among others.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from assessor.surface.patches import PatchSettings, find_patches
from assessor.surface.segment import Segmenter, load_segmenter, resample, segment
from assessor.surface.zone_blobs import BlobSettings, blob_map, channels_of
from assessor.surface.zone_weigh import Place, features_of, places
from assessor.values import Evidence, FloatArray, FloorImage, Patch, Patches, Segments
from assessor.values.overview import Strip

JOIN_PX = 4  # 6 mm
RIM_MM = 14.0  # from the edge of what was seen, whose first 8 mm are blur
MOST_CUT = 0.3  # of an outline that runs along that edge: what is cut off can't be judged, and is only listed
_INSIDE = 0.9  # chance given to what stands out, so that outlines run where `zone_blobs` drew them


def find_zone_patches(
    image: FloorImage, centres_mm: FloatArray, settings: PatchSettings, blobs: BlobSettings, gloss_why: str
) -> Patches:
    """Find patches in a zone's mosaic; raises ModelUnusable."""
    network = load_segmenter(settings.model)
    image = resample(image, network.px_per_mm)
    seen = segment(image, settings.model)
    likely, outside = weighed(image, seen, network, blobs, settings.least_mm2)
    named = _named(seen, likely)
    found = find_patches(
        [image], settings=settings, gloss_why=gloss_why, centres_mm=centres_mm, segments=[named]
    )
    shown = network.zone.shown if network.zone else 1.0
    patches = [_with_chance(patch, likely, outside, image, shown) for patch in found.found]
    patches.sort(key=lambda patch: (-patch.sure, -patch.area_mm2))
    return replace(found, found=tuple(patches), model=f"{found.model}, against the zone's own mottle")


def weighed(
    image: FloorImage, seen: Segments, network: Segmenter, blobs: BlobSettings, least_mm2: float
) -> tuple[FloatArray, FloatArray]:
    """Probability that each sample lies in a patch, 0 where less than what is listed, and how far it stands out."""
    outside = blob_map(image, blobs)
    likely = np.zeros(outside.shape, np.float32)
    if network.zone is None:
        return np.where(outside > 0, np.float32(0.5), likely), outside
    for place, features in candidates(image, seen, outside, least_mm2):
        chance = network.zone.likely(features)
        if chance >= network.zone.listed:
            part = place.of(likely)
            part[place.inside] = np.maximum(part[place.inside], np.float32(chance))
    # A shadow or a large stain falls to pieces on a stony floor: pieces a few mm apart are one thing.
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * JOIN_PX + 1,) * 2)
    return np.asarray(cv2.morphologyEx(likely, cv2.MORPH_CLOSE, disc), np.float32), outside


def candidates(
    image: FloorImage, seen: Segments, outside: FloatArray, least_mm2: float
) -> list[tuple[Place, FloatArray]]:
    """Places that stand out with what is seen of each; those at the rim, about which nothing is seen, are left out."""
    channels = channels_of(image, image.valid)
    chance = np.asarray(1 - seen.kinds[0])
    out = []
    for place in places(outside, image.valid, 0.8 * least_mm2 * image.px_per_mm**2):
        features = features_of(place, outside, chance, channels, image.valid)
        if features is not None:
            out.append((place, features))
    return out


def without_strips(patches: Patches, strips: tuple[Strip, ...]) -> Patches:
    """The same without those that lie on a strip for more than half: the strip tells them."""
    return replace(
        patches,
        found=tuple(p for p in patches.found if not any(_share_on(p, strip) > 0.5 for strip in strips)),
    )


def _named(seen: Segments, likely: FloatArray) -> Segments:
    """The model's kinds where a patch is likely, bare floor elsewhere."""
    chance = (_INSIDE * (likely > 0)).astype(np.float32)
    kinds = seen.kinds[1:] + np.float32(1e-3)
    kinds = kinds / kinds.sum(0) * chance
    return replace(seen, kinds=np.concatenate([(1 - chance)[None], kinds]).astype(np.float32))


def _with_chance(
    patch: Patch, likely: FloatArray, outside: FloatArray, image: FloorImage, shown: float
) -> Patch:
    """The patch with its probability, and how far it stands out as evidence."""
    at = np.stack([patch.outline_mm[:, 0] - image.x_min_mm, image.y_max_mm - patch.outline_mm[:, 1]], -1)
    at = at * image.px_per_mm - 0.5
    height, width = outside.shape
    c0, r0 = np.clip(np.floor(at.min(0)).astype(int), 0, (width - 1, height - 1))
    c1, r1 = np.clip(np.ceil(at.max(0)).astype(int) + 1, 1, (width, height))
    mask = np.zeros((max(r1 - r0, 1), max(c1 - c0, 1)), np.uint8)
    cv2.fillPoly(mask, [np.round(at - (c0, r0)).astype(np.int32)], 1)
    place = Place(mask > 0, int(r0), int(c0))
    z, chance = (float(place.of(field)[place.inside].max(initial=0.0)) for field in (outside, likely))
    words = f"it stands out {z:.1f} times as much as this floor does by chance"
    evidence = [*patch.evidence, Evidence("mottle", z, None, words)]
    cut = _share_cut(at, image)
    if cut > MOST_CUT:
        evidence.append(Evidence("cut", cut, None, "it is cut off by the edge of what was seen"))
    sure = chance >= shown and cut <= MOST_CUT
    return replace(patch, evidence=tuple(evidence), likely=chance, sure=sure)


def _share_cut(at: FloatArray, image: FloorImage) -> float:
    """Share of an outline's corners (N, 2; column, row) that lie along the edge of what was seen."""
    near = max(round(RIM_MM * image.px_per_mm), 1)
    first, last = (np.round(f(0)).astype(int) for f in (at.min, at.max))
    padded = np.pad(image.valid, 2 * near + 1)
    rows, columns = (slice(first[k], last[k] + 4 * near + 3) for k in (1, 0))
    part = cv2.erode(padded[rows, columns].astype(np.uint8), np.ones((2 * near + 1,) * 2, np.uint8))
    inside = np.round(at).astype(int) - first + 2 * near + 1
    return float((part[inside[:, 1], inside[:, 0]] == 0).mean())


def _share_on(patch: Patch, strip: Strip) -> float:
    """Share of a patch's outline that lies on a strip or within 20 mm of it."""
    start, end = np.array(strip.start_mm), np.array(strip.end_mm)
    way = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
    off = patch.outline_mm - (start + end) / 2
    along, across = np.abs(off @ way), np.abs(off @ np.array([-way[1], way[0]]))
    return float(((along < 500 * strip.length_m + 150) & (across < 500 * strip.width_m + 20)).mean())
