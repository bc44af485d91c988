"""What one frame of a sweep shows at a glance, and which frames to take.

The torch's side is told by the white paper alone: its light rises toward the torch, by two thirds in 100 mm at 42 cm
and 25 degrees. That is good to some degrees, enough to choose by; the lights themselves are read from the tabs' shadows
later (`card.torches`). Where a steady dark stretch at either end shows the light without torch, its own slope is taken
off first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.detect import Pyramid, agreeing, detect_markers, divisors, pairs_of
from assessor.card.linear import linear_of_byte
from assessor.card.plane import apply_homography, fit_homography
from assessor.card.white import white_basis, white_points_mm
from assessor.errors import VideoUnsuitable
from assessor.values import FloatArray, U8Array


@dataclass(frozen=True, slots=True)
class LookSettings:
    """How frames are read and chosen; fall-off is the paper's light lost per 100 mm over that at the middle."""

    frames: int = 12  # torch frames to take; sides of 30 degrees, six odd and six even
    min_frames: int = 8  # that many sides check themselves
    look_px: int = 1100  # long side; 14 mm markers keep 3 px cells at 300-450 mm
    min_markers: int = 8
    tolerance_mm: float = 4.0  # lens bend and bowed paper, as `find` allows
    min_seen: float = 0.5  # of the frames looked at
    min_round_deg: float = 270.0
    # A torch with 30 % of the light at 42 cm gives 0.2; even light in shade less than 0.05.
    min_fall_off: float = 0.08
    min_of_usual: float = (
        0.35  # fall-off against the median: less is a torch pointing elsewhere or switched off
    )
    min_sharpness: float = 0.6  # against the median of the torch frames: less is smeared by motion
    dark_s: float = 0.3  # a steady stretch this long at either end ...
    dark_change: float = 0.06  # ... whose light stays so still ...
    dark_level: float = 0.87  # ... and so far below the rest is the light without torch ...
    dark_fall_off: float = 0.3  # ... or so flat against the rest, where the phone brightened it by itself


@dataclass(frozen=True, eq=False)
class FrameView:
    """One frame at a glance: its number, seconds from the start, and what the card says, if it was read.

    level: linear light (0..1) of the white paper at the window's middle; rise (2,): how much it grows per 100 mm toward
    card +x and +y; sharpness: contrast of fine detail over the card, against the paper's brightness. None where the
    card was not read.
    """

    index: int
    time_s: float
    level: float = 0.0
    rise: FloatArray | None = None
    sharpness: float = 0.0


