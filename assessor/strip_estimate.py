"""A spot beside the edge strip: what the learned model says of the floor above it, with the wider doubt of a strip.

The strip lies on one side of the floor only, and has two of the card's four tabs. So nothing is measured with it,
whatever the number of photos; patches are not looked for either, for what is dark there may be the light. What is left
goes the way of `estimating`: cameras, light, look, estimate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from assessor.card.camera import common_serial
from assessor.card.light import quick, read_lights
from assessor.card.strip_layout import STRIP_DESIGN, strip_layout
from assessor.card.strip_read import StripLight, only_strip, read_strip_light
from assessor.card.tab_flat import flat_tabs
from assessor.card.white import PaperLight
from assessor.errors import CaptureError, SpotsDiffer
from assessor.estimating import LOW_LIGHT_FLAGS, estimate_capture, join_adjustments, texture_of
from assessor.grading.scale import GradeScale
from assessor.grading.suggest import suggest_grade
from assessor.intake import Found, Taken
from assessor.settings import Settings
from assessor.spot import Laps, Spot, place_spot
from assessor.texture.estimate import claimed, estimate_texture
from assessor.texture.look import Look, look_at
from assessor.texture.same_spot import unlike_the_rest
from assessor.values import CaptureResult, Estimate, Kind, Lighting, PrintScale, Suggestion, TargetRange

WITH_CARD = (
    "With the strip nothing is measured: lay the whole card where it fits; where not, the chip decides. Then:"
)
STRIP_FLAG = "edge-strip"  # and no "card-bent": one side alone can't tell a bend from a tilt


@dataclass(frozen=True, slots=True)
class StripSettings:
    """What the strip adds to the doubt of an estimate."""

    # Octaves, 90 %. On 18 rendered floors of which something was claimed with both sheets, 90 % of the strip's values
    # lie within 0.20 of the card's, all within 0.28 (scripts/judge_strip --count 60 --seed 22 --guide); the rest is for
    # strips that do not lie as level as those.
    half90: float = 0.35


def is_strip(found: Sequence[Found]) -> bool:
    """Whether the photos show the edge strip."""
    return any(one.sighting.design == STRIP_DESIGN for one in found)


def estimate_few(
    taken: Taken,
    *,
    print_scale: PrintScale,
    scale: GradeScale,
    target: TargetRange | None,
    settings: Settings,
    laps: Laps,
    kind: Kind | None,
) -> CaptureResult:
    """Estimate a spot that is not measured: by the strip where one lies there, else as `estimating` does."""
    how = estimate_strip if is_strip(taken.found) else estimate_capture
    return how(
        taken, print_scale=print_scale, scale=scale, target=target, settings=settings, laps=laps, kind=kind
    )


def estimate_strip(
    taken: Taken,
    *,
    print_scale: PrintScale,
    scale: GradeScale,
    target: TargetRange | None,
    settings: Settings,
    laps: Laps,
    kind: Kind | None = None,
    strip: StripSettings | None = None,
) -> CaptureResult:
    """Estimate the texture of the floor above a strip, each photo by itself where kind is single.

    Raises CaptureError where not even the strip can be fitted.
    """
    found = taken.found
    common_serial([one.sighting for one in found])
    spots = [place_spot([one], print_scale, settings, laps) for one in found]
    looks = tuple(look_over_strip(spot, settings, laps) for spot in spots)
    if odd := unlike_the_rest(looks):
        raise SpotsDiffer(f"the floor is another one than in {looks[0].name}", file=", ".join(odd))
    use = replace(settings.estimate, pair="") if kind == "single" else settings.estimate
    estimate = wider(estimate_texture(looks, use), settings, strip or StripSettings())
    laps.lap("estimate")
    texture = texture_of(estimate, looks)
    suggestion = _with_card(suggest_grade(texture, scale, target, settings.suggest, estimate=estimate))
    laps.lap("suggest")
    flags = (
        STRIP_FLAG,
        *(flag for one in found for flag in one.flags if flag not in LOW_LIGHT_FLAGS),
        *(("photos-dropped",) if taken.dropped else ()),
        *(flag for spot in spots for flag in spot.adjustment.flags if flag != "card-bent"),
        *texture.flags,
        *suggestion.flags,
    )
    return CaptureResult(
        kind=texture.kind,
        photos=tuple(spot.photos[0] for spot in spots),
        sightings=tuple(spot.sightings[0] for spot in spots),
        adjustment=join_adjustments([spot.adjustment for spot in spots]),
        rectified=(),
        heights=None,
        texture=texture,
        suggestion=suggestion,
        refused=taken.dropped,
        seconds=laps.seconds,
        flags=tuple(dict.fromkeys(flags)),
        estimate=estimate,
        lightings=tuple(look.lighting for look in looks),
    )


def _with_card(suggestion: Suggestion) -> Suggestion:
    """The same, where a further photo is asked for, with the card to lay for it: with the strip nothing is measured."""
    asked = suggestion.narrows
    if asked is None:
        return suggestion
    better = f"{WITH_CARD} {asked}"
    verdict = suggestion.verdict
    if verdict is not None:
        next_shot = better if verdict.next_shot == asked else verdict.next_shot
        verdict = replace(verdict, sentence=verdict.sentence.replace(asked, better), next_shot=next_shot)
    return replace(suggestion, narrows=better, verdict=verdict)


def look_over_strip(spot: Spot, settings: Settings, laps: Laps) -> Look:
    """One photo's floor above the strip as the model sees it; bytes are read as sRGB, for one side tells no curve."""
    scale = spot.adjustment.print_scale.x, spot.adjustment.print_scale.y
    light = read_strip_light(spot.photos[0], spot.adjustment.cameras[0], scale)
    lighting = _read_light(spot, light, settings)
    laps.lap("light")
    look = look_at(
        spot.photos[0],
        spot.adjustment.cameras[0],
        spot.sightings[0],
        light.floor,
        curve=None,
        lighting=lighting,
    )
    laps.lap("look")
    return look


def wider(estimate: Estimate, settings: Settings, strip: StripSettings) -> Estimate:
    """The estimate with the strip's doubt added, and what may still be claimed."""
    return claimed(replace(estimate, half90=math.hypot(estimate.half90, strip.half90)), settings.estimate)


def _read_light(spot: Spot, light: StripLight, settings: Settings) -> Lighting | None:
    """The light from the shadows of the strip's two tabs; None where both lie flat or they can't be read."""
    photo, camera = spot.photos[0], spot.adjustment.cameras[0]
    scale = spot.adjustment.print_scale.x, spot.adjustment.print_scale.y
    own = {tab.name for tab in strip_layout().tabs}
    # One alone may be a bright stone in the hole; two shadows that agree are asked for anyway.
    if own <= set(flat_tabs(photo, camera, scale, light.paper)):
        return None
    seen = only_strip(photo, camera, scale)
    try:
        return read_lights(
            [seen], spot.sightings, spot.adjustment, [PaperLight(light.paper.copy())], quick(settings.light)
        )
    except CaptureError:
        return None
