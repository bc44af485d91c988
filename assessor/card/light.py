"""Where the light comes from, and whether it stayed there. Stereo on shading that moves with the phone is worthless.

A flash raises Sq of a fine floor by a factor of three (study.md part 1, section 5). It shows twice: in the EXIF
data, and in the paper white, whose fall-off over the sheet follows the phone. Lens shading that the phone left in
moves too, but by a few percent only. The four tabs tell the rest: direction, number, share and softness of the
lights (`tab_search`, `tab_fit`), photo by photo too; white paper against itself tells a person's shadow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from assessor.card.body_shadow import BodySettings, BodyShade, find_body_shade
from assessor.card.shadow import Source, cast_shadow, points_needed, stand
from assessor.card.tab_fit import FitSettings, LightFit, fit_lights
from assessor.card.tab_samples import TabField
from assessor.card.tab_search import NEARNESS_PER_MM, Sweep, find_candidate, plan_sweep
from assessor.card.tabs import TabMaps, map_tabs
from assessor.card.white import HasWhiteFit, fall_off, white_basis
from assessor.errors import LightMoved
from assessor.values import (
    Adjustment,
    BoolArray,
    CardSighting,
    Exif,
    FloatArray,
    Light,
    Lighting,
    Photo,
    Rectified,
)

QUICK_NEARNESS_PER_MM, QUICK_ANGLES_DEG = (0.0, 1 / 400), (3.0,)


@dataclass(frozen=True, slots=True)
class LightSettings:
    """Limits on what the paper white may do between photos and over the sheet."""

    max_change: float = (
        0.30  # relative change of the fall-off between two photos; lens shading residuals reach 0.1
    )
    flag_change: float = 0.15
    flag_gradient: float = 0.8
    flag_white_spread: float = 0.06
    max_lights: int = 2
    min_share: float = 0.08  # a weaker shadow is not told from wrinkles
    min_apart_deg: float = 15.0
    sky_elevation_deg: float = 58.0  # a wide patch above this is the sky, not a light
    sky_half_angle_deg: float = 20.0
    max_turn_deg: float = 3.0  # the sun turns 1 degree in 4 minutes; a lamp on a stand, none
    turn_per_softness: float = 0.1  # a wide light's direction is less sure than its noise says
    max_share_change: float = 0.45
    min_amplitude: float = 0.5  # of a tab's shadow over what the others say; below, the tab is down or hidden
    wide_deg: float = 10.0  # wider lights have no place that shadows could tell
    nearness_per_mm: tuple[float, ...] = NEARNESS_PER_MM  # tried in the sweep
    fit: FitSettings = field(default_factory=FitSettings)
    u_direction_deg: float = 0.1  # the card plane itself, and what the model leaves out


def quick(settings: LightSettings) -> LightSettings:
    """Settings that read a lone photo's lights a third faster.

    From one softness and two distances a torch is found as from all (within 0.1 degrees on eight path-traced photos); a
    wide window's direction changes by up to 5 degrees, half of what it is unsure by.
    """
    return replace(
        settings,
        nearness_per_mm=QUICK_NEARNESS_PER_MM,
        fit=replace(settings.fit, half_angles_deg=QUICK_ANGLES_DEG),
    )


def check_light(
    rectified: Sequence[Rectified], exifs: Sequence[Exif], settings: LightSettings | None = None
) -> tuple[str, ...]:
    """Return flags on the light of a capture; raise LightMoved where it moved with the phone."""
    settings = settings or LightSettings()
    fired = [r.photo_name for r, e in zip(rectified, exifs, strict=True) if e.flash_fired]
    if fired:
        raise LightMoved("the flash fired", file=", ".join(fired))
    fields = fall_off([r.white_fit for r in rectified])
    change = float(np.exp((fields.max(0) - fields.min(0)).max()) - 1)
    if change > settings.max_change:
        raise LightMoved(
            f"the light on the paper changed by {change:.0%} over the sheet between photos, at most"
            f" {settings.max_change:.0%} can be used",
            file=", ".join(r.photo_name for r in rectified),
        )
    flags = []
    if change > settings.flag_change:
        flags.append("light-changed")
    if max(r.light_gradient for r in rectified) > settings.flag_gradient:
        flags.append("light-uneven")
    if max(r.white_spread for r in rectified) > settings.flag_white_spread:
        flags.append("hard-shadow")
    return tuple(flags)


@dataclass(frozen=True, eq=False)
class _Scene:
    """What the fits share: maps, candidates, all photos together (light, weight), white at the tabs, blur."""

    maps: TabMaps
    sweep: Sweep
    ratio: FloatArray
    weight: FloatArray
    white: FloatArray
    blur_mm: float


def read_lights(
    photos: Sequence[Photo],
    sightings: Sequence[CardSighting],
    adjustment: Adjustment,
    rectified: Sequence[HasWhiteFit],
    settings: LightSettings | None = None,
) -> Lighting:
    """Read the lights of a capture from its tabs' shadows; all sequences run in the order of the photos.

    Raises LightMoved where a light turned, came or went between photos, or where a shadow covers part of the card in
    one of them. No upright tab, or none that can be seen: no lights, and the method says so.
    """
    settings = settings or LightSettings()
    shades = find_body_shade(photos, adjustment, BodySettings())
    _refuse_shade(shades)
    scene = _gather(photos, sightings, adjustment, rectified, settings)
    fit = _find_lights(scene, settings)
    flags = ("body-shadow",) if shades else ()
    if fit is None:
        return Lighting((), None, None, "the tabs show no shadow", _sentence((), shades), flags)
    turned = _check_still(scene, fit, [p.name for p in photos], settings) if len(photos) > 1 else None
    lights = tuple(_light(scene, fit, k, settings) for k in range(len(fit.lights)))
    diffuse = float(np.clip(1 - sum(light.share for light in lights), 0, 1))
    names = ", ".join(lights[0].tabs_used)
    method = f"shadows of {len(lights[0].tabs_used)} upright tabs ({names})"
    method += ", all photos together" if len(photos) > 1 else ""
    return Lighting(lights, diffuse, turned, method, _sentence(lights, shades), flags)


def _refuse_shade(shades: Sequence[BodyShade]) -> None:
    for shade in shades:
        if shade.gross:
            raise LightMoved(
                f"a shadow covers {shade.side} of the card: {shade.area:.0%} of the white paper is"
                f" {shade.darker:.0%} darker than in the other photos",
                file=shade.photo_name,
            )


def _gather(
    photos: Sequence[Photo],
    sightings: Sequence[CardSighting],
    adjustment: Adjustment,
    rectified: Sequence[HasWhiteFit],
    settings: LightSettings,
) -> _Scene:
    maps = map_tabs(photos, sightings, adjustment, rectified)
    total = maps.weight.sum(0)
    ratio = (maps.ratio * maps.weight).sum(0) / np.maximum(total, 1e-6)
    middle = maps.fold_mm.mean(1)
    smooth = np.mean([r.white_fit[:, 1] for r in rectified], axis=0)
    white = np.exp(smooth @ white_basis(middle[:, 0], middle[:, 1]) - smooth[0])
    edge = float(np.median([s.edge_width_mm for s in sightings]))
    # A 10-90 % width is 2.56 sd; samples of 0.5 mm, interpolation and four photos' places add theirs.
    blur_mm = float(np.sqrt((edge / 2.56) ** 2 + 0.145**2 + 0.09**2))
    return _Scene(
        maps, plan_sweep(maps, settings.nearness_per_mm), ratio, total / len(photos), white, blur_mm
    )


def _fit(
    scene: _Scene, start: tuple[Source, ...], tabs: tuple[int, ...], settings: LightSettings
) -> LightFit:
    return fit_lights(
        TabField(scene.maps, scene.ratio, scene.weight), start, white=scene.white, blur_mm=scene.blur_mm, tabs=tabs,
        settings=settings.fit,
    )  # fmt: skip


def _find_lights(scene: _Scene, settings: LightSettings) -> LightFit | None:
    """Add lights one by one while each proves itself on two tabs; None where there is not one."""
    fit: LightFit | None = None
    known: BoolArray | None = None
    tabs = tuple(range(len(scene.maps.names)))
    for _ in range(settings.max_lights):
        candidate = find_candidate(scene.sweep, scene.ratio, scene.weight, known)
        if candidate.source.share < settings.min_share:
            break
        before = fit.lights if fit is not None else ()
        trial = _fit(scene, (*before, candidate.source), tabs, settings)
        if fit is None:
            trial = _without_bad_tabs(scene, trial, settings)
            tabs = trial.tabs
        if not _proven(trial, settings):
            break
        fit, known = trial, _covered(scene, trial)
    return fit


def _without_bad_tabs(scene: _Scene, fit: LightFit, settings: LightSettings) -> LightFit:
    """Leave out tabs that lie flat, are torn off or point elsewhere, worst first, while two are left."""
    while len(fit.tabs) > 2:
        off = {
            t: float(abs(fit.amplitude[0, t] - 1) / np.hypot(fit.u_amplitude[0, t], 0.2))
            + 4.0 * (abs(np.rad2deg(fit.lean[t])) > 17)
            for t in fit.tabs
        }
        worst = max(off, key=lambda t: off[t])
        weak = fit.amplitude[0, worst] < settings.min_amplitude and fit.u_amplitude[0, worst] < 0.2
        if not weak and off[worst] < 4:
            break
        fit = _fit(scene, fit.lights, tuple(t for t in fit.tabs if t != worst), settings)
    return fit


def _proven(fit: LightFit, settings: LightSettings) -> bool:
    """True where the newest light is strong, no part of the sky, apart from the others and seen at two tabs."""
    light, k = fit.lights[-1], len(fit.lights) - 1
    sky = (
        light.half_angle > np.deg2rad(settings.sky_half_angle_deg)
        and light.elevation > np.deg2rad(settings.sky_elevation_deg)
    ) or light.elevation > np.deg2rad(82)
    u_share = float(np.sqrt(fit.covariance[5 * k + 4, 5 * k + 4]))
    if sky or light.share < max(settings.min_share, 3 * u_share):
        return False
    for other in fit.lights[:-1]:
        if _apart_deg(light.toward, other.toward) < settings.min_apart_deg + np.rad2deg(
            light.half_angle + other.half_angle
        ):
            return False
    votes = [
        t for t in fit.tabs
        if fit.u_amplitude[k, t] < 0.3 and abs(fit.amplitude[k, t] - 1) < 0.5
    ]  # fmt: skip
    return len(votes) >= 2


def _covered(scene: _Scene, fit: LightFit) -> BoolArray:
    """(4, h, w) True where a known light's shadow lies, with some room."""
    maps = scene.maps
    covered = np.zeros(maps.x_mm.shape, bool)
    for t in range(len(maps.names)):
        at = np.stack([g[t][::2, ::2] for g in (maps.x_mm, maps.y_mm, maps.z_mm)], -1).reshape(-1, 3)
        tab = stand(maps.fold_mm[t], maps.outward[t], float(fit.height_mm[t]), float(fit.lean[t]))
        for light in fit.lights:
            points = points_needed(light.half_angle, light.elevation, float(fit.height_mm[t]))
            share = cast_shadow(tab, light, at, blur_mm=1.0, points=points).share > 0.04
            covered[t] |= np.kron(share.reshape(maps.x_mm[t][::2, ::2].shape), np.ones((2, 2), bool))
    return covered


