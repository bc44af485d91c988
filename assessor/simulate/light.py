"""Light on the floor and the sheet: sun, sky, window and lamps, with cast shadows and ambient occlusion.

Light is a set of directions with weights. For each azimuth the height field is turned so that the light runs along
its rows; then a running maximum says what every sample's horizon hides, for any elevation, without marching. The
result is a radiance texture that looks the same from every side (Lambert), so all photos of a capture share it.
A path tracer can stand in for `light_floor`: same arguments, same result.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.values import FloatArray


@dataclass(frozen=True, slots=True)
class LightRecipe:
    """Where light comes from. kind: overcast, window, sun or lamp.

    azimuth_deg: direction *toward* the sun, lamp or window, counter-clockwise from card +x. elevation_deg above the
    card. half_angle_deg: angular radius of the source (sun 0.27). direct: its share of the light on a level floor.
    ambient_rgb: colour of the rest.
    """

    kind: str = "overcast"
    azimuth_deg: float = 40.0
    elevation_deg: float = 45.0
    half_angle_deg: float = 0.27
    direct: float = 0.8
    ambient_rgb: tuple[float, float, float] = (0.96, 1.0, 1.06)
    bounce: float = 0.8


@dataclass(frozen=True, slots=True)
class Ray:
    """One direction of light: unit vector toward the source by azimuth and elevation (rad), share, and its colour."""

    azimuth: float
    elevation: float
    share: float
    direct: bool


def light_rays(light: LightRecipe) -> list[Ray]:
    """Split a light into directions whose shares of the light on a level, open floor sum to 1."""
    rays: list[Ray] = []
    if light.kind not in ("overcast", "window", "sun", "lamp"):
        raise ValueError(f"light must be overcast, window, sun or lamp, not {light.kind!r}")
    direct = light.direct if light.kind in ("sun", "lamp") else 0.0
    if direct > 0:
        # The source's disc, cut into strips of equal elevation step.
        count = 3 if light.half_angle_deg < 0.5 else 7
        at = (np.arange(count) + 0.5) / count * 2 - 1
        strip = np.sqrt(1 - at**2)
        for t, w in zip(at, strip / strip.sum(), strict=True):
            elevation = light.elevation_deg + t * light.half_angle_deg
            rays.append(Ray(np.deg2rad(light.azimuth_deg), np.deg2rad(elevation), direct * w, True))
    if direct < 1:
        sky = _sky(light)
        total = sum(r.share for r in sky)
        rays += [Ray(r.azimuth, r.elevation, r.share * (1 - direct) / total, False) for r in sky]
    return rays


def _sky(light: LightRecipe) -> list[Ray]:
    """Sky directions, weighted by radiance x solid angle x sin(elevation).

    Overcast: radiance (1 + 2 sin e)/3 of the zenith's (Moon and Spencer 1942, the CIE overcast sky). Window: three
    quarters of the light from a bright patch 25 degrees wide low on one side.
    """
    rays = []
    azimuths, levels = 16, 4
    for i in range(azimuths):
        azimuth = 2 * np.pi * (i + 0.5) / azimuths
        for j in range(levels):
            sine = (j + 0.5) / levels
            radiance = (1 + 2 * sine) / 3
            if light.kind == "window":
                away = np.angle(np.exp(1j * (azimuth - np.deg2rad(light.azimuth_deg))))
                lift = np.arcsin(sine) - np.deg2rad(light.elevation_deg)
                radiance = 0.12 + 3.0 * np.exp(-0.5 * ((away / 0.45) ** 2 + (lift / 0.3) ** 2))
            rays.append(Ray(float(azimuth), float(np.arcsin(sine)), float(radiance * sine), False))
    return rays


def light_floor(
    height_mm: FloatArray, albedo: FloatArray, px_per_mm: float, light: LightRecipe, *, window_half_mm: float
) -> FloatArray:
    """Radiance of the floor, (n, n, 3) float32; 1 = a white level surface in the open.

    height_mm (n, n) in the card frame (row 0 = largest y); the sheet around the window stands at z = 0 and shadows
    the floor. One bounce is added as the mean radiance around times what the horizon hides.
    """
    n = height_mm.shape[0]
    occluder = _with_sheet(height_mm, px_per_mm, window_half_mm)
    rays = light_rays(light)
    slope_x, slope_y = _slopes(height_mm, px_per_mm)
    channels = np.zeros((3, n, n), np.float32)
    open_sky = np.ones((n, n), np.float32)
    for direct in (True, False):
        group = [r for r in rays if r.direct is direct]
        if not group:
            continue
        fine = 1 if direct else 2
        field = (
            occluder
            if fine == 1
            else cv2.resize(occluder, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        )
        east, north, up = (
            part if fine == 1 else cv2.resize(part, (n, n), interpolation=cv2.INTER_LINEAR)
            for part in _visible_vector(field, px_per_mm / fine, group)
        )
        amount = up - slope_x * east
        amount -= slope_y * north
        np.maximum(amount, 0, out=amount)
        for channel, gain in enumerate((1.0, 1.0, 1.0) if direct else light.ambient_rgb):
            cv2.scaleAdd(amount, float(gain), channels[channel], dst=channels[channel])
        if not direct:
            open_sky = np.clip(up / np.float32(sum(r.share for r in group)), 0, 1)
    length = np.sqrt(1 + slope_x * slope_x + slope_y * slope_y)
    radiance = cv2.merge([np.divide(channel, length, out=channel) for channel in channels])
    radiance *= albedo
    _add_bounce(radiance, albedo, open_sky, px_per_mm, light.bounce)
    return np.asarray(radiance, dtype=np.float32)


def _add_bounce(
    radiance: FloatArray, albedo: FloatArray, open_sky: FloatArray, px_per_mm: float, strength: float
) -> None:
    """Add light from the surface itself, in place: the mean radiance within 1.5 mm times the hidden share of the sky."""
    n = radiance.shape[0]
    small = cv2.resize(radiance, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    around = cv2.resize(
        cv2.GaussianBlur(small, (0, 0), px_per_mm / 8 * 1.5), (n, n), interpolation=cv2.INTER_LINEAR
    )
    around *= albedo
    around *= (np.float32(strength) * (1 - open_sky))[..., None]
    radiance += around


def _with_sheet(height_mm: FloatArray, px_per_mm: float, half_mm: float) -> FloatArray:
    n = height_mm.shape[0]
    edge = round(n / 2 - half_mm * px_per_mm)
    occluder = np.maximum(height_mm, 0).astype(np.float32)
    if edge <= 0:
        return np.array(height_mm, dtype=np.float32)
    occluder[edge : n - edge, edge : n - edge] = height_mm[edge : n - edge, edge : n - edge]
    return occluder


def _slopes(height_mm: FloatArray, px_per_mm: float) -> tuple[FloatArray, FloatArray]:
    """dz/dx and dz/dy; y runs against the rows."""
    half = np.float32(px_per_mm / 2)
    dx = cv2.filter2D(height_mm, cv2.CV_32F, np.array([[-half, 0, half]]), borderType=cv2.BORDER_REPLICATE)
    dy = cv2.filter2D(
        height_mm, cv2.CV_32F, np.array([[half], [0], [-half]]), borderType=cv2.BORDER_REPLICATE
    )
    return dx, dy


def _visible_vector(field: FloatArray, px_per_mm: float, rays: list[Ray]) -> FloatArray:
    """Sum over rays of share x visibility x direction / sin(elevation): (n, n, 3), x, y, z in the card frame.

    Dotted with a normal it gives the irradiance, faces turned away aside (their own horizon hides those).
    """
    n = field.shape[0]
    total = np.zeros((3, n, n), np.float32)
    for azimuth in sorted({r.azimuth for r in rays}):
        group = [r for r in rays if r.azimuth == azimuth]
        size = int(np.ceil(n * (abs(np.cos(azimuth)) + abs(np.sin(azimuth))))) + 4
        # Rows of the turned field lie ever farther from the light: at row u the point is
        # x = -u cos, y = -u sin, plus v across; the picture's rows run against y.
        c, s = np.cos(azimuth), np.sin(azimuth)
        middle, half = (size - 1) / 2, (n - 1) / 2
        matrix = np.array([[s, -c, half - (s - c) * middle], [c, s, half - (c + s) * middle]], np.float64)
        turned = cv2.warpAffine(
            field,
            matrix,
            (size, size),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for part, gains in zip(_ladder(turned, px_per_mm, group), ((0, 0, 1), (c, s, 0)), strict=True):
            back = cv2.warpAffine(
                part, matrix, (n, n), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
            for axis, gain in enumerate(gains):
                if gain:
                    cv2.scaleAdd(back, float(gain), total[axis], dst=total[axis])
    return total


def _ladder(turned: FloatArray, px_per_mm: float, rays: list[Ray]) -> tuple[FloatArray, FloatArray]:
    """For light coming from row 0: sums over elevations of share x visible, and of share x visible / tan.

    Row by row, so that everything stays in the processor's cache: the shadow line of each elevation sinks by
    tan(elevation) per step and is lifted by what stands there.
    """
    tangent = np.tan([r.elevation for r in rays])
    shares = np.array([r.share for r in rays])
    weights = np.stack([shares, shares / tangent]).astype(np.float32)
    drop = (tangent / px_per_mm).astype(np.float32)[:, None]
    line = np.full((len(rays), turned.shape[1]), -np.inf, np.float32)
    visible = np.empty_like(line)
    sums = np.empty((turned.shape[0], 2, turned.shape[1]), np.float32)
    for k, row in enumerate(turned):
        line -= drop
        np.maximum(line, row, out=line)
        # 10 um of depth turn light to shade: it spares interpolation noise and softens the edge.
        np.subtract(row, line, out=visible)
        visible *= np.float32(100.0)
        visible += np.float32(1.3)
        np.clip(visible, 0, 1, out=visible)
        np.matmul(weights, visible, out=sums[k])
    return np.ascontiguousarray(sums[:, 0]), np.ascontiguousarray(sums[:, 1])
