"""Beads: a lamp's reflection on a small dome, and the round rim of water about it.

A dome mirrors the lamp where its surface faces halfway between lamp and camera, so the reflection lies off the dome's
middle toward the lamp (Blinn's half vector). From each bright speck rims are looked for on that line: circles along
which brightness changes on all sides. Bright grains have no such rim, dark stones no such speck. Without a lamp (soft
light) there is no speck, and nothing is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.surface.drop_view import DropView
from assessor.values import FloatArray, freeze


@dataclass(frozen=True, slots=True)
class BeadSettings:
    """Found on simulated beads (seed 1 of `simulate.drops_catalogue`).

    speck: a highlight stands out by so much over a neighbourhood of speck_mm, in luminance over the paper's; those of
    simulated lamps by 0.85 and more, nearly all grains by less. most_specks: the brightest are tried. rim: mean and
    weakest quarter of the change of log luminance along the rim, per mm, over that of other circles: beads of 55
    degrees and more gave 0.94 and more, grains of shiny maps up to 0.67. smallest_mm, largest_mm: radius.
    """

    speck: float = 0.6
    speck_mm: float = 0.65
    most_specks: int = 25
    rim: float = 0.8
    worth_refining: float = 0.3
    smallest_mm: float = 1.3
    largest_mm: float = 11.0
    steepest: float = 0.6
    smooth_mm: float = 0.12


@dataclass(frozen=True, eq=False)
class FoundBead:
    """A bead in the card frame: outline_mm (N, 2), its middle and width as `PhotoDrop` has them.

    speck_mm (2,): its highlight, as seen on the card plane; half_vector (3,): how the surface faces there. rim: its
    strength, as in `BeadSettings`; speck: how far the highlight stands out.
    """

    centre_mm: FloatArray
    outline_mm: FloatArray
    width_mm: float
    u_width_mm: float
    speck_mm: FloatArray
    half_vector: FloatArray
    rim: float
    speck: float

    def __post_init__(self) -> None:
        for array in (self.centre_mm, self.outline_mm, self.speck_mm, self.half_vector):
            freeze(array)


# What is seen of a steep or shadowed rim differs from the water's edge: 0.16 mm of width on simulated beads.
RIM_MM = 0.08
_TURN = np.arange(72) * (2 * np.pi / 72)


def find_beads(view: DropView, settings: BeadSettings) -> tuple[FoundBead, ...]:
    """All beads with a highlight and a rim, strongest rim first; () where the light's direction is not known."""
    if view.toward_light is None:
        return ()
    specks, filled = _specks(view, settings)
    field = np.log(np.maximum(_blur(filled, settings.smooth_mm * view.px_per_mm), 1e-3))
    found: list[FoundBead] = []
    for place, strength in specks:
        toward = view.camera_mm - np.array([*place, 0.0])
        half = toward / np.linalg.norm(toward) + view.toward_light
        half /= np.linalg.norm(half)
        best = _search(view, field, place, half, settings)
        if best[0] < settings.worth_refining:
            continue
        rim, radius, centre = _refine(view, field, best, settings)
        if rim < settings.rim:
            continue
        outline, u = _outline(view, field, centre, radius)
        x, y = outline.T
        area = 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))
        width = 2 * float(np.sqrt(area / np.pi))
        found.append(FoundBead(outline.mean(0), outline, width, u, np.array(place), half, rim, strength))
    return _apart(found)


def _apart(found: list[FoundBead]) -> tuple[FoundBead, ...]:
    """Without weaker finds that overlap a stronger one."""
    kept: list[FoundBead] = []
    for one in sorted(found, key=lambda bead: -bead.rim):
        gaps = [np.linalg.norm(one.centre_mm - other.centre_mm) - other.width_mm / 2 for other in kept]
        if all(gap > 0.3 * one.width_mm for gap in gaps):
            kept.append(one)
    return tuple(kept)


