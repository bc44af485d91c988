"""Single particles from learned probabilities: a watershed of the visible area along the rims.

Two stones that touch are one blob of probability; the rim that the model sees between them, and the waist of the blob
where it sees none, part them. Watershed by flooding: Meyer 1994 ("Topographic distance and watershed lines", Signal
Processing 38, 113; from memory, verify), as scikit-image does it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter, label
from skimage.morphology import h_maxima
from skimage.segmentation import watershed

from assessor.values import BoolArray, FloatArray, freeze


@dataclass(frozen=True, slots=True)
class ParticleSettings:
    """How stones are parted."""

    least: float = 0.5  # probability from which a sample belongs to a stone
    rim: float = 0.5  # probability from which a sample is a rim and no core
    depth_mm: float = 0.15  # a waist this much narrower parts two stones; less is a knobbly outline
    smooth_mm: float = 0.2  # of the distance from the edge, half a sample


@dataclass(frozen=True, eq=False)
class Particles:
    """Particles of a window. labels (H, W) int32: 0 none, else 1 + the place in what follows, all of length n.

    area_mm2, diameter_mm: of the circle of equal area (of the part that shows, where the window's edge cuts it off).
    place (n, 2): centre, row and column as a share of the window. whole: not cut by the window's edge. weight: the
    window's area over that in which the centre of such a particle can lie without its being cut.
    """

    labels: NDArray[np.int32]
    area_mm2: FloatArray
    diameter_mm: FloatArray
    place: FloatArray
    whole: BoolArray
    weight: FloatArray

    def __post_init__(self) -> None:
        for array in (self.labels, self.area_mm2, self.diameter_mm, self.place, self.whole, self.weight):
            freeze(array)


def find_particles(
    visible: FloatArray,
    rim: FloatArray | None,
    valid: BoolArray,
    px_per_mm: float,
    *,
    smallest_mm: float,
    settings: ParticleSettings | None = None,
) -> Particles:
    """Part the visible area into particles; those under `smallest_mm` that lie whole in the window are dropped.

    visible, rim (H, W): probability of lying in a particle, and on its edge (None: only waists part stones).
    """
    use = settings or ParticleSettings()
    mask = (visible > use.least) & valid
    core = mask if rim is None else mask & (np.asarray(rim) < use.rim)
    depth = gaussian_filter(_inside_mm(core, px_per_mm), use.smooth_mm * px_per_mm)
    seeds, count = label(h_maxima(depth, use.depth_mm) > 0, np.ones((3, 3)))  # type: ignore[no-untyped-call]
    # A stone all rim has no core: its whole blob is its seed.
    blobs, n_blobs = label(mask)
    bare = np.bincount(blobs.ravel(), (seeds > 0).ravel(), n_blobs + 1) == 0
    bare[0] = False
    own = bare[blobs]
    seeds[own] = blobs[own] + count
    height = -depth if rim is None else np.asarray(rim, np.float64) - depth
    parted = watershed(height, seeds, mask=mask)  # type: ignore[no-untyped-call]
    return measure_particles(parted, px_per_mm, smallest_mm=smallest_mm)


def measure_particles(labels: NDArray[np.int32], px_per_mm: float, *, smallest_mm: float) -> Particles:
    """Areas, places and weights of a label map, whose labels are numbered anew from 1 without gaps."""
    rows, cols = labels.shape
    _, flat = np.unique(labels, return_inverse=True)
    flat = flat.reshape(labels.shape).astype(np.int64)
    if not (labels == 0).any():
        flat += 1  # stones from edge to edge: 0 stays free
    n = int(flat.max()) + 1
    samples = np.bincount(flat.ravel(), minlength=n)
    diameter = np.sqrt(4 * samples / np.pi) / px_per_mm
    edge = np.zeros(n, bool)
    for line in (flat[0], flat[-1], flat[:, 0], flat[:, -1]):
        edge[line] = True
    keep = (diameter >= smallest_mm) | edge
    keep[0] = False
    anew = np.zeros(n, np.int32)
    anew[keep] = np.arange(1, int(keep.sum()) + 1)
    shares = [
        (at.ravel() + 0.5) / size for at, size in zip(np.indices(labels.shape), labels.shape, strict=True)
    ]
    sums: FloatArray = np.stack([np.bincount(flat.ravel(), share, n) for share in shares], 1)
    place = np.asarray(sums / np.maximum(samples, 1)[:, None], dtype=np.float64)
    high, wide = _extents(flat, n)
    room = np.maximum(rows - high, 1) * np.maximum(cols - wide, 1)
    return Particles(
        labels=anew[flat],
        area_mm2=samples[keep] / px_per_mm**2,
        diameter_mm=diameter[keep],
        place=place[keep],
        whole=~edge[keep],
        weight=(rows * cols / room)[keep],
    )


def _inside_mm(mask: BoolArray, px_per_mm: float) -> FloatArray:
    """Distance to the nearest sample outside, mm; beyond the window everything is inside."""
    if mask.all():
        return np.full(mask.shape, float(max(mask.shape)) / px_per_mm)
    return np.asarray(distance_transform_edt(mask), dtype=np.float64) / px_per_mm


def _extents(flat: NDArray[np.int64], n: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns that each label spans."""
    spans = []
    for axis in (0, 1):
        at = np.indices(flat.shape)[axis].ravel()
        first, last = np.full(n, max(flat.shape)), np.full(n, -1)
        np.minimum.at(first, flat.ravel(), at)
        np.maximum.at(last, flat.ravel(), at)
        spans.append(last - first + 1)
    return spans[0], spans[1]
