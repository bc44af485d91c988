"""Invented floors read against chips: positions, offsets and readers drawn from a seed, so the truth is known."""

import numpy as np

from assessor.grading.curves import ScaleCurve
from assessor.grading.refine_cells import ReadSpot
from assessor.grading.scale import load_scale
from tests.grading.helpers import BAND

PRIOR = load_scale("prior-10")
(GROUND,) = PRIOR.curves_for(BAND, "ground")


def level(curve: ScaleCurve, y):
    """ln Sq of a floor at position y, as posterior weighs it."""
    nodes = np.array(curve.log_median)
    slope = (nodes[-1] - nodes[0]) / (len(nodes) - 1)
    beyond = np.minimum(y - 1, 0) + np.maximum(y - len(nodes), 0)
    return np.interp(y, np.arange(1, len(nodes) + 1), nodes) + slope * beyond


def read_floors(
    seed,
    sites,
    spots,
    *,
    off=0.0,
    site_sd=0.1,
    scatter=0.1,
    reader_sd=0.3,
    floors_sd=0.6,
    twice=0.3,
    curve=GROUND,
):
    """Return readings, and the true offset of every site (sites, )."""
    rng = np.random.default_rng(seed)
    offsets = off + rng.normal(0, site_sd, sites)
    readings = []
    for s in range(sites):
        middle = rng.uniform(2, 5)
        for i in range(spots):
            y = middle + rng.normal(0, floors_sd)
            value = level(curve, y) + offsets[s] + rng.normal(0, scatter) + rng.normal(0, 0.05)
            for reader in range(2 if rng.random() < twice else 1):
                chip = int(np.clip(np.rint(y + rng.normal(0, reader_sd)), 1, 10))
                readings.append(
                    ReadSpot(
                        f"s{s}-{i}", float(value), 0.05, curve.band, curve.process, chip, chip,
                        f"reader {(i + reader) % 2}", "ten-chip", f"s{s}", "gravel", "phone", True,
                    )
                )  # fmt: skip
    return readings, offsets
