"""The photos of a `torch` capture: phone held roughly still, a torch held low on every side in turn, one photo without.

The torch is a hand-held lamp with an uneven beam (`beam`), aimed roughly at the window; the room's light goes on
beside it. The exposure is locked, so a photo is as bright as its light, and the last one is dark.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from assessor.simulate.beam import Beam
from assessor.simulate.camera import ViewRecipe
from assessor.simulate.light import LightRecipe
from assessor.simulate.slips import Slip

# Grey-world correction that an automatic white balance makes: common practice, it never goes the whole way.
WHITE_BALANCE = 0.7
PLAIN_BEAM = Beam()
Pair = tuple[float, float]


@dataclass(frozen=True, slots=True)
class TorchRecipe:
    """How a crew lights and shoots a torch capture; ranges are drawn from once or once a photo.

    lights: sides, evenly over arc_deg from a drawn start (first_deg fixes it), each off by up to scatter_deg.
    elevation_deg: of the torch's usual height, drawn once; each photo is off by up to wobble_deg. distance_mm: from the
    window's centre, per photo. share: the torch's part of the light on a level floor there, mean over the photos.
    aim_mm: how far off the window's centre the torch points. beam: its aim and turn are drawn anew for each photo.
    source_mm, rgb: the lamp's bright disc and colour. white_held: else white balance follows the light. locked: else
    each photo has its own automatic exposure, told in EXIF. dark: a photo without the torch comes last. exposure: level
    of white paper at the window's centre in the brightest photo, in the linear raw. tilt_deg, phone_mm: how the phone
    is held, drawn once; hand_mm and hand_deg (standard deviations) move it between photos. pause_s: between photos.
    """

    lights: int = 8
    arc_deg: float = 360.0
    first_deg: float | None = None
    scatter_deg: float = 8.0
    elevation_deg: Pair = (18.0, 30.0)
    wobble_deg: float = 3.0
    distance_mm: Pair = (350.0, 500.0)
    share: float = 0.8
    aim_mm: float = 30.0
    beam: Beam | None = PLAIN_BEAM
    source_mm: float = 3.0
    rgb: tuple[float, float, float] = (0.97, 1.0, 1.05)
    white_held: bool = True
    locked: bool = True
    dark: bool = True
    exposure: float = 0.5
    tilt_deg: Pair = (0.0, 6.0)
    phone_mm: Pair = (320.0, 400.0)
    hand_mm: float = 2.5
    hand_deg: float = 0.8
    pause_s: Pair = (5.0, 10.0)

    def __post_init__(self) -> None:
        if not 2 <= self.lights <= 16:
            raise ValueError(f"a torch capture has 2 to 16 lights, not {self.lights}")
        if not 0 < self.share < 1:
            raise ValueError(f"the torch's share of the light lies between 0 and 1, not {self.share}")


def torch_shots(
    torch: TorchRecipe, room: LightRecipe, base: ViewRecipe, rng: np.random.Generator, *, first: int = 0
) -> list[tuple[ViewRecipe, Slip]]:
    """View and light of each torch photo, the dark one last; photos are counted from `first`.

    base: lens of the phone. Slips tell exposures over 1 = white paper in the room's light alone.
    """
    views = _held(torch, base, rng)
    lamps = _lamps(torch, room, rng)
    levels = np.array([_level(lamp) for lamp in lamps])
    # The room's light follows from the share that the torch has on the whole.
    ambient = float(levels.mean() * (1 - torch.share) / torch.share)
    fullest = ambient + float(levels.max())
    lights = [
        replace(lamp, direct=float(level / (level + ambient)))
        for lamp, level in zip(lamps, levels, strict=True)
    ]
    bright = [float(level + ambient) / ambient for level in levels]
    if torch.dark:
        lights.append(room)
        bright.append(1.0)
    pauses = rng.uniform(*torch.pause_s, len(lights)).cumsum()
    shots = []
    for k, (light, view) in enumerate(zip(lights, views, strict=False)):
        told = torch.exposure * ambient / fullest
        if not torch.locked:
            told = torch.exposure / bright[k] * 2 ** float(rng.uniform(-0.1, 0.1))
        slip = Slip(
            first + k,
            light=light,
            brightness=bright[k],
            exposure=told,
            white_rgb=(1.0, 1.0, 1.0) if torch.white_held else _balanced(light),
            taken_s=float(pauses[k]),
        )
        shots.append((view, slip))
    return shots


def _held(torch: TorchRecipe, base: ViewRecipe, rng: np.random.Generator) -> list[ViewRecipe]:
    """Where a hand holds the phone, one view a photo: one place, a few mm and degrees off it each time."""
    side, tilt = rng.uniform(0, 2 * np.pi), rng.uniform(*torch.tilt_deg)
    lean, roll = tilt * np.array([np.cos(side), np.sin(side)]), float(rng.uniform(-3, 3))
    aim, distance = rng.uniform(-6, 6, 2), float(rng.uniform(*torch.phone_mm))
    views = []
    for _ in range(torch.lights + torch.dark):
        x, y = lean + rng.normal(0, torch.hand_deg, 2)
        dx, dy = aim + rng.normal(0, torch.hand_mm, 2)
        centre = base.centre_offset_px
        views.append(
            replace(
                base,
                azimuth_deg=float(np.rad2deg(np.arctan2(y, x))),
                tilt_deg=float(np.hypot(x, y)),
                distance_mm=distance + float(rng.normal(0, torch.hand_mm)),
                roll_deg=90.0 + roll + float(rng.normal(0, torch.hand_deg)),
                aim_mm=(float(dx), float(dy)),
                # Focus is locked; the stabiliser is not.
                focal_px=base.focal_px * (1 + float(rng.normal(0, 0.0004))),
                centre_offset_px=(centre[0] + float(rng.normal(0, 3)), centre[1] + float(rng.normal(0, 3))),
            )
        )
    return views


def _lamps(torch: TorchRecipe, room: LightRecipe, rng: np.random.Generator) -> list[LightRecipe]:
    """The torch in each photo."""
    first = float(rng.uniform(0, 360)) if torch.first_deg is None else torch.first_deg
    usual = float(rng.uniform(*torch.elevation_deg))
    lamps = []
    for k in range(torch.lights):
        azimuth = first + torch.arc_deg * k / torch.lights + float(rng.uniform(-1, 1)) * torch.scatter_deg
        off, way = torch.aim_mm * float(rng.uniform(0, 1)), float(rng.uniform(0, 2 * np.pi))
        aim, turn = (off * float(np.cos(way)), off * float(np.sin(way))), float(rng.normal(0, 25))
        beam = torch.beam
        lamps.append(
            LightRecipe(
                "torch",
                azimuth % 360,
                usual + float(rng.uniform(-1, 1)) * torch.wobble_deg,
                direct=torch.share,
                distance_mm=float(rng.uniform(*torch.distance_mm)),
                ambient_rgb=room.ambient_rgb,
                bounce=room.bounce,
                direct_rgb=torch.rgb,
                source_mm=torch.source_mm,
                beam=None if beam is None else replace(beam, aim_mm=aim, turn_deg=beam.turn_deg + turn),
                room=room,
            )
        )
    return lamps


def _level(lamp: LightRecipe) -> float:
    """Irradiance of a level face at the window's centre, free of scale: inverse square, cosine and beam."""
    place = lamp.lamp_mm or (0.0, 0.0, 1.0)
    aimed = 1.0 if lamp.beam is None else float(lamp.beam.gain(place, np.zeros(3)))
    return aimed * float(np.sin(np.deg2rad(lamp.elevation_deg))) / lamp.distance_mm**2


def _balanced(light: LightRecipe) -> tuple[float, float, float]:
    """Gains of an automatic white balance under a light, green at 1."""
    share = light.direct if light.kind == "torch" else 0.0
    colour = share * np.array(light.direct_rgb) + (1 - share) * np.array(light.ambient_rgb)
    red, _, blue = (colour / colour[1]) ** -WHITE_BALANCE
    return float(red), 1.0, float(blue)
