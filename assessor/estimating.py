"""Too few photos to measure: what a learned model says of the window, and no more than that.

One photo, or two with a torch on different sides, or what is left of a capture whose other photos were refused. The
result is marked as an estimate wherever it goes: it has no heights, and its one number says so itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from assessor.card.camera import common_serial
from assessor.card.designs import common_design, window_of
from assessor.card.kinds import tell_pair
from assessor.card.layout import square
from assessor.card.light import quick, read_lights
from assessor.card.rectify import fit_white, rectify
from assessor.card.tab_flat import flat_tabs
from assessor.card.tone import read_tone
from assessor.card.white import PaperLight
from assessor.errors import CaptureError, PhotoError, SpotsDiffer, TooFewPhotos
from assessor.grading.scale import GradeScale
from assessor.grading.suggest import suggest_grade
from assessor.intake import Taken
from assessor.settings import Settings
from assessor.spot import Laps, Spot, place_spot
from assessor.surfacing import MOST_LIGHTS, Lit, judge_surface, surface_flags
from assessor.texture.estimate import estimate_texture
from assessor.texture.look import HALF_MM as LOOK_HALF_MM
from assessor.texture.look import PX_PER_MM, Look, look_at
from assessor.texture.same_spot import unlike_the_rest
from assessor.values import (
    Adjustment,
    CaptureResult,
    CardSighting,
    Direction,
    Estimate,
    FloatArray,
    Kind,
    Lighting,
    PrintScale,
    Quantity,
    Rectified,
    TargetRange,
    Texture,
    Tone,
    ToneCurve,
)

# What the photo checks say of light that an estimate wants low and from one side.
LOW_LIGHT_FLAGS = frozenset({"hard-shadow", "light-uneven", "light-changed"})
MOST_FLAT = (
    3  # of four tabs: the one left may show a shadow, but two are needed to tell a light from a wrinkle
)
FORMS = {"single": "one photo", "pair": "two photos, torch on different sides"}


@dataclass(frozen=True, eq=False)
class Seen:
    """One photo as the model is shown it, and its tone."""

    look: Look
    tone: Tone


def estimate_capture(
    taken: Taken,
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
    found, dropped = taken.found, taken.dropped
    given = len(found) + len(dropped)
    common_serial([one.sighting for one in found])
    _check_window([one.sighting for one in found], dropped, settings)
    # Each photo by itself: nothing is measured from one photo to the next, so nothing need fit together to a pixel.
    spots = [place_spot([one], print_scale, settings, laps) for one in found]
    cameras = [spot.adjustment.cameras[0] for spot in spots]
    whites = [spot.white_fits[0] for spot in spots]
    pair = None if kind == "single" else tell_pair(whites, cameras, settings.kinds)
    if pair is None and kind == "torch" and len(found) == 2:
        pair = (0, 1)
    if pair is not None:
        spots, found = [spots[k] for k in pair], tuple(found[k] for k in pair)
    laps.lap("kinds")
    seen = [look_at_photo(spot, settings, laps) for spot in spots]
    looks = tuple(one.look for one in seen)
    if odd := unlike_the_rest(looks):
        raise SpotsDiffer(f"the floor is another one than in {looks[0].name}", file=", ".join(odd))
    use = replace(settings.estimate, pair="") if kind == "single" else settings.estimate
    estimate = estimate_texture(looks, use)
    laps.lap("estimate")
    texture = texture_of(estimate, looks)
    suggestion = suggest_grade(texture, scale, target, settings.suggest, estimate=estimate)
    laps.lap("suggest")
    lit = Lit(
        _rectified(spots, seen, settings), None, taken.low, light_moved=estimate.form == "pair", apart=True
    )
    surface = judge_surface(lit, print_scale, settings, laps)
    flags = (
        *(flag for one in found for flag in one.flags if flag not in LOW_LIGHT_FLAGS),
        *(("photos-dropped",) if dropped else ()),
        *_few(estimate, kind, given),
        *(flag for one in seen for flag in one.tone.flags),
        *(flag for spot in spots for flag in spot.adjustment.flags),
        *texture.flags,
        *suggestion.flags,
        *surface_flags(surface),
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
        refused=dropped,
        seconds=laps.seconds,
        flags=tuple(dict.fromkeys(flags)),
        tone=_join_tones([one.tone for one in seen]),
        estimate=estimate,
        lightings=tuple(one.look.lighting for one in seen),
        surface=surface,
    )


def _check_window(
    sightings: Sequence[CardSighting], dropped: Sequence[PhotoError], settings: Settings
) -> None:
    """Refuse a sheet whose window is smaller than what the model was shown: such a floor (or chip) is only measured."""
    design = common_design(sightings)
    if not window_of(design).covers(square(LOOK_HALF_MM)):
        wide, high = window_of(design).size_mm
        error = TooFewPhotos(
            f"{len(sightings)} usable of the {settings.heights.min_photos} photos needed: through a window of"
            f" {wide:g} x {high:g} mm ({design}) nothing is estimated",
            file=", ".join(s.photo_name for s in sightings),
        )
        error.refused = tuple(dropped)
        raise error


def _rectified(spots: Sequence[Spot], seen: Sequence[Seen], settings: Settings) -> list[Rectified]:
    """Each photo's window in linear light; of many photos of one spot a few are enough to judge a surface by."""
    pairs = list(zip(spots, seen, strict=True))[:MOST_LIGHTS]
    return [
        rectify(
            spot.photos[0],
            spot.adjustment.cameras[0],
            spot.adjustment,
            settings.rectify,
            curve=one.tone.curves[0],
        )
        for spot, one in pairs
    ]


