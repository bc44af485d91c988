"""Whether a zone was worked one way or crossed, from the directions of its texture.

Windows of 300 mm, and in each the power of its waves by their direction: doubled angles add up where lines run one way,
quadrupled ones where they run both ways at right angles. (Gradients would not do: where two sets of lines lie over each
other, the gradient of their sum points anywhere.) Lines show only while light falls across them: what runs toward the
light is hidden, so "no direction" never means "not worked". Crossed passes are wanted after scarifying only (common
practice).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assessor.surface.zone_even import TextureImage, block_mean
from assessor.values import FloatArray
from assessor.values.overview import Lay, LayState, Mosaic

CROSSED_WANTED = frozenset({"scarified"})


@dataclass(frozen=True, slots=True)
class LaySettings:
    """Limits on seeded zones: 9 of 10 windows without lines stay under 0.2, with a drum's lines over 0.3."""

    window_mm: float = 300.0
    shortest_mm: float = 8.0
    longest_mm: float = 50.0
    one_way: float = 0.25
    crossed: float = 0.22
    min_share: float = 0.5
    min_windows: int = 6
    clear: float = 0.6  # share of windows that name the zone's state


def tell_lay(
    mosaic: Mosaic, texture: TextureImage, process: str | None, settings: LaySettings | None = None
) -> Lay:
    """Shares of the floor worked one way, crossed, and without a direction."""
    settings = settings or LaySettings()
    n = max(round(settings.window_mm * mosaic.image.px_per_mm), 32)
    enough = block_mean(texture.use.astype(np.float32), n) >= settings.min_share
    two_fold, four_fold = _angular_moments(texture, n, mosaic.image.px_per_mm, settings)
    a2, a4 = np.abs(two_fold), np.abs(four_fold)
    matters = None if process is None else process in CROSSED_WANTED
    method = "directions of 8-50 mm waves in windows of 300 mm"
    judged = float(enough.mean()) if enough.size else 0.0
    if enough.sum() < settings.min_windows:
        why = f"only {int(enough.sum())} windows were seen, {settings.min_windows} are needed"
        return Lay("cannot-tell", None, None, None, None, judged, None, matters, why, method)
    one = (a2 >= settings.one_way)[enough]
    both = ~one & (a4 >= settings.crossed)[enough]
    shares = {"one-way": float(one.mean()), "crossed": float(both.mean())}
    shares["none"] = 1 - sum(shares.values())
    u = float(np.sqrt(max(0.25 / enough.sum(), 1e-6)))
    direction = None
    if one.any():
        total = two_fold[enough][one].sum()
        direction = float((np.degrees(np.angle(total)) / 2 + 90) % 180)
    best: LayState = max(("one-way", "crossed", "none"), key=lambda name: shares[name])
    clear = shares[best] >= settings.clear
    why = "" if clear else "the zone is mixed: no state holds on 60 % of it"
    return Lay(
        best if clear else "cannot-tell", shares["one-way"], shares["crossed"], shares["none"], u, judged, direction,
        matters, why, method,
    )  # fmt: skip


def _angular_moments(
    texture: TextureImage, n: int, px_per_mm: float, settings: LaySettings
) -> tuple[NDArray[np.complexfloating], NDArray[np.complexfloating]]:
    """Mean of exp(2i angle) and exp(4i angle) over each window's waves, weighted by their power, (h, w) each."""
    rows, columns = texture.band.shape[0] // n, texture.band.shape[1] // n
    hann: FloatArray = np.hanning(n + 2)[1:-1].astype(np.float32)
    fy, fx = np.fft.fftfreq(n)[:, None] * px_per_mm, np.fft.rfftfreq(n)[None] * px_per_mm
    q = np.hypot(fx, fy)
    keep = (q >= 1 / settings.longest_mm) & (q <= 1 / settings.shortest_mm)
    angle = np.arctan2(-fy, fx)  # rows run down, y runs up
    twice, four = np.exp(2j * angle)[keep], np.exp(4j * angle)[keep]
    two_fold, four_fold = np.zeros((rows, columns), complex), np.zeros((rows, columns), complex)
    for r in range(rows):
        for c in range(columns):
            part = texture.band[r * n : (r + 1) * n, c * n : (c + 1) * n]
            power = np.abs(np.fft.rfft2((part - part.mean()) * hann[:, None] * hann)) ** 2
            chosen = power[keep]
            total = max(float(chosen.sum()), 1e-12)
            two_fold[r, c], four_fold[r, c] = (chosen * twice).sum() / total, (chosen * four).sum() / total
    return two_fold, four_fold
