"""Cut floors with known stones straight as `FloorImage`, without card or photo: quick material to judge aggregate by.

Seven families of floor, none of which is a photo of one:

    flush    paste, every stone 0.3 to 2 times as bright as it (`paint_flush`)
    ground   paste, stones of one to three lithologies (`paint_stones`)
    faint    paste, stones within 0.8 to 1.25 times its brightness, hardly another tint
    map      measured albedo of concrete, asphalt or ground (../shared/data/concrete_albedo) as paste, stones as flush
    cut      polyhedra sown in space and cut by a plane, with veins and grain: shapes, sizes and colours of its own
    standing stones that stand out of rough paste, shaded by a light from one side (no cast shadows), colours as ground
    bare     paste or measured albedo without any stone over 2 mm

Truth is read from the label map at full density: what lies in sections of at least 2 mm and over 4.75 mm of equivalent
diameter, on the middle 108 mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter
from skimage.segmentation import find_boundaries

from assessor.simulate.albedo import LITHOLOGIES, paint_flush, paint_stones, paste_albedo, photo_albedo
from assessor.simulate.imaging import blur
from assessor.simulate.noise import fractal_field, speckle_field
from assessor.simulate.stones import make_stones
from assessor.surface.particles import measure_particles
from assessor.values import FloorImage, Segments

FAMILIES = ("flush", "ground", "faint", "map", "cut", "standing", "bare")
SHARES = (0.18, 0.17, 0.13, 0.18, 0.14, 0.1, 0.1)
PX_PER_MM, FINE, WINDOW_MM, EVALUATION_MM = 2.0, 4, 112.0, 108.0
SMALLEST_MM, COARSE_MM = 2.0, 4.75
# Not in `train_surface`; nor the ground with rocks in it, whose stones nobody has outlined.
HELD_OUT_MAPS = ("anti_slip_concrete", "asphalt_02", "asphalt_track", "brushed_concrete")


@dataclass(frozen=True, eq=False)
class Cut:
    """A floor and its truth: labels at the image's grid; sizes_mm and mass of whole sections (`sections`)."""

    image: FloorImage
    family: str
    visible: float
    coarse: float
    median_mm: float
    labels: np.ndarray
    sizes_mm: np.ndarray
    mass: np.ndarray


def make_cut(seed: int, number: int, data: Path | None, family: str = "") -> Cut:
    """Floor `number` of a set; the family is drawn where none is asked for (without data, no maps)."""
    rng = np.random.default_rng([seed, number])
    drawn = str(rng.choice(FAMILIES, p=SHARES))
    family = family or drawn
    maps = paste_maps(data)
    if family == "map" and not maps:
        family = "flush"
    density = PX_PER_MM * FINE
    n = round(WINDOW_MM * density)
    fraction, largest = float(rng.uniform(0.05, 0.6)), float(rng.uniform(7.0, 20.0))
    if family == "bare":
        labels = np.zeros((n, n), np.int32)
    elif family == "cut":
        labels = cut_solids(n, density, rng, fraction=fraction, largest_mm=largest)
    else:
        standing = 0.3 if family == "standing" else 0.0
        stones = make_stones(n, density, rng, fraction=fraction, largest_mm=largest, standing=standing)
        labels = stones.labels
    if family == "map" or (family == "bare" and maps and rng.random() < 0.5):
        albedo = photo_albedo(maps[int(rng.integers(len(maps)))], n, density, rng)
    else:
        albedo = paste_albedo(n, density, rng, contrast=float(rng.uniform(0.5, 1.8)))
    if family in ("flush", "map"):
        paint_flush(albedo, labels, rng)
    elif family in ("ground", "standing"):
        paint_stones(albedo, labels, rng)
    elif family == "faint":
        _paint(albedo, labels, rng, spread=0.22, tint=0.25)
    elif family == "cut":
        _paint(albedo, labels, rng, spread=0.7, tint=1.0, grain=0.12)
    if family == "standing":
        albedo *= shading(stones.dome_mm, density, rng)[..., None]
    return _photographed(albedo, labels, family, rng, name=f"{family}-{seed}-{number:04d}")


def paste_maps(data: Path | None) -> list[Path]:
    """Measured albedo that no network was trained on and that can stand for paste (see HELD_OUT_MAPS)."""
    return [data / "concrete_albedo" / f"{name}_diff_1k.jpg" for name in HELD_OUT_MAPS] if data else []


