"""What the learned model is shown of a photo: the window as log reflectance at a fixed scale, and its light in numbers.

The window is turned and mirrored by quarter turns so that the light comes from 0 to 45 degrees; what is left of its
direction goes in as a number. So the network needs to learn one side of the light, not eight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.linear import LUMINANCE, linear_rgb
from assessor.card.sampling import pixel_polynomials, square_grid
from assessor.card.white import white_basis
from assessor.values import Camera, CardSighting, FloatArray, Lighting, Photo, ToneCurve, U8Array, freeze

HALF_MM = 54.0  # the evaluation area: the window less 6 mm a side
PX_PER_MM = 5.0
SIDE_PX = round(2 * HALF_MM * PX_PER_MM)
FLOOR = 0.01  # added before the logarithm: darker than this is noise
N_LIGHT = 16  # numbers that tell the light
N_PHOTO = 5  # numbers that tell the photo, known always


@dataclass(frozen=True, eq=False)
class Look:
    """One photo's window as the network is shown it, before any turn.

    log_rgb (540, 540, 3) float32: natural log of linear reflectance over the paper's plus FLOOR. lighting: None where
    nothing was read. blur_mm: sd of the blur at the card's edges. view: tangents of the camera's direction along x and
    y. clipped: share of the window that is burnt out or black.
    """

    name: str
    log_rgb: FloatArray
    lighting: Lighting | None
    blur_mm: float
    px_per_mm: float
    view: tuple[float, float]
    clipped: float

    def __post_init__(self) -> None:
        freeze(self.log_rgb)

    @property
    def azimuth_deg(self) -> float | None:
        """Where the strongest light comes from."""
        if self.lighting is None or not self.lighting.lights:
            return None
        return self.lighting.lights[0].azimuth_deg


def look_at(
    photo: Photo,
    camera: Camera,
    sighting: CardSighting,
    white_fit: FloatArray,
    *,
    curve: ToneCurve | None,
    lighting: Lighting | None,
) -> Look:
    """Bring one photo's window to 0.2 mm; white_fit (6, 3) as `Rectified.white_fit`, curve None for sRGB.

    Pixels are averaged over 0.2 mm, so that fine grain does not alias.
    """
    grid = square_grid(HALF_MM, 0.5 / PX_PER_MM)
    fields = pixel_polynomials(camera, grid.area, 0.0)
    image: U8Array = np.asarray(
        cv2.remap(photo.rgb_u8, grid.evaluate(fields[0]), grid.evaluate(fields[3]), cv2.INTER_LINEAR),
        np.uint8,
    )
    red, green, blue = np.moveaxis(image[::2, ::2], 2, 0)
    brightest = np.maximum(np.maximum(red, green), blue)  # three times faster than max over the last axis
    clipped = float(((brightest >= 253) | (brightest <= 2)).mean())
    linear = linear_rgb(image, None if curve is None else curve.table)
    linear = np.asarray(cv2.resize(linear, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA))
    x, y = square_grid(HALF_MM, 20 / PX_PER_MM).places_mm()
    white = np.exp(np.tensordot(white_basis(x, y), white_fit, axes=(0, 0))).astype(np.float32)
    linear /= np.maximum(cv2.resize(white, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_LINEAR), 1e-6)
    place = camera.position_mm
    return Look(
        photo.name,
        np.log(np.clip(linear, 0, 4) + np.float32(FLOOR)),
        lighting,
        sighting.edge_width_mm / 2.563,  # 10-90 % of a Gaussian edge
        sighting.px_per_mm,
        (float(place[0] / place[2]), float(place[1] / place[2])),
        clipped,
    )


def quarter_turns(azimuth_deg: float | None) -> tuple[int, bool]:
    """Quarter turns clockwise, then whether to mirror y, that bring a direction to 0-45 degrees."""
    if azimuth_deg is None:
        return 0, False
    turns = math.floor((azimuth_deg + 45) / 90) % 4
    return turns, (azimuth_deg - 90 * turns + 180) % 360 - 180 < 0


def turn(image: FloatArray, turns: int, mirror: bool) -> FloatArray:
    """Turn an (n, n, ...) window by quarter turns clockwise, then mirror it top to bottom."""
    turned = np.rot90(image, -turns)
    return turned[::-1] if mirror else turned


def turn_angle(angle_deg: float, turns: int, mirror: bool) -> float:
    """The same for a direction in the card frame."""
    turned = angle_deg - 90 * turns
    return -turned if mirror else turned


def unturn_angle(angle_deg: float, turns: int, mirror: bool) -> float:
    """A direction of the turned window back in the card frame."""
    return (-angle_deg if mirror else angle_deg) + 90 * turns


def light_numbers(lighting: Lighting | None, turns: int, mirror: bool) -> FloatArray:
    """What is known of the light as (N_LIGHT,) float32, about 1 in size; all 0 where nothing was read.

    In order: read, a light seen, cos and sin of its azimuth after the turn, ln tan(elevation), its uncertainty in 10
    degrees, share, its uncertainty, ln softness, nearness, diffuse share, a second light seen, its share, ln
    tan(elevation), cos and sin of its azimuth from the first.
    """
    numbers = np.zeros(N_LIGHT, np.float32)
    if lighting is None:
        return numbers
    numbers[0] = 1
    if not lighting.lights:
        return numbers
    first = lighting.lights[0]
    angle = math.radians(turn_angle(first.azimuth_deg, turns, mirror))
    far = 0.0 if first.position_mm is None else 300 / math.dist(first.position_mm, (0, 0, 0))
    diffuse = lighting.diffuse_share
    numbers[1:11] = (
        1, math.cos(angle), math.sin(angle), log_tan(first.elevation_deg), min(first.u_elevation_deg / 10, 2),
        first.share, min(first.u_share * 5, 2), 0.5 * math.log(max(first.softness_deg, 0) + 0.3), far,
        0.0 if diffuse is None else diffuse,
    )  # fmt: skip
    if len(lighting.lights) > 1:
        second = lighting.lights[1]
        apart = math.radians(turn_angle(second.azimuth_deg, turns, mirror)) - angle
        numbers[11:] = 1, second.share, log_tan(second.elevation_deg), math.cos(apart), math.sin(apart)
    return numbers


def log_tan(elevation_deg: float) -> float:
    """ln tan of an elevation held between 4 and 86 degrees."""
    return math.log(math.tan(math.radians(min(max(elevation_deg, 4), 86))))


def photo_numbers(look: Look, turns: int, mirror: bool) -> FloatArray:
    """Blur over 0.2 mm, ln of scale over 8 px/mm, view (tangents, turned), mean log level: (N_PHOTO,) float32."""
    x, y = look.view
    angle = math.radians(turn_angle(math.degrees(math.atan2(y, x)), turns, mirror))
    size = math.hypot(x, y)
    return np.array(
        [
            look.blur_mm * PX_PER_MM, math.log(look.px_per_mm / 8), size * math.cos(angle), size * math.sin(angle),
            float(look.log_rgb.mean()) + 1.2,
        ],
        np.float32,
    )  # fmt: skip


def single_channels(look: Look, turns: int, mirror: bool) -> FloatArray:
    """(3, 540, 540) float32: log luminance and the log ratios of red and blue to it, each without its mean."""
    log_y, red, blue = _luma(look.log_rgb)
    return _stack([log_y, red - log_y, blue - log_y], turns, mirror)


def pair_channels(first: Look, second: Look, turns: int, mirror: bool) -> FloatArray:
    """(2, 540, 540) float32: log ratio of the photos' luminances, in which colour cancels, and their mean."""
    one, other = _luma(first.log_rgb)[0], _luma(second.log_rgb)[0]
    return _stack([one - other, 0.5 * (one + other)], turns, mirror)


def given(looks: Sequence[Look], turns: int, mirror: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Image (channels, 540, 540), light and photo numbers of one photo or of two, as a model is asked with them."""
    image = (
        pair_channels(looks[0], looks[1], turns, mirror)
        if len(looks) == 2
        else single_channels(looks[0], turns, mirror)
    )
    light = np.concatenate([light_numbers(look.lighting, turns, mirror) for look in looks])
    return image, light, np.concatenate([photo_numbers(look, turns, mirror) for look in looks])


def _luma(log_rgb: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    linear = np.exp(log_rgb) @ LUMINANCE.astype(np.float32)
    return np.log(linear), log_rgb[..., 0], log_rgb[..., 2]


def _stack(channels: list[FloatArray], turns: int, mirror: bool) -> FloatArray:
    parts = [turn(channel - channel.mean(), turns, mirror) for channel in channels]
    return np.ascontiguousarray(np.stack(parts), dtype=np.float32)