def _light(scene: _Scene, fit: LightFit, k: int, settings: LightSettings) -> Light:
    """One fitted light in degrees, with its uncertainties."""
    light = fit.lights[k]
    u = np.sqrt(np.diag(fit.covariance)[5 * k : 5 * k + 5])
    wide = np.rad2deg(light.half_angle)
    near = light.nearness_per_mm > max(4 * u[2], 1 / 2000) and wide < settings.wide_deg
    # The middle of a wide, uneven patch is a matter of its shape: a window of 35 degrees was read 12 degrees low.
    floor = float(np.hypot(settings.u_direction_deg, wide**2 / 100))
    place = light.toward / light.nearness_per_mm if near else np.zeros(3)
    return Light(
        azimuth_deg=float(np.rad2deg(light.azimuth) % 360),
        elevation_deg=float(np.rad2deg(light.elevation)),
        u_azimuth_deg=float(np.hypot(np.rad2deg(u[0]), floor / np.cos(light.elevation))),
        u_elevation_deg=float(np.hypot(np.rad2deg(u[1]), floor)),
        share=light.share,
        u_share=float(np.hypot(u[4], 0.01)),
        softness_deg=float(np.rad2deg(light.half_angle)),
        u_softness_deg=float(np.hypot(np.rad2deg(u[3]), 0.2)),
        position_mm=(float(place[0]), float(place[1]), float(place[2])) if near else None,
        tabs_used=tuple(scene.maps.names[t] for t in fit.tabs),
    )