def cut_solids(
    n: int, px_per_mm: float, rng: np.random.Generator, *, fraction: float, largest_mm: float
) -> np.ndarray:
    """Labels of a plane cut through polyhedra: sieve sizes by a Fuller curve, cut off their middle as chance has it."""
    labels = np.zeros((n, n), np.int32)
    side = n / px_per_mm
    covered, count, tries = 0.0, 0, 0
    while covered < fraction * n * n and tries < 5000:
        tries += 1
        # Volume by size runs as the square root (Fuller); a plane meets a stone in proportion to its size.
        size = largest_mm * max(rng.random() ** 2, (1.5 / largest_mm) ** 0.5 * 0.3)
        size = max(size * (1 - 0.5 * covered / (fraction * n * n)), 1.5)
        normals = rng.normal(size=(int(rng.integers(7, 13)), 3))
        normals /= np.linalg.norm(normals, axis=1)[:, None]
        reach = size / 2 * rng.uniform(0.75, 1.1, len(normals))
        depth = rng.uniform(-0.5, 0.5) * size
        x0, y0 = rng.uniform(-size / 2, side + size / 2, 2)
        c0, c1 = (int(np.clip((x0 + s * size) * px_per_mm, 0, n)) for s in (-0.8, 0.8))
        r0, r1 = (int(np.clip((y0 + s * size) * px_per_mm, 0, n)) for s in (-0.8, 0.8))
        if c1 <= c0 or r1 <= r0:
            continue
        x = (np.arange(c0, c1) + 0.5) / px_per_mm - x0
        y = (np.arange(r0, r1) + 0.5) / px_per_mm - y0
        inside = np.ones((r1 - r0, c1 - c0), bool)
        for (a, b, c), limit in zip(normals, reach, strict=True):
            inside &= a * x[None] + b * y[:, None] + c * depth < limit
        inside &= np.hypot(x[None], y[:, None]) < 0.75 * size
        view = labels[r0:r1, c0:c1]
        if not inside.any() or view[inside].any():
            continue
        count += 1
        view[inside] = count
        covered += float(inside.sum())
    return labels


