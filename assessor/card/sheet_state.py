"""What paper and ink beside the markers say: glare, haze, shadows, damp, dirt and wear.

Glare and haze add light to ink and paper alike, glare in places, haze everywhere; shade takes the same share from both;
damp darkens paper but not ink; dust and mud darken paper and brighten ink. Weak ink all over looks like haze.
"""

from __future__ import annotations

import numpy as np

from assessor.card.designs import design_layout
from assessor.card.layout import card_layout
from assessor.card.marker_light import MarkerLight, light_at_markers
from assessor.card.plane import apply_homography
from assessor.card.quality_limits import QualitySettings
from assessor.card.strip_layout import STRIP_DESIGN
from assessor.card.white import white_basis
from assessor.errors import CardWet, CardWorn, Glare
from assessor.values import BoolArray, CardSighting, FloatArray, Photo


def check_glare(sighting: CardSighting, light: MarkerLight, settings: QualitySettings) -> list[str]:
    """Glare and veils put light on the ink that its share of the paper's light does not explain."""
    usual = float(np.median(light.ink / np.maximum(light.white, 1e-4)))
    if usual > settings.max_ink:
        raise Glare(
            f"the black ink is {usual:.0%} as bright as the paper, at most {settings.max_ink:.0%} can be used",
            file=sighting.photo_name,
        )
    bright = float(np.percentile(light.white, 75))
    lifted = (light.ink - usual * light.white) > settings.glare_lift * bright
    # Dust lies bright on ink but dark on paper; glare brightens both.
    share = float((lifted & ~_dirty(light, settings)).mean())
    if share > settings.max_glare_share:
        raise Glare(
            f"a reflection lies on {share:.0%} of the marker edges, at most {settings.max_glare_share:.0%} can be used",
            file=sighting.photo_name,
        )
    # Flare is most of the light in a deep shadow, so haze is judged where the card is brightest.
    lit = light.white >= np.percentile(light.white, 75)
    haze = float(np.median(light.ink[lit] / np.maximum(light.white[lit], 1e-4)))
    flags = ["lens-hazy"] if haze > settings.flag_ink else []
    return [*flags, "glare"] if share > settings.flag_glare_share else flags


def check_shadow(light: MarkerLight, settings: QualitySettings) -> list[str]:
    """Hard shadow edges cross marker sides away from the card's own tabs; smooth fall-off is told apart."""
    tabs = np.array([np.mean(tab.base_mm, axis=0) for tab in card_layout(0).tabs])
    from_tab = np.linalg.norm(light.at_mm[:, :, None] - tabs, axis=-1).min(-1)
    cut = light.spread > settings.shadow_ratio
    if int((cut & (from_tab > settings.tab_reach_mm)).sum()) >= settings.flag_shadow_sides:
        return ["hard-shadow"]
    low, high = np.percentile(light.white, [5, 95])
    return ["light-uneven"] if high > settings.flag_light_ratio * max(low, 1e-4) else []


def check_wear(
    photo: Photo,
    sighting: CardSighting,
    light: MarkerLight,
    settings: QualitySettings,
    *,
    stains: bool = True,
) -> list[str]:
    """Dirt on paper and ink (if stains are asked for), and markers worn beyond reading; raises CardWorn."""
    worn = float(_dirty(light, settings).mean()) if stains else 0.0
    damaged = _damaged(photo, sighting, light, settings)
    if worn > settings.max_worn_share:
        raise CardWorn(
            f"dirt lies on {worn:.0%} of the marker edges, at most {settings.max_worn_share:.0%} can be used",
            file=sighting.photo_name,
        )
    if damaged > settings.max_damaged:
        raise CardWorn(
            f"{damaged} markers cannot be read though nothing covers them, at most {settings.max_damaged} may be",
            file=sighting.photo_name,
        )
    return ["card-worn"] if worn > settings.flag_worn_share or damaged >= settings.flag_damaged else []


def check_damp(sighting: CardSighting, light: MarkerLight, settings: QualitySettings) -> list[str]:
    """Paper darker than its surroundings, its ink neither darker (shade) nor brighter (dirt); raises CardWet."""
    wet = float((_damp(light, settings) & ~_dirty(light, settings)).mean())
    if wet > settings.max_wet_share:
        raise CardWet(
            f"the paper is dark in patches at {wet:.0%} of the marker edges where the ink is not in shade, "
            f"at most {settings.max_wet_share:.0%} may be",
            file=sighting.photo_name,
        )
    return ["card-wet"] if wet > settings.flag_wet_share else []