def _check_still(scene: _Scene, fit: LightFit, names: Sequence[str], settings: LightSettings) -> float | None:
    """Largest turn (degrees) of a light in one photo against the others; raises LightMoved beyond the limits."""
    own = [
        fit_lights(
            TabField(scene.maps, scene.maps.ratio[p], scene.maps.weight[p]), fit.lights, white=scene.white,
            blur_mm=scene.blur_mm, tabs=fit.tabs, frozen=fit,
        )
        for p in range(len(names))
    ]  # fmt: skip
    seen = [p for p, each in enumerate(own) if each.tabs]
    largest: float | None = None
    for k, light in enumerate(fit.lights):
        turns: list[tuple[float, float, int]] = []
        for p in seen:
            others = [own[o].lights[k] for o in seen if o != p]
            if not others:
                continue
            u = np.sqrt(np.diag(own[p].covariance)[5 * k : 5 * k + 5])
            share = float(np.median([o.share for o in others]))
            change = abs(own[p].lights[k].share / max(share, 0.01) - 1)
            if change > settings.max_share_change + 3 * u[4] / max(share, 0.01):
                raise LightMoved(
                    _gone(scene, p, own[p].lights[k], replace(light, share=share)), file=names[p]
                )
            there = np.median([o.toward for o in others], axis=0)
            turn = _apart_deg(own[p].lights[k].toward, there / np.linalg.norm(there))
            turns.append((turn, float(np.rad2deg(np.hypot(u[1], u[0] * np.cos(light.elevation)))), p))
        wide = settings.turn_per_softness * float(np.rad2deg(light.half_angle))
        turn, unsure, p = max(turns, default=(0.0, np.inf, 0))
        if turn > settings.max_turn_deg + 3 * unsure + wide:
            raise LightMoved(
                f"the light from {np.rad2deg(light.azimuth) % 360:.0f} degrees stands {turn:.0f} degrees from"
                f" where it is in the other photos, at most {settings.max_turn_deg:g} can be used",
                file=names[p],
            )
        sure = [t for t, u_turn, _ in turns if u_turn < settings.max_turn_deg]
        largest = max([*sure, largest or 0.0]) if sure else largest
    return largest