def shading(dome_mm: np.ndarray, px_per_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Light on a matt rough floor over that on a level one: a lamp at 25-60 degrees, a third to all of the light."""
    n = dome_mm.shape[0]
    rough = fractal_field(n, px_per_mm, rng, short_mm=0.4, long_mm=20, hurst=0.7) * rng.uniform(0.05, 0.25)
    height = gaussian_filter(dome_mm + rough, 0.15 * px_per_mm)
    down, along = np.gradient(height, 1 / px_per_mm)
    turn, rise, share = rng.uniform(0, 2 * np.pi), np.radians(rng.uniform(25, 60)), rng.uniform(0.3, 1)
    toward = (along * np.cos(turn) + down * np.sin(turn)) / np.tan(rise)
    lit = np.clip((1 - toward) / np.sqrt(1 + along**2 + down**2), 0, 3)
    return (share * lit + 1 - share).astype(np.float32)


def _paint(
    albedo: np.ndarray,
    labels: np.ndarray,
    rng: np.random.Generator,
    *,
    spread: float,
    tint: float,
    grain: float = 0.05,
) -> None:
    """Stones of brightness exp(+-spread) times the paste's, a share of their lithology's tint, grain and veins."""
    count = int(labels.max())
    if count == 0:
        return
    paste = np.median(albedo[::7, ::7].reshape(-1, 3), 0)
    rock = np.array(LITHOLOGIES)[rng.integers(len(LITHOLOGIES), size=count)]
    rock = (rock / rock.mean(1, keepdims=True)) ** tint
    shade = np.concatenate([[[0, 0, 0]], paste * rock * np.exp(rng.uniform(-spread, spread, (count, 1)))])
    at = np.flatnonzero(labels)
    n = labels.shape[0]
    veins = fractal_field(n, PX_PER_MM * FINE, rng, short_mm=0.4, long_mm=6, hurst=0.3).ravel()[at]
    noise = speckle_field(n, rng, sd_px=2.0).ravel()[at]
    own = np.exp(grain * (noise + veins))[:, None]
    cover = blur((labels > 0).astype(np.float32), 0.8).ravel()[at, None]
    pixels = albedo.reshape(-1, 3)
    pixels[at] += cover * (shade[labels.ravel()[at]].astype(np.float32) * own - pixels[at])
    np.clip(albedo, 0.03, 0.85, out=albedo)


def _photographed(
    albedo: np.ndarray, labels: np.ndarray, family: str, rng: np.random.Generator, *, name: str
) -> Cut:
    """Shrunk to 2 samples a mm with what a phone leaves of it: blur, what the paper left of the shading, noise."""
    density = PX_PER_MM * FINE
    n = labels.shape[0]
    soft = np.stack([gaussian_filter(albedo[..., k], rng.uniform(0.1, 0.35) * density) for k in range(3)], 2)
    small = soft.reshape(n // FINE, FINE, n // FINE, FINE, 3).mean((1, 3))
    m = small.shape[0]
    at = np.linspace(-1, 1, m)
    light = np.exp(rng.normal(0, 0.03) * at[None] + rng.normal(0, 0.03) * at[:, None])
    small *= light[..., None] * np.exp(rng.normal(0, 0.01, (m, m, 3)))
    image = FloorImage(
        name, small.astype(np.float32), np.ones((m, m), bool), PX_PER_MM, -WINDOW_MM / 2, WINDOW_MM / 2,
        flat=family != "standing",
    )  # fmt: skip
    samples = np.bincount(labels.ravel())
    diameter = np.sqrt(4 * samples / np.pi) / density
    diameter[0] = 0
    edge = round((WINDOW_MM - EVALUATION_MM) / 2 * density)
    middle = labels[edge : n - edge, edge : n - edge]
    of = diameter[middle]
    sizes, mass = sections(labels, density)
    shown = (
        labels[FINE // 2 :: FINE, FINE // 2 :: FINE]
        * (diameter >= SMALLEST_MM)[labels[FINE // 2 :: FINE, FINE // 2 :: FINE]]
    )
    return Cut(
        image=image,
        family=family,
        visible=float((of >= SMALLEST_MM).mean()),
        coarse=float((of > COARSE_MM).mean()),
        median_mm=area_median(sizes, mass),
        labels=shown.astype(np.int32),
        sizes_mm=sizes,
        mass=mass,
    )


def sections(labels: np.ndarray, px_per_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Diameters of the sections that lie whole in a window, and their area times the weight for the cut ones' like."""
    found = measure_particles(labels, px_per_mm, smallest_mm=SMALLEST_MM)
    return found.diameter_mm[found.whole], (found.area_mm2 * found.weight)[found.whole]


def area_median(sizes_mm: np.ndarray, mass: np.ndarray) -> float:
    """Diameter under which half of the mass lies; NaN without particles."""
    if not len(sizes_mm):
        return float("nan")
    order = np.argsort(sizes_mm)
    share = np.cumsum(mass[order])
    return float(sizes_mm[order][np.searchsorted(share, share[-1] / 2)])


def segments_of_truth(
    cut: Cut, rng: np.random.Generator, *, soft: float = 0.8, noise: float = 1.0
) -> Segments:
    """What a good model would see: the truth, blurred, with noise in log odds that hangs together over 3 mm."""
    labels = cut.labels
    diameter = np.sqrt(4 * np.bincount(labels.ravel()) / np.pi) / PX_PER_MM
    diameter[0] = 0
    rims = find_boundaries(labels, mode="inner")

    def seen(mask: np.ndarray) -> np.ndarray:
        p = np.clip(gaussian_filter(mask.astype(float), soft), 0.01, 0.99)
        wander = gaussian_filter(rng.normal(size=p.shape), 6.0)
        odds = np.log(p / (1 - p)) + noise * wander / wander.std()
        return (1 / (1 + np.exp(-odds))).astype(np.float32)

    visible = seen(labels > 0)
    kinds = np.zeros((11, *labels.shape), np.float32)
    kinds[0] = 1
    return Segments(
        kinds, visible, np.minimum(seen(diameter[labels] > COARSE_MM), visible), seen(rims),
        PX_PER_MM, -WINDOW_MM / 2, WINDOW_MM / 2, "made of the truth",
    )  # fmt: skip