def _specks(
    view: DropView, settings: BeadSettings
) -> tuple[list[tuple[tuple[float, float], float]], FloatArray]:
    """Bright specks, strongest first (place in mm, how far each stands out), and the luminance without them."""
    size = 2 * round(settings.speck_mm * view.px_per_mm) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    level = np.asarray(cv2.morphologyEx(view.luminance, cv2.MORPH_OPEN, disc), dtype=np.float32)
    over = view.luminance - level
    mask = ((over > settings.speck) & view.inside()).astype(np.uint8)
    count, labels, _, middles = cv2.connectedComponentsWithStats(mask)
    peaks = np.zeros(count, np.float32)
    np.maximum.at(peaks, np.asarray(labels, dtype=np.intp).ravel(), (over * mask).ravel())
    specks = []
    for k in np.argsort(-peaks)[: settings.most_specks]:
        if k == 0 or peaks[k] <= 0:
            continue
        x = view.x_min_mm + (middles[k][0] + 0.5) / view.px_per_mm
        y = view.y_max_mm - (middles[k][1] + 0.5) / view.px_per_mm
        specks.append(((float(x), float(y)), float(peaks[k])))
    wide = cv2.dilate((over > settings.speck / 2).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    filled = np.where(wide, cv2.blur(level, (9, 9)), view.luminance)
    return specks, np.asarray(filled, dtype=np.float32)


def _blur(field: FloatArray, sd_px: float) -> FloatArray:
    return np.asarray(cv2.GaussianBlur(field, (0, 0), sd_px, borderType=cv2.BORDER_REFLECT), dtype=np.float32)


def _slopes(view: DropView, field: FloatArray, centre: FloatArray, radii: FloatArray) -> FloatArray:
    """Change of the field along rays from a centre, smoothed over 10 degrees, (rays, radii), per mm."""
    x = centre[0] + radii[None, :] * np.cos(_TURN)[:, None]
    y = centre[1] + radii[None, :] * np.sin(_TURN)[:, None]
    polar = view.sample(field, x, y)
    round_ = np.vstack([polar[-6:], polar, polar[:6]])
    smooth = cv2.GaussianBlur(round_, (1, 7), sigmaX=0.01, sigmaY=1.5)[6:-6]
    return np.asarray(np.gradient(smooth, radii[1] - radii[0], axis=1))


def _rims(slopes: FloatArray, steepest: float) -> FloatArray:
    """Strength of a rim at every radius, over that of the circles about it."""
    steep = np.abs(slopes)
    # The mean alone would take one strong arc for a rim: the weakest quarter counts as much.
    strength = 0.5 * np.minimum(steep, steepest).mean(0) + np.percentile(steep, 25, axis=0)
    return np.asarray(strength - np.median(strength))


Fit = tuple[float, float, FloatArray]  # rim, radius, centre


def _search(
    view: DropView, field: FloatArray, place: tuple[float, float], half: FloatArray, settings: BeadSettings
) -> Fit:
    """The strongest rim whose middle lies on the line away from the lamp."""
    level = float(np.hypot(half[0], half[1]))
    away = half[:2] / level if level > 1e-6 else np.zeros(2)
    radii = np.arange(0.6, settings.largest_mm + 2, 0.1)
    best: Fit = (-np.inf, 0.0, np.zeros(2))
    for off in np.arange(0.3, 0.75 * settings.largest_mm, 0.15):
        centre = np.array(place) - off * away
        rims = _rims(_slopes(view, field, centre, radii), settings.steepest)
        # A highlight at the very rim or in the very middle is no dome's under a lamp from the side.
        fits = (radii > off / 0.97) & (radii < off / 0.12) & (radii > settings.smallest_mm)
        fits &= radii < settings.largest_mm
        if fits.any():
            k = int(np.argmax(np.where(fits, rims, -np.inf)))
            if rims[k] > best[0]:
                best = (float(rims[k]), float(radii[k]), centre)
    return best


def _refine(view: DropView, field: FloatArray, start: Fit, settings: BeadSettings) -> Fit:
    """Move the middle until the rim is strongest: what a dome's height shifts of its highlight is not on the line."""
    best = start
    for span, step in ((0.6, 0.2), (0.15, 0.05)):
        middle, radius = best[2], best[1]
        radii = np.arange(max(radius - 2.5, 0.5), radius + 3.0, 0.05)
        near = np.abs(radii - radius) < 0.6
        best = (-np.inf, radius, middle)
        for dx in np.arange(-span, span + 1e-9, step):
            for dy in np.arange(-span, span + 1e-9, step):
                centre = middle + np.array([dx, dy])
                rims = np.where(near, _rims(_slopes(view, field, centre, radii), settings.steepest), -np.inf)
                k = int(np.argmax(rims))
                if rims[k] > best[0]:
                    best = (float(rims[k]), float(radii[k]), centre)
    return (max(best[0], start[0]), best[1], best[2])


def _outline(
    view: DropView, field: FloatArray, centre: FloatArray, radius: float
) -> tuple[FloatArray, float]:
    """The rim ray by ray as a smooth closed line, (72, 2) mm, and the standard uncertainty of its width."""
    radii = np.arange(max(radius - 1.5, 0.4), radius + 1.5, 0.05)
    steep = np.abs(_slopes(view, field, centre, radii))
    steep = steep * np.exp(-0.5 * ((radii - radius) / (0.1 * radius + 0.15)) ** 2)
    reach = radii[np.argmax(steep, axis=1)]
    orders = [np.ones_like(_TURN)]
    for k in (1, 2, 3):
        orders += [np.cos(k * _TURN), np.sin(k * _TURN)]
    basis = np.stack(orders, 1)
    weight = np.ones_like(reach)
    for _ in range(8):
        terms = np.linalg.lstsq(basis * weight[:, None], reach * weight, rcond=None)[0]
        rest = reach - basis @ terms
        sd = max(1.4826 * float(np.median(np.abs(rest))), 0.02)
        weight = np.sqrt(1 / (1 + (rest / (2 * sd)) ** 2))
    smooth = basis @ terms
    outline = centre + np.stack([smooth * np.cos(_TURN), smooth * np.sin(_TURN)], 1)
    # Neighbouring rays share their smoothing: some 18 of 72 stand for themselves. The rim has a width of its own.
    return outline, 2 * float(np.hypot(sd / np.sqrt(18), RIM_MM))
