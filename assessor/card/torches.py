"""Where the torch stood in every photo of a `torch` capture, from the shadows of the four tabs.

Each photo is lit by one near torch at a place of its own, and by what light there is without it. A first fit finds
every photo's torch by itself (`tab_search`, `tab_fit`), then one fit takes all photos together with the tabs they share
(`tab_joint`). Heights go with the tangent of the elevation, so that is what the uncertainty is given for: once for what
all lights have in common, once for each by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from assessor.card.shadow import Source
from assessor.card.tab_fit import FitSettings, LightFit, fit_lights
from assessor.card.tab_joint import JointFit, fit_jointly
from assessor.card.tab_model import TabModel, TabState
from assessor.card.tab_room import Room
from assessor.card.tab_samples import TabField
from assessor.card.tab_search import Sweep, find_candidate, near_part, plan_sweep
from assessor.card.tabs import TabMaps, map_tabs
from assessor.card.torch_share import Share, share_of_torch
from assessor.card.white import white_basis
from assessor.values import (
    Adjustment,
    CardSighting,
    FloatArray,
    Light,
    Photo,
    PrintScale,
    Rectified,
    ToneCurve,
    Torches,
)


@dataclass(frozen=True, slots=True)
class TorchSettings:
    """What is known of a hand-held torch beforehand, and limits."""

    distance_mm: float = 430.0  # the guide asks for 350-500
    u_nearness_per_mm: float = 1 / 900  # 290-820 mm
    half_angles_deg: tuple[float, ...] = (0.6, 2.5)  # a phone's lamp, a torch's reflector
    u_half_angle_deg: float = 3.0
    u_tab_share: float = 0.2  # the beam is aimed and uneven
    min_share: float = 0.04
    min_amplitude: float = 0.5  # of a tab's shadow over what the others say; below, the tab is down or hidden
    max_lean_deg: float = 17.0
    joint_iterations: int = 6
    max_noise_ratio: float = 2.0  # of one photo over all; more is a light that the tabs do not allow
    u_direction_deg: float = 0.15  # how the sheet lies round the tabs, and what the model leaves out

    def fit(self) -> FitSettings:
        """The same for `tab_fit`."""
        return FitSettings(
            nearness_per_mm=1 / self.distance_mm, u_nearness_per_mm=self.u_nearness_per_mm,
            half_angles_deg=self.half_angles_deg, u_half_angle_deg=self.u_half_angle_deg,
            u_tab_share=self.u_tab_share,
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Scene:
    """Maps of all photos; white (P, 4): smooth light at the tabs over that at the window's centre; blur_mm (P,)."""

    maps: TabMaps
    room: Room
    ratio: FloatArray
    sweep: Sweep
    white: FloatArray
    blur_mm: FloatArray


@dataclass(frozen=True, eq=False)
class _Seen:
    """One photo's torch as its own shadows tell it."""

    photo: int
    fit: LightFit


def read_torches(
    photos: Sequence[Photo],
    sightings: Sequence[CardSighting],
    adjustment: Adjustment,
    rectified: Sequence[Rectified],
    settings: TorchSettings | None = None,
    *,
    curves: Sequence[ToneCurve] | None = None,
) -> Torches:
    """Read the torch of every photo; all sequences run alike, but `adjustment` may hold more photos (by name).

    curves: the photos' tone curves, sRGB if None; they matter for the lights' shares. Photos whose shadows cannot be
    read are left out of the result. No tab that tells: no lights, and the method says so.
    """
    settings = settings or TorchSettings()
    adjustment = _of_photos(adjustment, photos)
    scene = _gather(photos, sightings, adjustment, rectified, curves)
    seen = _read_each(scene, settings)
    if 2 * len(seen) < len(photos):
        # Torches all on one side look like the room's light, and went with it.
        alike = replace(scene, ratio=scene.maps.ratio)
        seen = max(seen, _read_each(alike, settings), key=len)
    if not seen:
        return _nothing()
    seen, joint = _read_all(scene, seen, settings)
    used = [rectified[s.photo] for s in seen]
    shares = share_of_torch(joint, [r.white_fit[:, 1] for r in used], scene.maps)
    return _report(
        [r.photo_name for r in used], seen, joint, shares, (scene, adjustment.print_scale, settings)
    )


def _nothing() -> Torches:
    method = "the tabs show no shadow of a torch"
    sentence = "no torch to be placed: fold all four tabs up and keep their shadows in the picture"
    return Torches((), (), float("nan"), (), method, sentence)


def _of_photos(adjustment: Adjustment, photos: Sequence[Photo]) -> Adjustment:
    """The cameras of these photos only."""
    if len(adjustment.cameras) == len(photos):
        return adjustment
    at = {camera.photo_name: k for k, camera in enumerate(adjustment.cameras)}
    keep = [at[photo.name] for photo in photos]
    offsets = adjustment.marker_offset_mm
    return replace(
        adjustment,
        cameras=tuple(adjustment.cameras[k] for k in keep),
        marker_offset_mm=tuple(offsets[k] for k in keep) if offsets else (),
    )


