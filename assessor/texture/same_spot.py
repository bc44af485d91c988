"""Do several photos show the same floor? A crew that walks on with one card and one folder mixes spots.

Waves of 2-20 mm of brightness and of colour are held against each other. On one spot colour agrees under any light, and
brightness agrees or, where the torch stood opposite and the floor has one colour, is reversed: both count. How well
chance alone agrees depends on the floor's grain, so it is measured: the same window turned and mirrored seven ways is
seven other floors. In the rendered captures that ship, 134 pairs of one spot agree at least 3.7 times as well as the
best of the seven, some 560 pairs of different spots at most 1.5 times; the worst pairs of one spot found, ridges under
lights a right angle apart, agree 2.2 times as well.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from assessor.card.linear import LUMINANCE
from assessor.texture.look import Look
from assessor.values import FloatArray

ALIKE = 1.7  # times the best of the turned windows
_SIDE = 108  # 1 mm
_REACH = 4  # mm by which heights and a slipped print may displace the window
_LONG_MM = 8.0  # sd of the smooth part that is taken off
_FLAT = 1e-3  # of the logarithm: nothing is seen of a pattern so weak, and nothing is said
_CLIP_SD = 3.0  # a stone or a stain is one sign, not all


def unlike_the_rest(looks: Sequence[Look]) -> tuple[str, ...]:
    """Names of photos that show another floor than the first, as far as chains of alike photos go."""
    if len(looks) < 2:
        return ()
    patterns = [_patterns(look) for look in looks]
    joined, waiting = [0], list(range(1, len(looks)))
    for known in joined:  # grows as others join
        joined += [k for k in waiting if _alikeness(patterns[known], patterns[k]) >= ALIKE]
        waiting = [k for k in waiting if k not in joined]
    return tuple(looks[k].name for k in waiting)


def _patterns(look: Look) -> tuple[FloatArray, FloatArray]:
    """Brightness and colour, (108, 108) each, without their smooth part."""
    small = np.asarray(cv2.resize(look.log_rgb, (_SIDE, _SIDE), interpolation=cv2.INTER_AREA), np.float32)
    return _detail(small @ LUMINANCE.astype(np.float32)), _detail(small[..., 0] - small[..., 2])


def _detail(values: FloatArray) -> FloatArray:
    rough = values - cv2.GaussianBlur(values, (0, 0), _LONG_MM)
    spread = _CLIP_SD * 1.4826 * float(np.median(np.abs(rough - np.median(rough)))) + 1e-6
    return np.asarray(np.clip(rough, -spread, spread), np.float32)


def _alikeness(one: tuple[FloatArray, FloatArray], other: tuple[FloatArray, FloatArray]) -> float:
    """How much better than chance brightness or colour agrees."""
    ratios = []
    for a, b in zip(one, other, strict=True):
        if min(float(a.std()), float(b.std())) < _FLAT:
            continue
        turned = [np.rot90(side, turns) for side in (b, b[:, ::-1]) for turns in range(4)]
        here, *elsewhere = (_agreement(a, each) for each in turned)
        ratios.append(here / max(*elsewhere, 1e-6))
    return max(ratios, default=np.inf)


def _agreement(a: FloatArray, b: FloatArray) -> float:
    """Largest correlation of either sign, over the shifts allowed."""
    inner = np.ascontiguousarray(b[_REACH:-_REACH, _REACH:-_REACH])
    return float(np.abs(cv2.matchTemplate(a, inner, cv2.TM_CCOEFF_NORMED)).max())
