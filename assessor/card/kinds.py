"""Which photos of a spot were shot how: `angles` (light still, phone moved), `torch` (torch moved), or both.

Two things tell. The smooth light on the white paper: photos in the same light have the same fall-off over the sheet,
a torch on another side has another one. And where the cameras stood. The photo without torch ("dark") is the one
whose light is pulled to no side and in which the paper is darker at equal exposure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from assessor.card.white import fall_off
from assessor.errors import KindUnclear
from assessor.values import Camera, Exif, FloatArray, Kind


@dataclass(frozen=True, slots=True)
class KindSettings:
    """What counts as the same light and the same place."""

    same_light: float = 0.30  # relative change of the fall-off over the sheet, as `light.max_change`
    min_spread: float = (
        0.09  # of the views of `angles`, tangent; `heights.min_spread` refuses less than 5 degrees
    )
    above: float = 0.12  # tangent to the torch photos' middle view within which a photo is one of them
    dark_level: float = 0.85  # of the torch photos' paper
    dark_pull: float = 0.45  # of the torch photos' fall-off, about the middle of all
    min_torch: int = 3  # fewer odd lights are slips of an `angles` capture, not torches
    min_angles: int = 4
    still: float = (
        0.15  # tangent between the two views of a pair: a hand drifts while the torch is carried round
    )


@dataclass(frozen=True, slots=True)
class Kinds:
    """Indices of the photos of each kind; dark: the photo without torch, or None. kind: what is to be measured."""

    kind: Kind
    angles: tuple[int, ...]
    torch: tuple[int, ...]
    dark: int | None


def tell_kinds(
    white_fits: Sequence[FloatArray],
    cameras: Sequence[Camera],
    exifs: Sequence[Exif],
    asked: Kind | None = None,
    settings: KindSettings | None = None,
) -> Kinds:
    """Part the photos of a spot by kind; all sequences run alike.

    white_fits: log of the smooth paper light, (6, 3) each, as `Rectified.white_fit`. asked: the kind a person named,
    None to recognise it. Raises KindUnclear where `fused` was asked for and one of the two kinds is missing.
    """
    use = settings or KindSettings()
    everyone = tuple(range(len(white_fits)))
    fields = fall_off(white_fits)
    views = np.stack([camera.position_mm[:2] / camera.position_mm[2] for camera in cameras])
    still = _same_light(fields, use)
    angles = still if len(still) >= use.min_angles and _spread(views[list(still)]) > use.min_spread else ()
    torch = tuple(k for k in everyone if k not in angles)
    if asked == "angles":
        return Kinds("angles", angles if len(torch) >= use.min_torch and angles else everyone, (), None)
    if asked == "torch":
        torch = everyone if not angles or len(torch) < use.min_torch else torch
    elif not angles and _spread(views) > use.min_spread and len(torch) - len(still) < use.min_torch:
        # The phone moved and the light hardly did: an `angles` capture, whatever is wrong with it.
        return Kinds("angles", everyone, (), None)
    elif len(torch) < use.min_torch:
        if asked == "fused":
            raise _missing(cameras, "a torch")
        return Kinds("angles", everyone, (), None)
    if angles:
        return _both(views, angles, torch, asked, use)
    if asked == "fused":
        raise _missing(cameras, "four sides in one light")
    dark = _dark_ones(torch, white_fits, exifs, use)
    lit = tuple(k for k in torch if k not in dark)
    return Kinds("torch", (), lit, dark[0] if dark else None)


def tell_pair(
    white_fits: Sequence[FloatArray], cameras: Sequence[Camera], settings: KindSettings | None = None
) -> tuple[int, int] | None:
    """Of too few photos to measure, the two that show the window from one place with a torch on different sides.

    Arguments as `tell_kinds` has them. Of several such pairs the one whose light is pulled apart most; else None.
    """
    use = settings or KindSettings()
    if len(white_fits) < 2:
        return None
    fields = fall_off(white_fits)
    views = np.stack([camera.position_mm[:2] / camera.position_mm[2] for camera in cameras])
    pulls = np.stack([fit[1:3, 1] for fit in white_fits])
    apart = {
        (a, b): float(np.linalg.norm(pulls[a] - pulls[b]))
        for a, b in combinations(range(len(white_fits)), 2)
        if np.linalg.norm(views[a] - views[b]) < use.still
        and np.exp(np.ptp(fields[a] - fields[b])) - 1 > use.same_light
    }
    return max(apart, key=lambda pair: apart[pair], default=None)


def _missing(cameras: Sequence[Camera], what: str) -> KindUnclear:
    return KindUnclear(
        f"both kinds were asked for, but there are no photos with {what}",
        file=", ".join(camera.photo_name for camera in cameras),
    )


def _same_light(fields: FloatArray, use: KindSettings) -> tuple[int, ...]:
    """The largest set of photos whose light falls off alike; the evenest where none is larger."""
    off = fields[:, None] - fields[None]
    alike = np.exp(np.ptp(off.reshape(*off.shape[:2], -1), axis=-1)) - 1 < use.same_light
    even = np.ptp(fields.reshape(len(fields), -1), axis=1)
    centre = min(range(len(fields)), key=lambda k: (-int(alike[k].sum()), float(even[k])))
    return tuple(int(k) for k in np.flatnonzero(alike[centre]))


def _spread(views: FloatArray) -> float:
    """Spread of the views in their narrower direction, as a tangent."""
    values = np.linalg.svd(views - views.mean(0), compute_uv=False)
    return float(values[-1] / np.sqrt(len(views))) if len(views) > 2 else 0.0


def _both(
    views: FloatArray, angles: tuple[int, ...], torch: tuple[int, ...], asked: Kind | None, use: KindSettings
) -> Kinds:
    """Torch and angles of one spot; the photo without torch is the still one that looks like the torch photos."""
    away = np.linalg.norm(views - np.median(views[list(torch)], axis=0), axis=1)
    dark = min(angles, key=lambda k: float(away[k]))
    without = tuple(k for k in angles if k != dark)
    if away[dark] < use.above and len(without) >= use.min_angles:
        angles = without
    if asked == "torch":
        return Kinds("torch", (), torch, dark)
    return Kinds("fused", angles, torch, dark)


def _dark_ones(
    members: tuple[int, ...],
    white_fits: Sequence[FloatArray],
    exifs: Sequence[Exif],
    use: KindSettings,
) -> tuple[int, ...]:
    """Photos without torch, the darkest first."""
    # The torch pulls the fall-off to its own side, the dark photo stays in the middle of all.
    toward = np.stack([white_fits[k][1:3, 1] for k in members])
    pull = np.linalg.norm(toward - np.median(toward, axis=0), axis=1)
    reach = dict(zip(members, (float(v) for v in pull), strict=True))
    exposures = [exifs[k].exposure_s for k in members], [exifs[k].iso for k in members]
    told = all(v is not None for part in exposures for v in part)
    level = {}
    for k, seconds, iso in zip(members, *exposures, strict=True):
        exposure = (seconds or 1.0) * (iso or 1.0) if told else 1.0
        level[k] = float(np.exp(white_fits[k][0, 1])) / exposure
    middle, usual = float(np.median(list(level.values()))), float(np.median(list(reach.values())))
    found = [
        k for k in members
        if reach[k] < use.dark_pull * usual and (level[k] < use.dark_level * middle or not told)
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda k: level[k]))[: max(len(members) - use.min_torch, 0)]
