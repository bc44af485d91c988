"""The shape of a lying drop: contact angle from volume and width, as a spherical cap and with its weight.

A cap of contact width D and angle t holds V = pi D^3 (2 - 3 cos t + cos^3 t) / (24 sin^3 t). Weight flattens a drop:
0.05 mL of water at 90 degrees is 8 % wider than a cap, and its cap angle comes out 9 degrees too low. So the angle
given is that of the Young-Laplace equation, solved from the top of the drop down (Bashforth and Adams 1883); the cap's
stands beside it. From above a drop of more than 90 degrees shows its widest part instead of its foot, so width here
always means the width seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np

from assessor.values import FloatArray, freeze

# Surface tension 72.8 mN/m, density 998 kg/m3 at 20 degrees C (from memory, verify), g 9.81 m/s2: 2.73 mm.
CAPILLARY_MM = math.sqrt(0.0728 / (998.0 * 9.81)) * 1000
LARGEST_DEG = 170.0
_STEP_DEG = 0.5
_TOP_CURVATURES = 160


@dataclass(frozen=True, slots=True)
class ContactAngle:
    """Contact angle in degrees with standard uncertainty, and what the spherical cap alone would say.

    at_limit: the drop is narrower than any drop of that volume can be, or so flat that no angle can be told.
    """

    deg: float
    u_deg: float
    cap_deg: float
    at_limit: bool = False


@dataclass(frozen=True, eq=False)
class DropProfile:
    """Outline of a drop from its top down: radius_mm and depth_mm below the top (n,), and its volume in mm3."""

    radius_mm: FloatArray
    depth_mm: FloatArray
    volume_mm3: float

    def __post_init__(self) -> None:
        freeze(self.radius_mm)
        freeze(self.depth_mm)

    @property
    def width_mm(self) -> float:
        """Width seen from above."""
        return 2 * float(self.radius_mm.max())

    @property
    def height_mm(self) -> float:
        """Height over the floor."""
        return float(self.depth_mm[-1])


def cap_volume_mm3(width_mm: float, angle_deg: float) -> float:
    """Volume of a spherical cap of contact width D and contact angle t; ValueError outside 0 < t < 180."""
    if not 0 < angle_deg < 180 or not width_mm > 0:
        raise ValueError("a cap has a width over 0 and an angle between 0 and 180 degrees")
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    # 2 - 3c + c^3 = (1 - c)^2 (2 + c): no loss of digits for flat caps.
    one_less = 2 * math.sin(math.radians(angle_deg) / 2) ** 2
    return math.pi * width_mm**3 * one_less**2 * (2 + c) / (24 * s**3)


def cap_angle_deg(volume_mm3: float, width_mm: float) -> float:
    """Contact angle of a spherical cap of that volume and contact width, degrees; ValueError unless both over 0."""
    if not volume_mm3 > 0 or not width_mm > 0:
        raise ValueError("volume and width must be over 0")
    low, high = 1e-3, 180 - 1e-3
    for _ in range(60):
        middle = (low + high) / 2
        if cap_volume_mm3(width_mm, middle) < volume_mm3:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def drop_profile(volume_mm3: float, angle_deg: float) -> DropProfile:
    """Outline of a drop of that volume and contact angle under its own weight.

    ValueError outside 5 to 170 degrees, or for volumes beyond the table (some 300 mm3 at 10 degrees, 5,000 at 90).
    """
    if not 5 <= angle_deg <= LARGEST_DEG:
        raise ValueError("angle_deg must lie between 5 and 170")
    table = _table()
    k = round(angle_deg / _STEP_DEG)
    volumes = table.volume[k]
    target = volume_mm3 / CAPILLARY_MM**3
    if not volumes[-1] < target < volumes[0]:
        raise ValueError("volume_mm3 is beyond what a drop can be worked out for")
    # Volumes fall as the top's curvature grows.
    at = float(np.interp(math.log(target), np.log(volumes[::-1]), np.arange(volumes.size)[::-1]))
    curvature = float(np.exp(np.interp(at, np.arange(volumes.size), np.log(table.curvature))))
    one = _solve(np.array([curvature]), angle_deg)
    scale = CAPILLARY_MM
    return DropProfile(one.radius[:, 0] * scale, one.depth[:, 0] * scale, float(one.volume[-1, 0]) * scale**3)


def contact_angle(volume_mm3: float, width_mm: float, u_volume_mm3: float, u_width_mm: float) -> ContactAngle:
    """Contact angle of a drop of that volume and width seen, with standard uncertainty; ValueError unless over 0."""
    cap = cap_angle_deg(volume_mm3, width_mm)
    middle = _angle(volume_mm3, width_mm)
    du_v = _half_range(
        lambda sign: _angle(max(volume_mm3 + sign * u_volume_mm3, 0.05 * volume_mm3), width_mm)
    )
    du_w = _half_range(lambda sign: _angle(volume_mm3, max(width_mm + sign * u_width_mm, 0.2 * width_mm)))
    at_limit = not 6 <= middle <= LARGEST_DEG - 2
    return ContactAngle(middle, math.hypot(du_v, du_w, 1.0), cap, at_limit)


def _half_range(angle: Callable[[int], float]) -> float:
    return abs(angle(1) - angle(-1)) / 2


def _angle(volume_mm3: float, width_mm: float) -> float:
    """Contact angle by the table: where the drop of that volume is as wide as seen."""
    table = _table()
    target, half = volume_mm3 / CAPILLARY_MM**3, width_mm / 2 / CAPILLARY_MM
    log_target = math.log(target)
    widths = np.array(
        [
            np.interp(log_target, log_volume, radius, left=np.nan, right=np.nan)
            for log_volume, radius in zip(table.log_volume_up, table.widest_up, strict=True)
        ]
    )
    known = np.isfinite(widths)
    angles = np.arange(table.volume.shape[0])[known] * _STEP_DEG
    # A wider drop has a smaller angle.
    return float(np.interp(half, widths[known][::-1], angles[::-1]))


@dataclass(frozen=True, eq=False)
class _Solved:
    """Drops of several top curvatures at every inclination, lengths over the capillary length: (angles, drops)."""

    curvature: FloatArray
    radius: FloatArray
    depth: FloatArray
    volume: FloatArray
    widest: FloatArray

    @property
    def log_volume_up(self) -> FloatArray:
        """Natural log of the volume, rising along each row."""
        return np.log(np.maximum(self.volume[:, ::-1], 1e-30))

    @property
    def widest_up(self) -> FloatArray:
        """Largest radius so far, in the same order."""
        return self.widest[:, ::-1]


@cache
def _table() -> _Solved:
    return _solve(np.geomspace(1e-3, 60.0, _TOP_CURVATURES), LARGEST_DEG)


def _solve(curvature: FloatArray, end_deg: float) -> _Solved:
    """Integrate the Young-Laplace equation by the inclination p of the surface, from the top to end_deg.

    d(r, z, V)/dp = (cos p, sin p, pi r^2 sin p) / k with the meridian's curvature k = 2 b + z - sin p / r.
    """
    steps = max(round(end_deg / _STEP_DEG), 2)
    fine = 4  # steps within a step
    h = math.radians(end_deg) / (steps * fine)

    def slope(p: float, state: FloatArray) -> FloatArray:
        r, z, _ = state
        k = 2 * curvature + z - np.divide(math.sin(p), r, out=curvature.copy(), where=r > 1e-12)
        k = np.maximum(k, 1e-9)
        return np.stack([math.cos(p) / k, math.sin(p) / k, math.pi * r * r * math.sin(p) / k])

    state = np.zeros((3, curvature.size))
    rows = [state]
    for step in range(steps * fine):
        p = step * h
        a = slope(p, state)
        b = slope(p + h / 2, state + h / 2 * a)
        c = slope(p + h / 2, state + h / 2 * b)
        d = slope(p + h, state + h * c)
        state = state + h / 6 * (a + 2 * b + 2 * c + d)
        if (step + 1) % fine == 0:
            rows.append(state)
    every = np.stack(rows)
    radius = every[:, 0]
    return _Solved(curvature, radius, every[:, 1], every[:, 2], np.maximum.accumulate(radius, axis=0))
