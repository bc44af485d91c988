"""Seeded captures that no tool may measure: each breaks one rule of the guide, and says what refusal would be right."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from assessor.simulate.body import BodyRecipe
from assessor.simulate.capture import CaptureRecipe, plan_views
from assessor.simulate.catalogue import Planned, plan_set, shrink_recipe
from assessor.simulate.files import WIDE_LENS
from assessor.simulate.light import LightRecipe
from assessor.simulate.slips import Slip

TOO_FEW = "too-few-photos"  # what is left to say once the spoiled photos are refused one by one
Change = Callable[[CaptureRecipe, np.random.Generator], CaptureRecipe]


def _every(recipe: CaptureRecipe, slip: Slip) -> tuple[Slip, ...]:
    return tuple(replace(slip, photo=k) for k in range(recipe.photos))


def _flash(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    room = LightRecipe("overcast", ambient_rgb=(1.0, 1.0, 0.96))
    slip = Slip(0, phone_light=float(rng.uniform(0.5, 0.9)), flash=True)
    return replace(recipe, light=room, slips=_every(recipe, slip))


def _torch_on_phone(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    """The phone's lamp stays on as a torch: EXIF says no flash."""
    flashed = _flash(recipe, rng)
    return replace(flashed, slips=tuple(replace(s, flash=False) for s in flashed.slips))


def _body_shadow(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    """The edge of the photographer's shadow in the sun crosses the window in one photo of four."""
    body = BodyRecipe(distance_mm=float(rng.uniform(400, 500)), clear_deg=0.0, sway_deg=0.0)
    views = plan_views(recipe, np.random.default_rng([recipe.seed, 2]))
    side = views[int(rng.integers(len(views)))].azimuth_deg
    # The edge passes this far from the window's middle: distance x sin(turn) - half a width x cos(turn).
    turn = _edge_turn(body, float(rng.uniform(-25, 25)))
    sun = LightRecipe("sun", (side + turn * rng.choice([-1, 1])) % 360, float(rng.uniform(25, 45)), 0.27, 0.8)
    return replace(recipe, light=sun, body=body)


def _edge_turn(body: BodyRecipe, miss_mm: float) -> float:
    """Angle in degrees between body and sun at which the shadow's edge passes miss_mm from the middle."""
    half, reach = body.width_mm / 2, float(np.hypot(body.distance_mm, body.width_mm / 2))
    return float(np.rad2deg(np.arcsin(miss_mm / reach) + np.arctan2(half, body.distance_mm)))


def _moved_lamp(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    lamp = LightRecipe(
        "torch", float(rng.uniform(0, 360)), float(rng.uniform(25, 45)), direct=0.7, distance_mm=700.0
    )
    moved = replace(lamp, azimuth_deg=lamp.azimuth_deg + float(rng.choice([-1, 1]) * rng.uniform(25, 90)))
    return replace(recipe, light=lamp, slips=(Slip(2, light=moved), Slip(3, light=moved)))


def _lens(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    slip = Slip(
        int(rng.integers(recipe.photos)), focal_ratio=0.55, k1=float(rng.uniform(-0.14, -0.02)),
        k2=float(rng.uniform(0.0, 0.03)), lens_model=WIDE_LENS, distance_mm=float(rng.uniform(190, 240)),
    )  # fmt: skip
    return replace(recipe, slips=(slip,))


def _lens_unsaid(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    switched = _lens(recipe, rng)
    return replace(switched, sensor=replace(switched.sensor, exif=False))


def _zoom(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    far = float(rng.uniform(600, 700))
    return replace(recipe, slips=(Slip(int(rng.integers(recipe.photos)), zoom=2.0, distance_mm=far),))


def _zoom_unsaid(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    zoomed = _zoom(recipe, rng)
    return replace(zoomed, sensor=replace(zoomed.sensor, exif=False))


def _defocus(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    return replace(recipe, sensor=replace(recipe.sensor, defocus_px=float(rng.uniform(7, 11))))


def _far(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    return replace(recipe, distance_mm=(900.0, 1100.0))


def _parallel(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    side = float(rng.choice([0.0, 90.0]))
    return replace(recipe, sides_deg=(side, side + 180))


def _card_moved(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    """A foot knocks the card after the second photo: cameras fit, but the floor has moved beneath it."""
    way, far = rng.uniform(0, 2 * np.pi), rng.uniform(1.0, 3.0)
    shift = float(far * np.cos(way)), float(far * np.sin(way))
    return replace(recipe, slips=(Slip(2, card_mm=shift), Slip(3, card_mm=shift)))


def _wind(recipe: CaptureRecipe, rng: np.random.Generator) -> CaptureRecipe:
    slip = Slip(
        int(rng.integers(recipe.photos)),
        lift_mm=float(rng.uniform(12, 30)),
        lift_side=int(rng.choice([-1, 1])),
    )
    return replace(recipe, slips=(slip,))


# What spoils, how, and the error codes that would be right (see `errors`): of the capture, or of a photo whose loss
# leaves too few.
SPOILED: dict[str, tuple[Change, tuple[str, ...]]] = {
    "flash": (_flash, ("flash-fired", "light-moved", "heights-disagree")),
    "torch-on-phone": (_torch_on_phone, ("light-moved", "heights-disagree")),
    "body-shadow": (_body_shadow, ("light-moved", "heights-disagree")),
    "moved-lamp": (_moved_lamp, ("light-moved", "heights-disagree")),
    "lens-switch": (_lens, ("lens-switched", "mixed-cameras")),
    "lens-switch-unsaid": (_lens_unsaid, ("lens-switched", "mixed-cameras", "poor-geometry")),
    "zoom": (_zoom, ("zoom-used", "mixed-cameras")),
    "zoom-unsaid": (_zoom_unsaid, ("zoom-used", "mixed-cameras", "poor-geometry")),
    "defocus": (_defocus, ("too-blurred",)),
    "too-far": (_far, ("too-far",)),
    "parallel": (_parallel, ("views-too-alike",)),
    "card-moved": (_card_moved, ("heights-disagree",)),
    "wind": (_wind, ("poor-geometry", "card-not-flat", "heights-disagree")),
}


def plan_spoiled(
    count: int, seed: int, *, data_dir: Path | None = None, small: bool = False, file_format: str = "jpg"
) -> list[Planned]:
    """Plan `count` captures that must be refused, each kind of SPOILED in turn over every process and level.

    `fault` names the kind and `expected` the codes that would be right. The k-th plan does not depend on count.
    Wind that lifts one short edge, and baselines that are all parallel, may leave the window's heights true: there a
    flag does too, and only a gross error must be refused.
    """
    plans, kinds = [], list(SPOILED)
    for k, plan in enumerate(plan_set(count, seed, data_dir=data_dir, file_format=file_format)):
        # 13 kinds share no factor with 8 or 10 processes, so that every kind meets every process in turn.
        kind = kinds[k % len(kinds)]
        change, expected = SPOILED[kind]
        calm = replace(
            plan.recipe,
            name=f"s{seed:02d}-{k:03d}-{kind}",
            body=None,
            rolling_mm=0.0,
            rolling_deg=0.0,
        )
        recipe = change(calm, np.random.default_rng([seed, k, 11]))
        plans.append(
            replace(
                plan,
                recipe=shrink_recipe(recipe) if small else recipe,
                fault=kind,
                expected=(*expected, TOO_FEW),
            )
        )
    return plans