def _gather(
    photos: Sequence[Photo],
    sightings: Sequence[CardSighting],
    adjustment: Adjustment,
    rectified: Sequence[Rectified],
    curves: Sequence[ToneCurve] | None,
) -> _Scene:
    maps = map_tabs(photos, sightings, adjustment, rectified, curves)
    middle = maps.fold_mm.mean(1)
    smooth = np.stack([r.white_fit[:, 1] for r in rectified])
    white = np.exp(smooth @ white_basis(middle[:, 0], middle[:, 1]) - smooth[:, :1])
    edge = np.array([s.edge_width_mm for s in sightings])
    # A 10-90 % width is 2.56 sd; samples of 0.5 mm and interpolation add theirs.
    room = Room(maps, photos, rectified)
    blur_mm = np.sqrt((edge / 2.56) ** 2 + 0.145**2 + 0.09**2)
    return _Scene(maps, room, room.guess(), near_part(plan_sweep(maps)), white, blur_mm)


def _field(scene: _Scene, p: int) -> TabField:
    return TabField(scene.maps, scene.ratio[p], scene.maps.weight[p])


def _read_each(scene: _Scene, settings: TorchSettings) -> list[_Seen]:
    """Every photo by itself, without those that show no torch."""
    photos = range(len(scene.white))
    seen = {p: s for p in photos if (s := _read_one(scene, p, (0, 1, 2, 3), settings)) is not None}
    # A tab that is missing in most photos lies flat; one that is missing in a few was hidden there.
    up = tuple(t for t in range(4) if 2 * sum(t in s.fit.tabs for s in seen.values()) >= len(seen))
    for p in photos:
        if len(up) >= 2 and (p not in seen or not set(seen[p].fit.tabs) <= set(up)):
            again = _read_one(scene, p, up, settings)
            seen = {k: s for k, s in seen.items() if k != p} | ({p: again} if again is not None else {})
    return [seen[p] for p in sorted(seen)]


def _read_one(scene: _Scene, p: int, tabs: tuple[int, ...], settings: TorchSettings) -> _Seen | None:
    standing = np.zeros((4, 1, 1), np.float32)
    standing[list(tabs)] = 1
    candidate = find_candidate(scene.sweep, scene.ratio[p], scene.maps.weight[p] * standing)
    if candidate.source.share < settings.min_share:
        return None
    fit = _without_bad_tabs(scene, p, _fit(scene, p, candidate.source, tabs, settings), settings)
    return _Seen(p, fit) if _proven(fit, settings) else None


def _fit(scene: _Scene, p: int, start: Source, tabs: tuple[int, ...], settings: TorchSettings) -> LightFit:
    return fit_lights(
        _field(scene, p), (start,), white=scene.white[p], blur_mm=float(scene.blur_mm[p]), tabs=tabs,
        settings=settings.fit(),
    )  # fmt: skip


def _strength(fit: LightFit) -> FloatArray:
    """Each tab's shadow over what the light's place and share say, (4,)."""
    return np.asarray(fit.amplitude[0] * np.exp(fit.extra[0]))


def _without_bad_tabs(scene: _Scene, p: int, fit: LightFit, settings: TorchSettings) -> LightFit:
    """Leave out tabs that lie flat, are hidden or lean too far, worst first, while two are left."""
    while len(fit.tabs) > 2:
        strength, u = _strength(fit), fit.u_amplitude[0]
        off = {
            t: float(max(1 - strength[t], 0) / np.hypot(u[t], 0.2))
            + 4.0 * (abs(np.rad2deg(fit.lean[t])) > settings.max_lean_deg)
            for t in fit.tabs
        }
        worst = max(off, key=lambda t: off[t])
        weak = strength[worst] < settings.min_amplitude and u[worst] < 0.2
        if not weak and off[worst] < 4:
            break
        fit = _fit(scene, p, fit.lights[0], tuple(t for t in fit.tabs if t != worst), settings)
    return fit


def _proven(fit: LightFit, settings: TorchSettings) -> bool:
    """True where at least two tabs show the same torch."""
    if not fit.tabs:
        return False
    strength = _strength(fit)
    votes = [t for t in fit.tabs if fit.u_amplitude[0, t] < 0.3 and abs(strength[t] - 1) < 0.6]
    u_share = float(np.sqrt(fit.covariance[4, 4]))
    return len(votes) >= 2 and fit.lights[0].share > max(settings.min_share, 2 * u_share)