def _apart_deg(first: FloatArray, second: FloatArray) -> float:
    return float(np.rad2deg(np.arccos(np.clip(first @ second, -1, 1))))


def _gone(scene: _Scene, p: int, there: Source, usual: Source) -> str:
    """Say what one photo's tabs show instead of a light that the other photos show."""
    own = find_candidate(scene.sweep, scene.maps.ratio[p], scene.maps.weight[p]).source
    apart = _apart_deg(usual.toward, own.toward)
    weaker = "weaker" if there.share < usual.share else "stronger"
    found = (
        f"the light from {np.rad2deg(usual.azimuth) % 360:.0f} degrees is"
        f" {abs(1 - there.share / usual.share):.0%} {weaker} than in the other photos"
    )
    if own.share > usual.share / 2 and apart > 6:
        return f"{found}, and a light stands {apart:.0f} degrees from there"
    return f"{found}, as if somebody stood in it" if there.share < usual.share else found


def _sentence(lights: Sequence[Light], shades: Sequence[BodyShade]) -> str:
    """The light in words, for the page."""
    if lights:
        parts = []
        for light in lights:
            kind = "sharp" if light.softness_deg < 1 else "soft" if light.softness_deg < 8 else "very soft"
            near = ""
            if light.position_mm is not None:
                near = f", {np.linalg.norm(light.position_mm):.0f} mm away"
            parts.append(
                f"from {light.azimuth_deg:.0f} degrees at {light.elevation_deg:.1f} degrees elevation"
                f" (+-{light.u_elevation_deg:.1f}), {light.share:.0%} of the light, {kind}{near}"
            )
        said = f"{'one' if len(lights) == 1 else 'two'}, " + "; and ".join(parts)
    else:
        said = "no direction to be seen"
    if len(shades) == 1:
        said += f"; in {shades[0].photo_name} {shades[0].side} of the card is {shades[0].darker:.0%} darker"
    elif shades:
        said += f"; in {len(shades)} photos one side of the card is up to {max(s.darker for s in shades):.0%} darker"
    return said
