"""Which side the torch stood on where no tab tells: from the fall-off of its light over the paper.

The side is told well, the elevation is not (study.md part 4, E1: an aimed beam shifts it by tens of degrees), so
heights made with it have no millimetres: they only rank spots that were shot alike, and show the lay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from assessor.card.torch_paper import exposure_ratio
from assessor.card.white import white_basis
from assessor.values import Exif, FloatArray, Light, Torches


@dataclass(frozen=True, slots=True)
class GuessSettings:
    """Where a hand holds a torch when nothing tells."""

    elevation_deg: float = 25.0
    u_elevation_deg: float = 10.0
    distance_mm: float = 430.0
    least_fall_off: float = 0.25  # of the log of the light over 100 mm: less has no side
    u_azimuth_deg: float = 15.0


def guess_torches(
    names: Sequence[str],
    white_fits: Sequence[FloatArray],
    dark_fit: FloatArray | None,
    exifs: Sequence[Exif],
    settings: GuessSettings | None = None,
) -> Torches:
    """Side of the torch in each photo; photos whose light has no side are left out.

    white_fits: log of the smooth paper light, (6, 3) each, of the torch photos; dark_fit of the photo without. exifs:
    of the torch photos, then of the dark one. Every light stands at the usual elevation and distance.
    """
    use = settings or GuessSettings()
    x, y = np.array([-50.0, 50.0, 0.0, 0.0]), np.array([0.0, 0.0, -50.0, 50.0])
    basis = white_basis(x, y)
    found: list[tuple[str, Light]] = []
    for k, (name, fit) in enumerate(zip(names, white_fits, strict=True)):
        light = np.exp(fit[:, 1] @ basis)
        if dark_fit is not None:
            light = light - (exposure_ratio(exifs[k], exifs[-1]) or 1.0) * np.exp(dark_fit[:, 1] @ basis)
        log = np.log(np.maximum(light, 0.02 * light.max()))
        toward = np.array([log[1] - log[0], log[3] - log[2]])
        if np.hypot(*toward) >= use.least_fall_off:
            found.append((name, _light(float(np.arctan2(toward[1], toward[0])), use)))
    method = "no tab's shadow: the side from the paper's fall-off, the elevation is not known"
    sentence = f"torch seen on {len(found)} sides, but no tab tells how high it was held"
    return Torches(
        tuple(name for name, _ in found), tuple(light for _, light in found),
        u_tan_common=float("inf"), u_tan_own=(float("inf"),) * len(found), method=method, sentence=sentence,
        flags=("torch-unplaced",),
    )  # fmt: skip


def _light(azimuth: float, use: GuessSettings) -> Light:
    elevation = np.deg2rad(use.elevation_deg)
    flat = use.distance_mm * np.cos(elevation)
    place = (
        float(flat * np.cos(azimuth)), float(flat * np.sin(azimuth)), float(use.distance_mm * np.sin(elevation)),
    )  # fmt: skip
    return Light(
        azimuth_deg=float(np.rad2deg(azimuth) % 360), elevation_deg=use.elevation_deg,
        u_azimuth_deg=use.u_azimuth_deg, u_elevation_deg=use.u_elevation_deg, share=0.6, u_share=0.3,
        softness_deg=0.5, u_softness_deg=0.5, position_mm=place, tabs_used=(),
    )  # fmt: skip
