"""What share of the light a torch gives at the window's centre, from how dark the tabs' shadows are.

A shadow's depth is the torch's part of the paper's light beside the tab. What is left in the shadow is the ambient
light, which hardly changes over a sheet; what is taken is the torch's, which falls off with the square of its distance
and with its beam. So the paper's light less the ambient, over that fall-off, is the beam: smooth, and read all round
the window.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from assessor.card.shadow import Source, shadow_end, stand
from assessor.card.tab_joint import JointFit
from assessor.card.tabs import TabMaps
from assessor.card.white import white_basis, white_points_mm
from assessor.values import FloatArray

U_SKY = 0.05  # relative, of the ambient light's evenness from tab to tab
U_DEPTH = 0.01  # of one shadow: bounce from the tab, JPEG
U_BEAM = 0.02  # relative, of the torch's light at the centre as its beam round the window says


@dataclass(frozen=True, slots=True)
class Share:
    """Share of a torch in the light on level paper at the window's centre, and its standard uncertainty."""

    value: float
    u: float


def share_of_torch(joint: JointFit, white_fits: Sequence[FloatArray], maps: TabMaps) -> list[Share]:
    """Share of every torch; white_fits: six terms of each photo's smooth log light (`white_basis`)."""
    tabs = [
        stand(maps.fold_mm[t], maps.outward[t], float(joint.height_mm[t]), float(joint.lean[t]))
        for t in range(len(maps.names))
    ]
    shares = []
    for k, (source, white) in enumerate(zip(joint.lights, white_fits, strict=True)):
        # Light falls off along a shadow: its depth is that of its centroid.
        middle = np.array([(*tab.fold[:, :2], shadow_end(tab, source)) for tab in tabs]).mean(1)
        shares.append(_share(source, joint.depth[k], joint.u_depth[k], (white, middle)))
    return shares


def _share(
    source: Source, depth: FloatArray, u_depth: FloatArray, paper: tuple[FloatArray, FloatArray]
) -> Share:
    white, middle = paper
    told = np.isfinite(u_depth)
    at_tab = np.exp(white @ white_basis(middle[told, 0], middle[told, 1]))
    left = at_tab * (1 - depth[told])
    u_left = at_tab * np.hypot(u_depth[told], U_DEPTH)
    weight = 1 / (u_left**2 + (U_SKY * left) ** 2)
    ambient = max(float(weight @ left / weight.sum()), 0.0)
    scatter = float(np.sqrt(weight @ (left - ambient) ** 2 / weight.sum() / max(told.sum() - 1, 1)))
    u_ambient = float(np.hypot(weight.sum() ** -0.5, scatter))
    torch = _at_centre(source, white, ambient)
    total = torch + ambient
    u_torch = float(np.hypot(U_BEAM * torch, u_ambient))
    value = torch / total
    u = float(np.hypot(u_torch * ambient, u_ambient * torch)) / total**2
    return Share(float(np.clip(value, 0, 1)), float(np.hypot(u, 0.005)))


def _at_centre(source: Source, white: FloatArray, ambient: float) -> float:
    """The torch's light at the window's centre: paper less ambient, with a beam that is smooth over the sheet."""
    points = white_points_mm()
    basis = white_basis(points[:, 0], points[:, 1])
    torch = np.maximum(np.exp(white @ basis) - ambient, 1e-3)
    strength = np.array([source.strength(np.array([x, y, 0.0])) for x, y in points])
    beam = np.stack([basis[0], basis[1], basis[2], basis[3] + basis[5]], -1)
    terms = np.linalg.lstsq(beam, np.log(torch / np.maximum(strength, 1e-3)), rcond=None)[0]
    return float(np.exp(terms[0]))