def _read_all(scene: _Scene, seen: list[_Seen], settings: TorchSettings) -> tuple[list[_Seen], JointFit]:
    """All photos together, with the tabs they share."""
    states = [
        TabState(list(f.lights), f.lean, f.height_mm, f.sky, f.grown_mm, f.blur_mm, f.extra)
        for f in (s.fit for s in seen)
    ]
    scene = replace(scene, ratio=scene.maps.ratio)
    models = _models(scene, seen, settings)
    states, _ = fit_jointly(models, states, iterations=settings.joint_iterations)
    scene = replace(scene, ratio=scene.room.after([s.photo for s in seen], models, states))
    models = _models(scene, seen, settings)
    states, joint = fit_jointly(models, states, iterations=settings.joint_iterations)
    odd = joint.noise > settings.max_noise_ratio * np.median(joint.noise)
    if odd.any() and len(seen) > 2:
        # Another light than the tabs and the other photos allow.
        keep = np.flatnonzero(~odd)
        seen, states = [seen[k] for k in keep], [states[k] for k in keep]
        _, joint = fit_jointly(_models(scene, seen, settings), states, iterations=settings.joint_iterations)
    return seen, joint


def _models(scene: _Scene, seen: list[_Seen], settings: TorchSettings) -> list[TabModel]:
    return [
        TabModel(
            _field(scene, s.photo), (scene.white[s.photo], float(scene.blur_mm[s.photo])), s.fit.tabs,
            settings.fit(), None,
        )
        for s in seen
    ]  # fmt: skip


def _report(
    names: list[str],
    seen: list[_Seen],
    joint: JointFit,
    shares: list[Share],
    about: tuple[_Scene, PrintScale, TorchSettings],
) -> Torches:
    scene, print_scale, settings = about
    common, own = _tangents(joint, print_scale, np.deg2rad(settings.u_direction_deg))
    lights = tuple(
        _light(joint, k, shares[k], tuple(scene.maps.names[t] for t in s.fit.tabs), settings)
        for k, s in enumerate(seen)
    )
    tabs = sorted({t for s in seen for t in s.fit.tabs})
    method = f"shadows of {len(tabs)} upright tabs ({', '.join(scene.maps.names[t] for t in tabs)}),"
    method += f" {len(names)} photos together"
    u_nearness = [np.sqrt(_covariance(joint, k)[2, 2]) for k in range(len(names))]
    if max(u_nearness) > 0.5 * settings.u_nearness_per_mm:
        method += f"; distances partly assumed ({settings.distance_mm / 10:.0f} cm is usual)"
    return Torches(tuple(names), lights, common, own, method, _sentence(lights, len(scene.white)))


def _covariance(joint: JointFit, k: int) -> FloatArray:
    """(5, 5) of one light, the tabs' part included."""
    by = joint.by_tabs[k]
    return np.asarray(joint.given_tabs[k] + by @ joint.tabs @ by.T)


def _tangents(
    joint: JointFit, print_scale: PrintScale, u_direction: float
) -> tuple[float, tuple[float, ...]]:
    """Relative standard uncertainties of tan(elevation): what all lights share, and each by itself."""
    elevation = np.array([light.elevation for light in joint.lights])
    gain = 1 / (np.sin(elevation) * np.cos(elevation))  # d ln(tan e) / de
    by = joint.by_tabs[:, 1] * gain[:, None]
    whole = by @ joint.tabs @ by.T
    common = float(whole.mean())
    own = (joint.given_tabs[:, 1, 1] + u_direction**2) * gain**2 + np.maximum(np.diag(whole) - common, 0)
    # Sheet and tabs grow alike; only what the two directions differ by turns a shadow's slope.
    aspect = np.hypot(print_scale.u_x, print_scale.u_y) / 2
    return float(np.hypot(np.sqrt(max(common, 0.0)), aspect)), tuple(float(u) for u in np.sqrt(own))


def _light(joint: JointFit, k: int, share: Share, tabs: tuple[str, ...], settings: TorchSettings) -> Light:
    source = joint.lights[k]
    u = np.sqrt(np.diag(_covariance(joint, k)))
    place = source.toward / max(source.nearness_per_mm, 1e-4)
    floor = settings.u_direction_deg
    return Light(
        azimuth_deg=float(np.rad2deg(source.azimuth) % 360),
        elevation_deg=float(np.rad2deg(source.elevation)),
        u_azimuth_deg=float(np.hypot(np.rad2deg(u[0]), floor / np.cos(source.elevation))),
        u_elevation_deg=float(np.hypot(np.rad2deg(u[1]), floor)),
        share=share.value,
        u_share=share.u,
        softness_deg=float(np.rad2deg(source.half_angle)),
        u_softness_deg=float(np.hypot(np.rad2deg(u[3]), 0.2)),
        position_mm=(float(place[0]), float(place[1]), float(place[2])),
        tabs_used=tabs,
    )


def _sentence(lights: Sequence[Light], photos: int) -> str:
    elevation = [light.elevation_deg for light in lights]
    distance = [float(np.linalg.norm(light.position_mm or (np.nan,) * 3)) for light in lights]
    share = [light.share for light in lights]
    said = (
        f"torch at {min(elevation):.0f}-{max(elevation):.0f} degrees elevation,"
        f" {min(distance) / 10:.0f}-{max(distance) / 10:.0f} cm away, {min(share):.0%}-{max(share):.0%} of the light"
    )
    if len(lights) < photos:
        said += f"; read in {len(lights)} of {photos} photos"
    return said
