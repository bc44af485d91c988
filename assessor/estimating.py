"""Too few photos to measure: what a learned model says of the window, and no more than that.

One photo, or two with a torch on different sides, or what is left of a capture whose other photos were refused. The
result is marked as an estimate wherever it goes: it has no heights, and its one number says so itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from assessor.card.kinds import tell_pair
from assessor.card.light import quick, read_lights
from assessor.card.rectify import fit_white
from assessor.card.tone import read_tone
from assessor.card.white import PaperLight
from assessor.errors import CaptureError, PhotoError, SpotsDiffer
from assessor.grading.scale import GradeScale
from assessor.grading.suggest import suggest_grade
from assessor.intake import Found
from assessor.settings import Settings
from assessor.spot import Laps, Spot, place_spot
from assessor.texture.estimate import estimate_texture
from assessor.texture.look import PX_PER_MM, Look, look_at
from assessor.texture.same_spot import unlike_the_rest
from assessor.values import (
    CaptureResult,
    Estimate,
    FloatArray,
    Kind,
    Lighting,
    PrintScale,
    Quantity,
    TargetRange,
    Texture,
    Tone,
    ToneCurve,
)

# What the photo checks say of light that an estimate wants low and from one side.
LOW_LIGHT_FLAGS = frozenset({"hard-shadow", "light-uneven", "light-changed"})
FORMS = {"single": "one photo", "pair": "two photos, torch on different sides"}


@dataclass(frozen=True, eq=False)
class Looks:
    """What the model is shown of each photo, with each photo's light (None: not read) and the tone of all."""

    looks: tuple[Look, ...]
    lightings: tuple[Lighting | None, ...]
    tone: Tone


def estimate_capture(
    found: Sequence[Found],
    dropped: Sequence[PhotoError],
    *,
    print_scale: PrintScale,
    scale: GradeScale,
    target: TargetRange | None,
    settings: Settings,
    laps: Laps,
    kind: Kind | None,
) -> CaptureResult:
    """Estimate the texture of a spot from the photos found; kind as a person asked for it, None: see from the photos.

    Raises CaptureError where not even the card can be fitted.
    """
    given = len(found) + len(dropped)
    spot = place_spot(found, print_scale, settings, laps)
    pair = None if kind == "single" else tell_pair(spot.white_fits, spot.adjustment.cameras, settings.kinds)
    if pair is None and kind == "torch" and len(found) == 2:
        pair = (0, 1)
    if pair is not None:
        spot, found = spot.only(pair), [found[k] for k in pair]
    laps.lap("kinds")
    seen = look_at_photos(spot, settings, laps)
    if odd := unlike_the_rest(seen.looks):
        raise SpotsDiffer(f"the floor is another one than in {seen.looks[0].name}", file=", ".join(odd))
    use = replace(settings.estimate, pair="") if kind == "single" else settings.estimate
    estimate = estimate_texture(seen.looks, use)
    laps.lap("estimate")
    texture = texture_of(estimate, seen.looks)
    suggestion = suggest_grade(texture, scale, target, settings.suggest, estimate=estimate)
    laps.lap("suggest")
    flags = (
        *(flag for one in found for flag in one.flags if flag not in LOW_LIGHT_FLAGS),
        *(("photos-dropped",) if dropped else ()),
        *_few(estimate, kind, given),
        *seen.tone.flags,
        *spot.adjustment.flags,
        *texture.flags,
        *suggestion.flags,
    )
    return CaptureResult(
        kind=texture.kind,
        photos=spot.photos,
        sightings=spot.sightings,
        adjustment=spot.adjustment,
        rectified=(),
        heights=None,
        texture=texture,
        suggestion=suggestion,
        refused=tuple(dropped),
        seconds=laps.seconds,
        flags=tuple(dict.fromkeys(flags)),
        tone=seen.tone,
        estimate=estimate,
        lightings=seen.lightings,
    )


def look_at_photos(spot: Spot, settings: Settings, laps: Laps) -> Looks:
    """Show every photo as the model sees it; training shows its photos through the same door."""
    tone = read_tone(spot.photos, spot.adjustment, settings.tone)
    laps.lap("tone")
    lightings = tuple(read_light(spot.only((k,)), settings) for k in range(len(spot.photos)))
    laps.lap("light")
    looks = tuple(
        look_at(photo, camera, sighting, _white(spot, k, curve, settings), curve=curve, lighting=lighting)
        for k, (photo, camera, sighting, curve, lighting) in enumerate(
            zip(spot.photos, spot.adjustment.cameras, spot.sightings, tone.curves, lightings, strict=True)
        )
    )
    laps.lap("look")
    return Looks(looks, lightings, tone)


def read_light(spot: Spot, settings: Settings) -> Lighting | None:
    """The light of one photo from its tabs' shadows; None where the photo does not let them be read."""
    paper = [PaperLight(fit.copy()) for fit in spot.white_fits]
    try:
        return read_lights(spot.photos, spot.sightings, spot.adjustment, paper, quick(settings.light))
    except CaptureError:
        return None


def texture_of(estimate: Estimate, looks: Sequence[Look]) -> Texture:
    """The estimate as a texture of one number, marked as estimated; of none where the model abstains."""
    quantities: tuple[Quantity, ...] = ()
    if not estimate.abstained:
        value, (low, high) = estimate.sq_mm, estimate.interval_mm
        quantities = (
            Quantity(
                name="Sq",
                value=value,
                # As a log-normal with this standard deviation of ln Sq has it.
                u=value * math.sqrt(math.expm1(estimate.log_sd**2)),
                low90=low,
                high90=high,
                unit="mm",
                band=estimate.band,
                spacing_mm=1.0 / PX_PER_MM,
                method=f"estimated from {FORMS[estimate.form]} by {estimate.model}, not measured",
                estimated=True,
            ),
        )
    flags = (*estimate.abstained, *(() if estimate.light_known else ("light-unread",)))
    return Texture(
        kind="torch" if estimate.form == "pair" else "single",
        quantities=quantities,
        direction=estimate.direction,
        noise_floor_mm=float("nan"),
        noise_band=estimate.band,
        valid_fraction=1.0 - max((look.clipped for look in looks), default=0.0),
        flags=flags,
    )


def _white(spot: Spot, k: int, curve: ToneCurve, settings: Settings) -> FloatArray:
    """The paper's light under the photo's own curve; sRGB's was fitted before."""
    if curve.brightness == 0 and curve.contrast == 0:
        return spot.white_fits[k]
    size = spot.adjustment.print_scale.x, spot.adjustment.print_scale.y
    return fit_white(spot.photos[k], spot.adjustment.cameras[k], size, settings.rectify, curve.table)[0]


def _few(estimate: Estimate, kind: Kind | None, given: int) -> tuple[str, ...]:
    """Whether a person who took several photos gets less than a measurement without having asked for less."""
    whole = given == 1 or (given == 2 and estimate.form == "pair")
    return () if kind == "single" or whole else ("few-photos",)