def look_at_photo(spot: Spot, settings: Settings, laps: Laps) -> Seen:
    """Show a lone photo as the model sees it; training shows its photos through the same door."""
    tone = read_tone(spot.photos, spot.adjustment, settings.tone)
    laps.lap("tone")
    lighting = read_light(spot, settings)
    laps.lap("light")
    look = look_at(
        spot.photos[0],
        spot.adjustment.cameras[0],
        spot.sightings[0],
        _white(spot, tone.curves[0], settings),
        curve=tone.curves[0],
        lighting=lighting,
    )
    laps.lap("look")
    return Seen(look, tone)


def read_light(spot: Spot, settings: Settings) -> Lighting | None:
    """The light of a lone photo from its tabs' shadows; None where the photo does not let them be read."""
    scale = spot.adjustment.print_scale.x, spot.adjustment.print_scale.y
    if len(flat_tabs(spot.photos[0], spot.adjustment.cameras[0], scale, spot.white_fits[0])) >= MOST_FLAT:
        return None
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
        direction=Direction(None, None, float("nan")) if estimate.abstained else estimate.direction,
        noise_floor_mm=float("nan"),
        noise_band=estimate.band,
        valid_fraction=1.0 - max((look.clipped for look in looks), default=0.0),
        flags=flags,
    )


def _white(spot: Spot, curve: ToneCurve, settings: Settings) -> FloatArray:
    """The paper's light under the photo's own curve; sRGB's was fitted before."""
    if curve.brightness == 0 and curve.contrast == 0:
        return spot.white_fits[0]
    size = spot.adjustment.print_scale.x, spot.adjustment.print_scale.y
    return fit_white(spot.photos[0], spot.adjustment.cameras[0], size, settings.rectify, curve.table)[0]


def join_adjustments(each: Sequence[Adjustment]) -> Adjustment:
    """All cameras in one value, for the record: the worst residual, the first photo's sheet."""
    return replace(
        each[0],
        cameras=tuple(camera for one in each for camera in one.cameras),
        marker_offset_mm=tuple(offset for one in each for offset in one.marker_offset_mm),
        rms_px=max(one.rms_px for one in each),
        rms_mm=max(one.rms_mm for one in each),
    )


def _join_tones(each: Sequence[Tone]) -> Tone:
    """All curves in one value, for the record: the strongest relighting and the worst misfit."""
    worst = max(each, key=lambda tone: tone.relit)
    curves = tuple(curve for tone in each for curve in tone.curves)
    return replace(worst, curves=curves, misfit=max(tone.misfit for tone in each))


def _few(estimate: Estimate, kind: Kind | None, given: int) -> tuple[str, ...]:
    """Whether a person who took several photos gets less than a measurement without having asked for less."""
    whole = given == 1 or (given == 2 and estimate.form == "pair")
    return () if kind == "single" or whole else ("few-photos",)