def look_at_frame(bgr_u8: U8Array, index: int, time_s: float, settings: LookSettings) -> FrameView:
    """Find the card in one frame, (H, W, 3) B, G, R bytes, and read its paper and sharpness."""
    grey = np.asarray(cv2.cvtColor(bgr_u8, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    divisor = divisors((grey.shape[1], grey.shape[0]), (settings.look_px,))[0]
    small = Pyramid(grey).level(divisor)
    found = detect_markers(small, divisor, thorough=False)
    found = [one for one, ok in zip(found, agreeing(found, settings.tolerance_mm), strict=True) if ok]
    if len(found) < settings.min_markers:
        return FrameView(index, time_s)
    points, pixels = pairs_of(found)
    fit = _paper_light(small, fit_homography(points, (pixels + 0.5) / divisor - 0.5))
    if fit is None:
        return FrameView(index, time_s)
    (x0, y0), (x1, y1) = (
        np.clip(np.rint(edge), 0, None).astype(int) for edge in (pixels.min(0), pixels.max(0))
    )
    detail = cv2.Laplacian(grey[y0:y1, x0:x1], cv2.CV_16S)
    _, spread = cv2.meanStdDev(detail)
    bright = float(np.percentile(small, 95))
    return FrameView(index, time_s, float(fit[0]), fit[1:3], float(spread[0, 0]) / max(bright, 1.0))


def _paper_light(small_u8: U8Array, px_from_mm: FloatArray) -> FloatArray | None:
    """(6,) terms of the paper's linear light (`white_basis`), None where too little paper is in the frame."""
    points = white_points_mm()
    at = np.rint(apply_homography(px_from_mm, points)).astype(int)
    height, width = small_u8.shape
    inside = ((at >= 1) & (at < (width - 1, height - 1))).all(1)
    if inside.mean() < 0.5:
        return None
    at, points = at[inside], points[inside]
    near = np.arange(-1, 2)
    patch = small_u8[at[:, 1, None, None] + near[:, None], at[:, 0, None, None] + near]
    light = linear_of_byte()[patch].mean((1, 2), dtype=float)
    basis = white_basis(*points.T).T
    weight = np.ones(len(light))
    for _ in range(5):  # shadows of tabs and hands lose their say
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(basis * root[:, None], light * root, rcond=None)[0]
        off = (light - basis @ fit) / max(0.03 * float(np.median(light)), 1e-4)
        weight = 1 / (1 + off * off)
    return np.asarray(fit) if fit[0] > 1e-3 else None


def pick_frames(
    views: Sequence[FrameView], settings: LookSettings
) -> tuple[list[FrameView], FrameView | None]:
    """Choose the torch frames, evenly round and sharp, in order of time, and the frame without torch or None.

    Raises VideoUnsuitable: card not found, no torch, not far enough round, too few sharp sides.
    """
    seen = [view for view in views if view.rise is not None]
    if len(seen) < max(settings.min_seen * len(views), 1):
        raise VideoUnsuitable(
            f"the card was found in {len(seen)} of the {len(views)} frames looked at, "
            f"at least {settings.min_seen:.0%} are needed"
        )
    dark = _dark_stretch(seen, settings)
    ambient = np.median([view.rise for view in dark], axis=0) if dark else np.zeros(2)
    torches, azimuth = _torch_frames([view for view in seen if view not in dark], ambient, settings)
    round_deg = 360 - _widest_gap(azimuth)[1]
    if round_deg < settings.min_round_deg:
        raise VideoUnsuitable(
            f"the torch goes {round_deg:.0f} degrees round the card, "
            f"at least {settings.min_round_deg:.0f} are needed"
        )
    chosen = _even_choice(torches, azimuth, settings)
    if len(chosen) < settings.min_frames:
        raise VideoUnsuitable(
            f"the torch is seen on only {len(chosen)} sides in sharp frames, at least {settings.min_frames} are needed"
        )
    return chosen, max(dark, key=lambda view: view.sharpness) if dark else None


def _dark_stretch(seen: Sequence[FrameView], settings: LookSettings) -> list[FrameView]:
    """The frames of a steady stretch at the start or end that is darker or flatter than all the rest; [] if none is."""
    best: list[FrameView] = []
    least = 1.0
    for order in (list(seen), list(seen)[::-1]):
        start = [v for v in order if abs(v.time_s - order[0].time_s) <= settings.dark_s]
        usual = float(np.median([v.level for v in start]))
        rise = np.median([v.rise for v in start], axis=0)
        n = 0
        for view in order:
            change = max(abs(view.level - usual), float(np.abs(view.rise - rise).max()))
            if change > settings.dark_change * usual:
                break
            n += 1
        stretch, rest = order[:n], order[n + 2 :]  # the switch itself may take two frames
        if len(rest) < len(stretch) or not n or abs(stretch[-1].time_s - order[0].time_s) < settings.dark_s:
            continue
        level = usual / float(np.percentile([v.level for v in rest], 10))
        fall_off = float(np.linalg.norm(rise)) / usual / float(np.median([_fall_off(v) for v in rest]))
        score = min(level / settings.dark_level, fall_off / settings.dark_fall_off)
        if score < least:
            # While the torch is being switched a frame may be lit in part.
            best, least = stretch[:-2] if n > 4 else stretch, score
    return best


def _fall_off(view: FrameView) -> float:
    return float(np.linalg.norm(view.rise)) / view.level if view.rise is not None else 0.0


def _torch_frames(
    views: Sequence[FrameView], ambient: FloatArray, settings: LookSettings
) -> tuple[list[FrameView], FloatArray]:
    """Frames in which the torch lights the paper and which are not smeared, and its side in each, degrees."""
    if not views:
        raise VideoUnsuitable("the light never changes, so no torch was walked round")
    rises = np.array([view.rise for view in views]) - ambient
    fall_off = np.linalg.norm(rises, axis=1) / np.array([view.level for view in views])
    usual = float(np.median(fall_off))
    if usual < settings.min_fall_off:
        raise VideoUnsuitable(
            f"no torch is seen: the paper's light falls off by {usual:.0%} per 100 mm, "
            f"at least {settings.min_fall_off:.0%} is needed"
        )
    sharp = np.array([view.sharpness for view in views])
    lit = fall_off >= max(settings.min_of_usual * usual, settings.min_fall_off / 2)
    use = lit & (sharp >= settings.min_sharpness * np.median(sharp[lit]))
    azimuth = np.degrees(np.arctan2(rises[:, 1], rises[:, 0])) % 360
    return [view for view, ok in zip(views, use, strict=True) if ok], azimuth[use]


def _widest_gap(azimuth: FloatArray) -> tuple[float, float]:
    """Azimuth at which the widest gap ends, and its width, degrees."""
    order = np.sort(azimuth)
    gaps = np.diff(order, append=order[0] + 360)
    k = int(gaps.argmax())
    return float(order[(k + 1) % len(order)]), float(gaps[k])


def _even_choice(views: Sequence[FrameView], azimuth: FloatArray, settings: LookSettings) -> list[FrameView]:
    """The sharpest frame near each of evenly spread sides, in order of time."""
    start, gap = _widest_gap(azimuth)
    n = settings.frames
    # All round, or over what was walked from end to end.
    pitch = 360 / n if gap <= 1.5 * 360 / n else (360 - gap) / (n - 1)
    chosen = []
    for k in range(n):
        off = (azimuth - start - k * pitch + 180) % 360 - 180
        near = np.flatnonzero(np.abs(off) < pitch / 2)
        if near.size:
            score = [views[int(j)].sharpness * (1 - 0.5 * (2 * off[j] / pitch) ** 2) for j in near]
            chosen.append(views[int(near[int(np.argmax(score))])])
    return sorted(chosen, key=lambda view: view.index)