def _damp(light: MarkerLight, settings: QualitySettings) -> BoolArray:
    """(M, 4) True where paper is darker than its surroundings and ink is not: damp or grey wear, not shade."""
    basis, _, relative = _smooth(light)
    ink = np.log(np.maximum(light.ink.ravel(), 1e-4))
    weight = 1 / (1 + (np.minimum(np.log(relative), 0) / 0.03) ** 2) ** 2
    ink_relative = np.exp(ink - basis @ _weighted_fit(basis, ink, weight))
    # What shade leaves of the ink's light: flare stays, the rest falls with the light.
    shaded = settings.max_veil + (1 - settings.max_veil) * relative
    low, high = settings.wet_range
    damp = (relative > low) & (relative < high) & (ink_relative > settings.wet_ink * shaded)
    return np.asarray(damp.reshape(light.white.shape))


def _dirty(light: MarkerLight, settings: QualitySettings) -> BoolArray:
    """(M, 4) True where paper is darker than the smooth light and ink is brighter than its share of that light."""
    ratio = light.ink / np.maximum(light.white, 1e-4)
    usual = float(np.percentile(ratio, 25))  # where the ink is clean
    # The light as sides with clean ink have it: glare and dirt both show on the ink.
    _, white_fit, relative = _smooth(light, (ratio < settings.clean_ink * usual).ravel())
    expected = np.exp(white_fit).reshape(light.white.shape)
    lifted = light.ink - usual * expected > settings.dirt_lift * expected
    low, high = settings.dirt_range
    within = (relative > low) & (relative < high)
    return np.asarray(within.reshape(lifted.shape) & lifted)


def _damaged(photo: Photo, sighting: CardSighting, light: MarkerLight, settings: QualitySettings) -> int:
    """How many markers were not read though they lie in the frame and the paper all round them is in full light."""
    markers = design_layout(sighting.design).markers
    # A strip's serial stands at places of its own and is no part of what is measured.
    skipped = ("design", "serial-high", "serial-low") if sighting.design == STRIP_DESIGN else ("design",)
    corners_mm = np.array([m.corners_mm() for m in markers if m.role not in skipped])
    corners = apply_homography(sighting.px_from_mm, corners_mm)
    middles, read = corners.mean(1), np.asarray(sighting.corners_px).mean(1)
    side = np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1)
    near = np.linalg.norm(middles[:, None] - read, axis=-1).min(1) < side / 2
    inside = (
        (corners > side[:, None, None] / 4) & (corners < np.array(sighting.size_px) - side[:, None, None] / 4)
    ).all((1, 2))
    missed = corners[~near & inside]
    if not len(missed):
        return 0
    basis, white_fit, _ = _smooth(light)
    solution = np.linalg.lstsq(basis, white_fit, rcond=None)[0]
    beside = light_at_markers(photo, missed, sighting.px_from_mm, settings.clipped_byte)
    expected = np.exp(_basis(beside.at_mm) @ solution).reshape(beside.white.shape)
    return int((beside.white > settings.damaged_light * expected).all(1).sum())


def _basis(at_mm: FloatArray) -> FloatArray:
    """(N, 6) terms of smooth light at places (..., 2)."""
    return white_basis(*at_mm.reshape(-1, 2).T).T


def _smooth(light: MarkerLight, use: BoolArray | None = None) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Terms (N, 6), log of the smooth light on clean dry paper (N,), and the paper's light over it (N,).

    What is darker than the rest loses its say; use (N,): sides that have one, all if None.
    """
    white = np.log(np.maximum(light.white.ravel(), 1e-4))
    basis = _basis(light.at_mm)
    say = np.ones(len(white)) if use is None else use.astype(float)
    weight = say
    for _ in range(8):
        fit = basis @ _weighted_fit(basis, white, weight)
        weight = say / (1 + (np.minimum(white - fit, 0) / 0.03) ** 2) ** 2
    return basis, fit, np.exp(white - fit)


def _weighted_fit(basis: FloatArray, values: FloatArray, weight: FloatArray) -> FloatArray:
    root = np.sqrt(weight)
    return np.asarray(np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0])
