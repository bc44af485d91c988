"""Does a person's shadow lie on the card in one photo? White paper against itself in the other photos.

Print, paper, dirt and every shadow that lies still are the same in all photos, so the ratio of one photo's white to
the others' shows only what changed. Exposure takes out the level: the brightest fifth of the sheet is the reference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from assessor.card.layout import card_layout
from assessor.card.linear import linear_of_byte
from assessor.card.white import white_points_mm
from assessor.values import Adjustment, BoolArray, FloatArray, Photo


@dataclass(frozen=True, slots=True)
class BodySettings:
    """What counts as a shadow, and how much of the sheet it may take.

    Lens shading that a phone leaves in moves over the sheet with the camera: up to 5 % of the light at the sheet's
    rim. A body 0.6 m away takes 5-15 % of an even sky, softly, which stereo stands; what takes a direct light has an
    edge and makes the same spot look like two.
    """

    soft: float = 0.12  # darker than in the other photos by more than this: shade
    soft_area: float = 0.10  # of the white paper, for a flag
    hard: float = 0.28
    hard_area: float = 0.03  # for a refusal
    tab_clear_mm: float = 16.0  # a standing tab hides other paper in every photo


@dataclass(frozen=True, slots=True)
class BodyShade:
    """Shade in one photo: share of white paper covered, how much darker it is there (median), and where."""

    photo_name: str
    area: float
    darker: float
    side: str
    gross: bool


def find_body_shade(
    photos: Sequence[Photo], adjustment: Adjustment, settings: BodySettings | None = None
) -> tuple[BodyShade, ...]:
    """Find photos in which part of the card is darker than in the others; none with fewer than three photos."""
    settings = settings or BodySettings()
    if len(photos) < 3:
        return ()
    points, white = _white(photos, adjustment, settings)
    found = []
    for k, photo in enumerate(photos):
        others = np.delete(white, k, axis=0)
        ratio = white[k] - np.nanmedian(others, axis=0)
        known = np.isfinite(ratio)
        if np.count_nonzero(known) < 60:
            continue
        drop = np.percentile(ratio[known], 80) - ratio
        for limit, area, gross in (
            (settings.hard, settings.hard_area, True), (settings.soft, settings.soft_area, False),
        ):  # fmt: skip
            dark = known & (drop > -np.log1p(-limit))
            share = np.count_nonzero(dark) / np.count_nonzero(known)
            if share > area:
                darker = float(1 - np.exp(-np.median(drop[dark])))
                found.append(BodyShade(photo.name, share, darker, _side(points, dark, known), gross))
                break
    return tuple(found)


def _white(
    photos: Sequence[Photo], adjustment: Adjustment, settings: BodySettings
) -> tuple[FloatArray, FloatArray]:
    """Places (n, 2) of white paper and its log green light (P, n); NaN where a photo does not show it."""
    points = white_points_mm()
    for tab in card_layout(0).tabs:
        points = points[np.hypot(*(points - tab.tip_mm[:2]).T) > settings.tab_clear_mm]
    points = points * (adjustment.print_scale.x, adjustment.print_scale.y)
    flat = np.column_stack([points, np.zeros(len(points))])
    around = np.arange(-2, 3)
    rows = []
    for photo, camera in zip(photos, adjustment.cameras, strict=True):
        at = np.rint(camera.project(flat)).astype(int)
        width, height = photo.size_px
        seen = (at > 3).all(1) & (at[:, 0] < width - 4) & (at[:, 1] < height - 4)
        x, y = (np.clip(at[:, i], 3, side - 4) for i, side in ((0, width), (1, height)))
        patch = photo.rgb_u8[y[:, None, None] + around[:, None], x[:, None, None] + around, 1]
        light = linear_of_byte()[patch].mean((1, 2))
        rows.append(np.where(seen & (patch.max((1, 2)) < 253), np.log(np.maximum(light, 1e-3)), np.nan))
    white = np.stack(rows)
    fully = np.isfinite(white).all(0)
    return points[fully], white[:, fully]


def _side(points: FloatArray, dark: BoolArray, known: BoolArray) -> str:
    """Which side of the card is darker, in words."""
    centre = points[dark].mean(0) - points[known].mean(0)
    if np.hypot(*centre) < 15:
        return "the middle"
    if abs(centre[0]) > abs(centre[1]):
        return "the right side" if centre[0] > 0 else "the left side"
    return "the upper side" if centre[1] > 0 else "the lower side"
