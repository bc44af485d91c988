"""Light on the floor: sun, sky, window, far lamps and near torches, with cast shadows and ambient occlusion.

Light is a set of directions with shares, or a lamp at a point. The result is a radiance texture that looks
the same from every side (Lambert), so all photos of a capture share it. A path tracer can stand in for
`light_floor`: same arguments, same result.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.simulate.beam import Beam
from assessor.simulate.imaging import blur, merge, resize, shrink
from assessor.simulate.shadows import lamp_visibility, visible_sums
from assessor.values import FloatArray

SKY_SHRINK = 3
LAMP_RADIUS_MM = 4.0  # of a torch's bright disc
BEAM_PX_PER_MM = 1.0  # a beam is smooth
DISC_POINTS = 24  # pieces of a source's disc that soft edges of far shadows are made of
WINDOW_ROOM = 0.12  # radiance of a room beside its window's 3
FINE_SKY = (48, 8)  # azimuths and levels of the sky where single shadows must not show
KINDS = ("overcast", "window", "ceiling", "sun", "lamp", "torch")
ROOMS = ("overcast", "window", "ceiling")
# Half widths in radians of a room's bright patch, along and across the horizon.
PATCHES = {"window": (0.45, 0.3), "ceiling": (0.6, 0.2)}

Half = (
    float | tuple[float, float]
)  # of the sheet's window: one number where it is square, else across and along


@dataclass(frozen=True, slots=True)
class LightRecipe:
    """Where light comes from. kind: overcast, window, ceiling (a bright panel), sun, lamp (far) or torch (near).

    azimuth_deg: direction *toward* the source, counter-clockwise from card +x; elevation_deg above the card.
    half_angle_deg: angular radius of the source (the sun's is 0.27). direct: its share of the light on a
    level floor (at the window's centre). distance_mm: of a torch from there. ambient_rgb: colour of the
    rest. bounce: strength of light from the floor itself. gloss: strength of the shine of damp or sealed
    concrete (see `gloss`). direct_rgb: colour of sun, lamp or torch; source_mm: radius of a torch's bright disc;
    beam: how its light falls off with direction, None for evenly; room: the light beside it, one of ROOMS (None: an
    overcast sky).
    """

    kind: str = "overcast"
    azimuth_deg: float = 40.0
    elevation_deg: float = 45.0
    half_angle_deg: float = 0.27
    direct: float = 0.8
    distance_mm: float = 400.0
    ambient_rgb: tuple[float, float, float] = (0.96, 1.0, 1.06)
    bounce: float = 0.8
    gloss: float = 0.0
    direct_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)
    source_mm: float = LAMP_RADIUS_MM
    beam: Beam | None = None
    room: LightRecipe | None = None

    @property
    def lamp_mm(self) -> tuple[float, float, float] | None:
        """Position of a torch in the card frame; None for every other kind."""
        if self.kind != "torch":
            return None
        azimuth, elevation = np.deg2rad(self.azimuth_deg), np.deg2rad(self.elevation_deg)
        flat = self.distance_mm * np.cos(elevation)
        return (
            float(flat * np.cos(azimuth)),
            float(flat * np.sin(azimuth)),
            float(self.distance_mm * np.sin(elevation)),
        )


@dataclass(frozen=True, slots=True)
class Ray:
    """One piece of light: azimuth and elevation (rad) toward it, its share, its place and beam if it is near."""

    azimuth: float
    elevation: float
    share: float
    direct: bool
    lamp_mm: tuple[float, float, float] | None = None
    beam: Beam | None = None

    def toward(self, points_mm: FloatArray) -> FloatArray:
        """Unit vectors (..., 3) from points (..., 3) toward the light."""
        if self.lamp_mm is not None:
            line = np.asarray(self.lamp_mm) - points_mm
            return np.asarray(line / np.linalg.norm(line, axis=-1, keepdims=True))
        c = np.cos(self.elevation)
        one = np.array([c * np.cos(self.azimuth), c * np.sin(self.azimuth), np.sin(self.elevation)])
        return np.broadcast_to(one, np.shape(points_mm))

    def strength(self, points_mm: FloatArray) -> FloatArray:
        """Irradiance (...) of a face turned to the light; `share` on a level face at the window's centre."""
        full = self.share / np.sin(self.elevation)
        if self.lamp_mm is None:
            return np.full(np.shape(points_mm)[:-1], full)
        lamp = np.asarray(self.lamp_mm)
        even = np.asarray(full * (lamp @ lamp) / ((lamp - points_mm) ** 2).sum(-1))
        return even if self.beam is None else even * self.aimed(points_mm)

    def aimed(self, points_mm: FloatArray) -> FloatArray:
        """What the beam sends toward points (..., 3), over what it sends to the window's centre, (...)."""
        if self.lamp_mm is None or self.beam is None:
            return np.ones(np.shape(points_mm)[:-1])
        return self.beam.gain(self.lamp_mm, points_mm) / self.beam.gain(self.lamp_mm, np.zeros(3))


def light_rays(light: LightRecipe) -> list[Ray]:
    """Split a light into rays whose shares of the light on a level, open floor sum to 1."""
    if light.kind not in KINDS:
        raise ValueError(f"light must be one of {', '.join(KINDS)}, not {light.kind!r}")
    if light.room is not None and light.room.kind not in ROOMS:
        raise ValueError(f"a torch's room must be one of {', '.join(ROOMS)}, not {light.room.kind!r}")
    direct = direct_share(light)
    azimuth = float(np.deg2rad(light.azimuth_deg))
    rays: list[Ray] = []
    if direct > 0 and light.kind == "torch":
        elevation = float(np.deg2rad(light.elevation_deg))
        rays.append(Ray(azimuth, elevation, direct, True, light.lamp_mm, light.beam))
    elif direct > 0:
        # The source's disc, cut into strips of equal elevation step.
        count = 3 if light.half_angle_deg < 0.5 else 7
        at = (np.arange(count) + 0.5) / count * 2 - 1
        strip = np.sqrt(1 - at**2)
        for t, w in zip(at, strip / strip.sum(), strict=True):
            elevation = float(np.deg2rad(light.elevation_deg + t * light.half_angle_deg))
            rays.append(Ray(azimuth, elevation, float(direct * w), True))
    if direct < 1:
        rays += sky_rays(light, 16, 4)
    return rays


def direct_share(light: LightRecipe) -> float:
    """Share of the light on a level floor that comes straight from sun, lamp or torch; 0 for a sky."""
    return light.direct if light.kind in ("sun", "lamp", "torch") else 0.0


def disc_rays(light: LightRecipe, count: int = DISC_POINTS) -> list[Ray]:
    """Split the direct light into `count` equal pieces spread evenly over the source's disc; [] for a sky.

    Points of a sunflower spiral (Vogel 1979): an edge far from what it falls on gets its true penumbra.
    """
    share = direct_share(light) / count
    if share <= 0:
        return []
    at = np.arange(count)
    radius, turn = np.sqrt((at + 0.5) / count), at * (np.pi * (3 - 5**0.5))
    across, lift = radius * np.cos(turn), radius * np.sin(turn)
    azimuth, elevation = float(np.deg2rad(light.azimuth_deg)), float(np.deg2rad(light.elevation_deg))
    if light.lamp_mm is None:
        half = float(np.deg2rad(light.half_angle_deg))
        return [
            Ray(azimuth + half * float(a) / np.cos(elevation), elevation + half * float(b), share, True)
            for a, b in zip(across, lift, strict=True)
        ]
    ca, sa, ce, se = np.cos(azimuth), np.sin(azimuth), np.cos(elevation), np.sin(elevation)
    sideways, upward = np.array([-sa, ca, 0.0]), np.array([-se * ca, -se * sa, ce])
    places = np.asarray(light.lamp_mm) + light.source_mm * (
        across[:, None] * sideways + lift[:, None] * upward
    )
    return [
        Ray(azimuth, elevation, share, True, (float(x), float(y), float(z)), light.beam) for x, y, z in places
    ]


@dataclass(frozen=True, slots=True)
class TrueLight:
    """One light as it is: direction toward it seen from the window's centre, degrees, in the card frame.

    share: its part of the light on a level floor at the window's centre. half_angle_deg: angular radius of an
    evenly bright disc with the same spread. position_mm: where a near lamp stands, None for a far light.
    """

    azimuth_deg: float
    elevation_deg: float
    share: float
    half_angle_deg: float
    position_mm: tuple[float, float, float] | None = None


def true_lights(light: LightRecipe) -> tuple[TrueLight, ...]:
    """Lights that cast a shadow with a direction, strongest first: none under an overcast sky.

    A window or a ceiling's panel is told by the mean direction and spread of what it adds to the room's light.
    """
    if light.kind == "overcast":
        return ()
    if light.kind in PATCHES:
        return (_bright_patch(light),)
    share, azimuth = direct_share(light), light.azimuth_deg % 360
    if share <= 0:
        return ()
    half = light.half_angle_deg
    if light.lamp_mm is not None:
        half = float(np.rad2deg(np.arctan(light.source_mm / light.distance_mm)))
    return (TrueLight(azimuth, light.elevation_deg, share, half, light.lamp_mm),)


def _bright_patch(light: LightRecipe) -> TrueLight:
    rays = sky_rays(light, *FINE_SKY)
    room = WINDOW_ROOM / (WINDOW_ROOM + np.array([_patch(light, r.azimuth, r.elevation) for r in rays]))
    share = np.array([r.share for r in rays]) * (1 - room)
    toward = np.stack([r.toward(np.zeros(3)) for r in rays])
    mean = share @ toward
    mean /= np.linalg.norm(mean)
    off = np.arccos(np.clip(toward @ mean, -1, 1))
    # An even disc of radius R has a root mean square distance of R / sqrt(2) from its middle.
    half = float(np.sqrt(2 * (share @ off**2) / share.sum()))
    return TrueLight(
        float(np.rad2deg(np.arctan2(mean[1], mean[0])) % 360),
        float(np.rad2deg(np.arcsin(mean[2]))),
        float(share.sum()),
        float(np.rad2deg(half)),
    )


def sky_rays(light: LightRecipe, azimuths: int, levels: int) -> list[Ray]:
    """Split the sky (or the room and its window) into azimuths x levels rays; shares sum to 1 - direct.

    Weights are radiance x solid angle x sin(elevation).

    Overcast: radiance rises as (1 + 2 sin e)/3 toward the zenith (Moon and Spencer 1942, the CIE overcast
    sky). Window: most of the light comes from a bright patch some 50 degrees wide on one side. Beside a torch it is
    its room's.
    """
    rays = []
    room = light.room or light
    for i in range(azimuths):
        azimuth = 2 * np.pi * (i + 0.5) / azimuths
        for j in range(levels):
            sine = (j + 0.5) / levels
            radiance = (1 + 2 * sine) / 3
            if room.kind in PATCHES:
                radiance = WINDOW_ROOM + _patch(room, azimuth, float(np.arcsin(sine)))
            rays.append((float(azimuth), float(np.arcsin(sine)), float(radiance * sine)))
    full = (1 - direct_share(light)) / sum(r[2] for r in rays)
    return [Ray(azimuth, elevation, weight * full, False) for azimuth, elevation, weight in rays]


def _patch(light: LightRecipe, azimuth: float, elevation: float) -> float:
    """Radiance that a window or panel adds to the room's in one direction (rad)."""
    wide, high = PATCHES[light.kind]
    away = np.angle(np.exp(1j * (azimuth - np.deg2rad(light.azimuth_deg))))
    lift = elevation - np.deg2rad(light.elevation_deg)
    return float(3.0 * np.exp(-0.5 * ((away / wide) ** 2 + (lift / high) ** 2)))


def light_floor(
    height_mm: FloatArray,
    albedo: FloatArray,
    px_per_mm: float,
    light: LightRecipe,
    *,
    window_half_mm: Half,
    open_sky: FloatArray | None = None,
) -> FloatArray:
    """Radiance of the floor, (n, n, 3) float32; 1 = a white level surface in the open.

    height_mm (n, n) in the card frame (row 0 = largest y), albedo (n, n, 3). The sheet around the window
    stands at z = 0 and shadows the floor. One bounce is added as the radiance around times what the horizon
    hides: 1 - open_sky (n, n), which a light without a sky of its own must be given (`sky_seen`) to have one.
    """
    n = height_mm.shape[0]
    occluder = with_sheet(height_mm, px_per_mm, window_half_mm)
    rays = light_rays(light)
    slope_x, slope_y = slopes(height_mm, px_per_mm)
    channels = [np.zeros((n, n), np.float32) for _ in "rgb"]
    for direct in (True, False):
        group = [r for r in rays if r.direct is direct]
        if not group:
            continue
        east, north, up = _light_vector(occluder, px_per_mm, group, fine=direct, radius_mm=light.source_mm)
        amount = up - slope_x * east
        amount -= slope_y * north
        np.maximum(amount, 0, out=amount)
        for channel, gain in zip(channels, light.direct_rgb if direct else light.ambient_rgb, strict=True):
            cv2.scaleAdd(amount, float(gain), channel, dst=channel)
        if not direct:
            open_sky = np.clip(up / np.float32(sum(r.share for r in group)), 0, 1)
    length = np.sqrt(1 + slope_x * slope_x + slope_y * slope_y)
    radiance = merge([np.divide(channel, length, out=channel) for channel in channels])
    radiance *= albedo
    if open_sky is not None:
        _add_bounce(radiance, albedo, open_sky, px_per_mm, light.bounce)
    return radiance


def sky_seen(height_mm: FloatArray, px_per_mm: float, *, window_half_mm: Half) -> FloatArray:
    """Share of an overcast sky's light that a level face gets at every sample, (n, n) float32."""
    occluder = with_sheet(height_mm, px_per_mm, window_half_mm)
    _, _, up = _light_vector(occluder, px_per_mm, sky_rays(LightRecipe(), 16, 4), fine=False)
    return np.asarray(np.clip(up, 0, 1), dtype=np.float32)


def _light_vector(
    field: FloatArray, px_per_mm: float, rays: list[Ray], *, fine: bool, radius_mm: float = LAMP_RADIUS_MM
) -> FloatArray:
    """Sum over rays of irradiance x visibility x direction, (3, n, n): east, north, up in the card frame.

    Dotted with a normal it gives the irradiance, faces turned away aside (their own horizon hides those).
    The sky is soft, so it is done at a third of the density unless `fine`.
    """
    n = field.shape[0]
    if rays[0].lamp_mm is not None:
        return _lamp_vector(field, px_per_mm, rays[0], radius_mm)
    if not fine:
        field, px_per_mm = shrink(field, SKY_SHRINK), px_per_mm / SKY_SHRINK
    size = field.shape[0]
    total = np.zeros((3, size, size), np.float32)
    for azimuth in sorted({r.azimuth for r in rays}):
        group = [r for r in rays if r.azimuth == azimuth]
        elevations = np.array([r.elevation for r in group])
        shares = np.array([r.share for r in group])
        weights = np.stack([shares / np.tan(elevations), shares])
        flat, level = visible_sums(field, px_per_mm, azimuth, elevations, weights)
        cv2.scaleAdd(flat, float(np.cos(azimuth)), total[0], dst=total[0])
        cv2.scaleAdd(flat, float(np.sin(azimuth)), total[1], dst=total[1])
        total[2] += level
    return total if fine else np.stack([resize(part, (n, n)) for part in total])


def _lamp_vector(field: FloatArray, px_per_mm: float, ray: Ray, radius_mm: float) -> FloatArray:
    """The same for one near lamp: direction and inverse square at every sample."""
    n = field.shape[0]
    lamp = ray.lamp_mm or (0.0, 0.0, 1.0)
    at = (np.arange(n, dtype=np.float32) + 0.5) / np.float32(px_per_mm) - np.float32(n / px_per_mm / 2)
    parts = [
        np.float32(lamp[0]) - at[None, :],
        np.float32(lamp[1]) + at[:, None],
        np.float32(lamp[2]) - field,
    ]
    square = parts[0] ** 2 + parts[1] ** 2 + parts[2] ** 2
    reach = float(np.linalg.norm(lamp))
    gain = np.float32(ray.share / np.sin(ray.elevation) * reach**2) / (square * np.sqrt(square))
    gain *= lamp_visibility(field, px_per_mm, lamp, radius_mm=radius_mm)
    if ray.beam is not None:
        gain *= _beam_over(ray, n, px_per_mm)
    return np.stack([gain * part for part in parts])


def _beam_over(ray: Ray, n: int, px_per_mm: float) -> FloatArray:
    """A beam over the card plane, (n, n): a floor a few mm lower sees the same to a thousandth."""
    size = round(n / px_per_mm * BEAM_PX_PER_MM)
    at = ((np.arange(size) + 0.5) / size - 0.5) * n / px_per_mm
    x, y = np.meshgrid(at, -at)
    return resize(ray.aimed(np.stack([x, y, np.zeros_like(x)], -1)).astype(np.float32), (n, n))


def _add_bounce(
    radiance: FloatArray, albedo: FloatArray, open_sky: FloatArray, px_per_mm: float, strength: float
) -> None:
    """Add light from the floor itself, in place: mean radiance within 1.5 mm times the hidden sky."""
    n = radiance.shape[0]
    around = resize(blur(shrink(radiance, 8), px_per_mm / 8 * 1.5), (n, n))
    around *= albedo
    around *= (np.float32(strength) * (1 - open_sky))[..., None]
    radiance += around


def with_sheet(height_mm: FloatArray, px_per_mm: float, half_mm: Half) -> FloatArray:
    """The floor under its sheet, as what casts shadows: nothing lies lower than 0 outside the window."""
    n = height_mm.shape[0]
    halves = (half_mm, half_mm) if isinstance(half_mm, (int, float)) else half_mm
    across, down = (max(round(n / 2 - half * px_per_mm), 0) for half in halves)
    inside = np.s_[down : n - down, across : n - across]
    occluder = np.maximum(height_mm, 0).astype(np.float32)
    occluder[inside] = height_mm[inside]
    return occluder


def slopes(height_mm: FloatArray, px_per_mm: float) -> tuple[FloatArray, FloatArray]:
    """dz/dx and dz/dy of a height field (y runs against the rows), float32."""
    half = px_per_mm / 2
    dx = cv2.filter2D(height_mm, cv2.CV_32F, np.array([[-half, 0, half]]), borderType=cv2.BORDER_REPLICATE)
    dy = cv2.filter2D(
        height_mm, cv2.CV_32F, np.array([[half], [0], [-half]]), borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(dx, dtype=np.float32), np.asarray(dy, dtype=np.float32)
