"""Sq of a window from one photo, or from two with the torch on opposite sides, as a learned model estimates it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from assessor.texture.look import Look, given, quarter_turns, unturn_angle
from assessor.texture.model import LightState, Model, Said, load_model
from assessor.values import Direction
from assessor.values.estimate import Estimate, Form


@dataclass(frozen=True, slots=True)
class EstimateSettings:
    """Which models to use ("" for none) and when to claim nothing."""

    single: str = "one-photo"
    pair: str = "two-photos"
    max_half90: float = 1.5  # octaves; a wider estimate says no more than a look at the floor
    max_strangeness: float = 1.0
    opposite_deg: float = 60.0  # the two torches of a pair stand opposite within this
    along_deg: float = (
        25.0  # ridges within this of the light throw no shade: an octave too smooth, and sure of it
    )
    along_strength: float = 0.4  # least strength of a lay that counts as ridges
    low_deg: float = 65.0  # a higher torch casts no shadow that a ratio could tell relief by


def estimate_texture(looks: Sequence[Look], settings: EstimateSettings | None = None) -> Estimate:
    """Estimate Sq from the looks of one window.

    Two looks whose strongest lights stand on opposite sides are estimated together; else every look by itself, and the
    middle one counts with the widest interval, since photos of one window are not independent. Raises ModelUnusable.
    """
    use = settings or EstimateSettings()
    if use.pair and len(looks) == 2 and opposite(looks[0], looks[1], use):
        return _pair(looks[0], looks[1], load_model(use.pair), use)
    each = [_single(look, load_model(use.single), use) for look in looks]
    each.sort(key=lambda one: one.log2_sq)
    middle = each[(len(each) - 1) // 2]
    spread = max(abs(one.log2_sq - middle.log2_sq) for one in each)
    together = replace(
        middle,
        half90=max(spread, *(one.half90 for one in each)),
        photo_names=tuple(look.name for look in looks),
        light_known=all(one.light_known for one in each),
        strangeness=max(one.strangeness for one in each),
    )
    return _claimed(together, use)


def opposite(first: Look, second: Look, settings: EstimateSettings) -> bool:
    """Whether both photos' lights were read, low enough, from opposite sides."""
    one, other = (
        look.lighting.lights[0] if look.lighting and look.lighting.lights else None
        for look in (first, second)
    )
    if one is None or other is None or max(one.elevation_deg, other.elevation_deg) > settings.low_deg:
        return False
    apart = abs((one.azimuth_deg - other.azimuth_deg + 180) % 360 - 180)
    return apart > 180 - settings.opposite_deg


def _single(look: Look, model: Model, use: EstimateSettings) -> Estimate:
    turns, mirror = quarter_turns(look.azimuth_deg)
    said = model.ask(*given((look,), turns, mirror))
    return _estimate(
        "single",
        model,
        [(said, turns, mirror)],
        state=_state(look),
        azimuth_deg=look.azimuth_deg,
        names=(look.name,),
        use=use,
    )


def _pair(first: Look, second: Look, model: Model, use: EstimateSettings) -> Estimate:
    """Both ways round, since neither photo is the first by nature; their mean counts."""
    said = []
    for one, other in ((first, second), (second, first)):
        turns, mirror = quarter_turns(one.azimuth_deg)
        answer = model.ask(*given((one, other), turns, mirror))
        said.append((answer, turns, mirror))
    return _estimate(
        "pair",
        model,
        said,
        state="lit",
        azimuth_deg=first.azimuth_deg,
        names=(first.name, second.name),
        use=use,
    )


def _state(look: Look) -> LightState:
    if look.lighting is None:
        return "unread"
    return "lit" if look.lighting.lights else "unseen"


def _estimate(
    form: Form,
    model: Model,
    said: Sequence[tuple[Said, int, bool]],
    *,
    state: LightState,
    azimuth_deg: float | None,
    names: tuple[str, ...],
    use: EstimateSettings,
) -> Estimate:
    """What was said of one window, calibrated."""
    calibration = model.calibration
    sd = float(np.mean([one.sd for one, _, _ in said]))
    strangeness = max(one.distance for one, _, _ in said) / calibration.strange_limit
    direction = _direction(said, calibration.lay_limit, calibration.lay_u_deg)
    whole = Estimate(
        form,
        model.title,
        model.band,
        float(np.mean([one.log2_sq for one, _, _ in said])),
        calibration.half90(sd, state, strangeness),
        names,
        state != "unread",
        strangeness,
        direction,
        ("light-along-lay",) if _along(direction, azimuth_deg, use) else (),
    )
    return _claimed(whole, use)


def _along(direction: Direction, azimuth_deg: float | None, use: EstimateSettings) -> bool:
    """Whether the light runs along ridges, so that it cannot show them."""
    if azimuth_deg is None or direction.lay_deg is None or direction.strength < use.along_strength:
        return False
    return abs((direction.lay_deg - azimuth_deg + 90) % 180 - 90) < use.along_deg


def _claimed(estimate: Estimate, use: EstimateSettings) -> Estimate:
    """The estimate with the reasons for which nothing is claimed, if any."""
    raised = {
        "estimate-wide": estimate.half90 > use.max_half90,
        "estimate-strange": estimate.strangeness > use.max_strangeness,
    }
    codes = (*estimate.abstained, *(code for code, is_raised in raised.items() if is_raised))
    return replace(estimate, abstained=tuple(dict.fromkeys(codes)))


def _direction(said: Sequence[tuple[Said, int, bool]], limit: float, u_deg: float) -> Direction:
    """Mean lay in the card frame: vectors of twice the angle, each turned back."""
    total = np.zeros(2)
    for one, turns, mirror in said:
        strength = math.hypot(*one.lay)
        angle = unturn_angle(math.degrees(math.atan2(one.lay[1], one.lay[0])) / 2, turns, mirror)
        total += strength * np.array([math.cos(math.radians(2 * angle)), math.sin(math.radians(2 * angle))])
    total /= len(said)
    strength = float(np.clip(np.hypot(*total), 0, 1))
    if strength < limit:
        return Direction(None, None, strength)
    return Direction(math.degrees(math.atan2(total[1], total[0])) / 2 % 180, u_deg, strength)
