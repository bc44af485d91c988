"""Which tabs were never folded up: paper lies where the floor should show through.

A lone photo without a shadow at its tabs has soft light, or tabs that throw none. Standing, a tab leaves a hole in the
sheet; lying, it fills it with white. Without this check a torch over flat tabs would pass for an overcast sky.
"""

from __future__ import annotations

import numpy as np

from assessor.card.layout import card_layout
from assessor.card.linear import linear_of_byte
from assessor.card.white import white_basis
from assessor.values import Camera, FloatArray, Photo

# Of the smooth white. Rendered: a standing tab leaves 0.1-0.7 of it (0.8 over a white stone), a lying one 0.97-1.05.
PAPER = 0.85
# Places in the triangle, as shares of base, base and tip: clear of its edges and of what a standing tab hides.
_INSIDE = np.array(
    [[0.35, 0.15, 0.5], [0.15, 0.35, 0.5], [0.25, 0.25, 0.5], [0.22, 0.22, 0.56], [0.2, 0.2, 0.6]]
)


def flat_tabs(
    photo: Photo, camera: Camera, scale: tuple[float, float], white_fit: FloatArray
) -> tuple[str, ...]:
    """Names of the tabs that lie in the sheet; scale: printed over drawn length; white_fit (6, 3) under sRGB."""
    flat = []
    width, height = photo.size_px
    for tab in card_layout(0).tabs:
        corners = np.array([*tab.base_mm, tab.tip_flat_mm]) * scale
        points = _INSIDE @ corners
        at = np.rint(camera.project(np.column_stack([points, np.zeros(len(points))]))).astype(int)
        seen = ((at > 0) & (at < (width - 1, height - 1))).all(1)
        if not seen.all():
            continue
        light = linear_of_byte()[photo.rgb_u8[at[:, 1], at[:, 0], 1]]
        white = np.exp(white_fit[:, 1] @ white_basis(points[:, 0], points[:, 1]))
        if float(np.median(light / white)) > PAPER:
            flat.append(tab.name)
    return tuple(flat)
