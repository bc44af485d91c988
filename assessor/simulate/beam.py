"""The uneven beam of a hand-held torch: a cosine power about an aimed axis, with a ring and a hot spot.

A phone's lamp has no even light: its lens throws most of it along an axis (a cosine power is the usual model of a
diode with a lens), with a soft ring and a hot spot to one side. Strengths are common practice, set by eye.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.values import FloatArray

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Beam:
    """How a torch's light falls off with direction; everything but the aim is fixed in the torch's own frame.

    aim_mm: where its axis meets the card plane. power: n of cos^n about the axis (0 = even, 2.7 halves it at 39 deg).
    ring: relative brightness of a ring ring_deg from the axis, half as strong ring_width_deg away; spot: of a hot spot
    spot_deg off the axis, spot_width_deg wide. turn_deg: how the torch is turned about its axis, which is toward
    what the spot lies.
    """

    aim_mm: tuple[float, float] = (0.0, 0.0)
    power: float = 2.7
    ring: float = 0.0
    ring_deg: float = 18.0
    ring_width_deg: float = 6.0
    spot: float = 0.0
    spot_deg: float = 6.0
    spot_width_deg: float = 12.0
    turn_deg: float = 0.0

    def gain(self, lamp_mm: Point, points_mm: FloatArray) -> FloatArray:
        """Brightness of the lamp as points (..., 3) in mm see it, over that along an even lamp's axis, (...)."""
        lamp = np.asarray(lamp_mm, dtype=np.float64)
        forward = np.array([*self.aim_mm, 0.0]) - lamp
        forward /= np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 0.0, 1.0])
        right = right / np.linalg.norm(right) if np.linalg.norm(right) > 1e-9 else np.array([1.0, 0.0, 0.0])
        down = np.cross(forward, right)
        line = points_mm - lamp
        line = line / np.linalg.norm(line, axis=-1, keepdims=True)
        along = np.clip(line @ forward, 1e-6, 1.0)
        # Sideways and downward angles, degrees: the torch's own frame before it is turned about its axis.
        off = np.rad2deg(np.arccos(along))
        scale = off / np.maximum(np.sqrt(1.0 - along**2), 1e-9)
        u, v = (line @ right) * scale, (line @ down) * scale
        turn = np.deg2rad(self.turn_deg)
        spot = np.hypot(u - self.spot_deg * np.cos(turn), v - self.spot_deg * np.sin(turn))
        uneven = 1.0 + self.ring * _bell((off - self.ring_deg) / self.ring_width_deg)
        return np.asarray(along**self.power * (uneven + self.spot * _bell(spot / self.spot_width_deg)))


def _bell(at: FloatArray) -> FloatArray:
    """1 at 0, one half at 1."""
    return np.asarray(np.exp2(-np.square(at)))
