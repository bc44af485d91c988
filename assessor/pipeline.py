"""The main job, one line per stage: photos of one spot in, texture and a suggestion out.

Read this file first; every stage is a pure function between the values of `values`. Which photos are which kind is told
first (`card.kinds`); `angles` and `torch` each give a height map, and a spot that has both gets them joined. Photos too
few to measure are estimated by a learned model (`estimating`), and the result says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

from assessor.card.kinds import Kinds, tell_kinds
from assessor.card.layout import Rectangle, square
from assessor.card.light import check_light, read_lights
from assessor.card.rectify import rectify
from assessor.card.tone import read_tone
from assessor.card.tone_torch import read_torch_tone
from assessor.card.torch_guess import guess_torches
from assessor.card.torch_paper import check_share, read_torch_paper
from assessor.card.torches import read_torches
from assessor.errors import CaptureError, HeightsDisagree, PhoneRelit, PhotoError, TorchesUnseen
from assessor.grading.kinds import say_better_kind
from assessor.grading.scale import GradeScale
from assessor.grading.suggest import suggest_grade
from assessor.intake import Found, Taken, check_count, find_all, is_measured
from assessor.settings import Settings
from assessor.spot import Laps, Spot, place_spot
from assessor.strip_estimate import estimate_few, is_strip
from assessor.surfacing import HALF_MM as SURFACE_HALF_MM
from assessor.surfacing import Lit, judge_surface, surface_flags
from assessor.texture.fuse import fuse_heights
from assessor.texture.heights import measure_heights
from assessor.texture.measure import measure_texture
from assessor.texture.rank import rank_only
from assessor.texture.slopes import measure_slopes
from assessor.texture.torch_heights import TORCH_BANDS, bands_allowed, heights_of_slopes
from assessor.values import (
    Band,
    CaptureResult,
    HeightMap,
    Kind,
    Lighting,
    Photo,
    PrintScale,
    Rectified,
    SlopeMap,
    Suggestion,
    TargetRange,
    Texture,
    Tone,
    Torches,
)

# Flags of the photo checks about light that is meant to be uneven under a torch.
LIGHT_FLAGS = frozenset(
    {"hard-shadow", "light-uneven", "light-changed", "card-wet", "dark", "clipped", "glare"}
)


def assess_capture(  # noqa: PLR0913 - all but the photos by name
    photos: Sequence[Photo],
    *,
    print_scale: PrintScale,
    scale: GradeScale,
    target: TargetRange | None,
    bands: tuple[Band, ...],
    settings: Settings,
    refused: tuple[PhotoError, ...] = (),
    clock: Callable[[], float] = float,
    kind: Kind | None = None,
) -> CaptureResult:
    """Assess one capture of kind `angles` or `torch`, or a spot that has both; estimate one of fewer photos.

    kind: what the photos are, None to recognise it. refused: photos of this capture that could not even be decoded. A
    photo that fails its checks joins them and the rest goes on while any remain (four, where `angles` or `fused` was
    asked for). clock: where timings are wanted, a function that returns seconds. Raises CaptureError when the spot can
    neither be measured nor estimated.
    """
    laps = Laps(clock)
    taken = find_all(photos, settings, refused, kind)
    found, dropped = list(taken.found), list(taken.dropped)
    laps.lap("find")
    estimate = partial(
        estimate_few, print_scale=print_scale, scale=scale, target=target, settings=settings, laps=laps, kind=kind
    )  # fmt: skip
    if is_strip(found) or not is_measured(len(found), kind, settings):
        return estimate(taken)
    spot, kinds = _place(found, print_scale, kind, settings, laps)
    # What is too uneven a light for `angles` is just right for `torch`, so it is decided only now.
    unfit = [found[k].unfit for k in kinds.angles]
    if any(unfit):
        dropped += [error for error in unfit if error is not None]
        found = [one for k, one in enumerate(found) if k not in kinds.angles or one.unfit is None]
        check_count(found, dropped, settings, kind)
        if not is_measured(len(found), kind, settings):
            return estimate(replace(taken, found=tuple(found), dropped=tuple(dropped)))
        spot, kinds = _place(found, print_scale, kind, settings, laps)
    adjustment = spot.adjustment
    angles, torch, lost = _measure(spot, kinds, settings, laps)
    if lost is not None:  # what could be measured stands alone
        kinds = replace(kinds, kind="angles" if angles is not None else "torch")
    heights, fuse_flags = _join(angles, torch, settings)
    if angles is not None and torch is not None:
        laps.lap("fuse")
    area = Asked(spot.window, bands, torch)
    texture, uneven = _texture(heights, kinds.kind, area, settings)
    laps.lap("texture")
    suggestion = _suggest(heights, texture, area, scale=scale, target=target, settings=settings)
    laps.lap("suggest")
    main = angles or torch
    assert main is not None
    surface = None  # a chip is no floor: its stains and stones say nothing
    if spot.window.covers(square(SURFACE_HALF_MM)):
        surface = judge_surface(_lit(angles, torch, taken), print_scale, settings, laps)
    told = _flags_of_photos(found, kinds, lost, any_dropped=bool(dropped))
    both = (flag for part in (angles, torch) if part is not None for flag in part.flags)
    every = (*told, *both, *fuse_flags, *uneven, *adjustment.flags,
             *heights.flags, *texture.flags, *suggestion.flags, *surface_flags(surface))  # fmt: skip
    return CaptureResult(
        kind=kinds.kind,
        photos=spot.photos,
        sightings=spot.sightings,
        adjustment=adjustment,
        rectified=main.rectified,
        heights=heights,
        texture=texture,
        suggestion=suggestion,
        refused=tuple(dropped),
        seconds=laps.seconds,
        flags=tuple(dict.fromkeys(every)),
        lighting=angles.lighting if angles else None,
        tone=main.tone,
        torches=torch.torches if torch else None,
        slopes=torch.slopes if torch else None,
        dark_photo=None if kinds.dark is None else spot.photos[kinds.dark].name,
        better_kind=say_better_kind(texture, torch.slopes if torch else None),
        surface=surface,
    )


def _lit(angles: Measured | None, torch: Measured | None, taken: Taken) -> Lit:
    """What the surface is judged from: the torch's albedo where it was placed, else the photos."""
    main = angles or torch
    assert main is not None
    slopes = torch.slopes if torch is not None and not torch.unplaced else None
    return Lit(main.rectified, slopes, taken.low, light_moved=angles is None)


def _flags_of_photos(
    found: Sequence[Found], kinds: Kinds, lost: str | None, *, any_dropped: bool
) -> tuple[str, ...]:
    """What is to be known of the photos themselves, and which of them were left out."""
    seen = [flag for one in found for flag in one.flags if kinds.angles or flag not in LIGHT_FLAGS]
    return (*seen, *(("photos-dropped",) if any_dropped else ()), *((lost,) if lost else ()))


@dataclass(frozen=True, eq=False)
class Measured:
    """What one kind's photos give."""

    heights: HeightMap
    rectified: tuple[Rectified, ...]
    tone: Tone
    flags: tuple[str, ...]
    lighting: Lighting | None = None
    torches: Torches | None = None
    slopes: SlopeMap | None = None
    spread: float = 0.0

    @property
    def unplaced(self) -> bool:
        """Whether nobody knows how high the torch was held: no millimetres then."""
        return self.torches is not None and not math.isfinite(self.torches.u_tan_common)


def _measure(
    spot: Spot, kinds: Kinds, settings: Settings, laps: Laps
) -> tuple[Measured | None, Measured | None, str | None]:
    """Heights of each kind; of a spot that has both, one may fail: then also a flag that says so."""
    both = kinds.kind == "fused"
    angles = torch = None
    failed: CaptureError | None = None
    if kinds.angles:
        try:
            angles = _angles(spot.only(kinds.angles), settings, laps)
        except CaptureError as error:
            if not both:
                raise
            failed = error
    if kinds.torch:
        try:
            torch = _torch(spot, kinds, settings, laps)
        except CaptureError as error:
            if not both or failed is not None:
                raise failed or error from error
            failed = error
    if both and torch is not None and torch.unplaced and angles is not None:
        return angles, None, "torch-unplaced"
    if failed is not None:
        return angles, torch, "torch-left-out" if torch is None else "angles-left-out"
    return angles, torch, None


def _angles(spot: Spot, settings: Settings, laps: Laps) -> Measured:
    """Heights from photos of four sides in one light."""
    photos, adjustment = spot.photos, spot.adjustment
    exifs = [photo.exif for photo in photos]
    tone = read_tone(photos, adjustment, settings.tone)
    laps.lap("tone")
    rectified = _rectified(spot, tone, settings)
    flags = check_light(rectified, exifs, settings.light)
    laps.lap("rectify")
    lighting = read_lights(photos, spot.sightings, adjustment, rectified, settings.light)
    laps.lap("light")
    edges = [sighting.edge_width_mm for sighting in spot.sightings]
    heights = measure_heights(photos, adjustment, settings.heights, edge_width_mm=edges, window=spot.window)
    laps.lap("heights")
    return Measured(heights, rectified, tone, (*tone.flags, *flags, *lighting.flags), lighting)


def _torch(spot: Spot, kinds: Kinds, settings: Settings, laps: Laps) -> Measured:
    """Heights from shading under a torch on many sides."""
    lit = spot.only(kinds.torch)
    names = ", ".join(photo.name for photo in lit.photos)
    rectified = _rectified(lit, None, settings)
    laps.lap("rectify")
    torches = read_torches(lit.photos, lit.sightings, lit.adjustment, rectified, settings.torches)
    laps.lap("torches")
    placed = bool(torches.lights)
    if not placed:
        torches = _guessed(spot, lit, kinds, settings)
    read = set(torches.photo_names)
    members = [k for k in kinds.torch if spot.photos[k].name in read]
    dark = None if kinds.dark is None else spot.photos[kinds.dark]
    used = spot.only([*members, kinds.dark] if kinds.dark is not None else members)
    if placed:
        check_share(torches, settings.torch_paper)
        tone = read_torch_tone(used.photos, used.adjustment, torches, settings.torch_tone, window=spot.window)
    else:
        tone = read_tone(used.photos, used.adjustment, settings.tone)
    if tone.flags:
        raise PhoneRelit(
            f"dark parts of the photos were brightened by themselves (strength {tone.relit:.2f} +- {tone.u_relit:.2f})",
            file=names,
        )
    laps.lap("torch_tone")
    photos = used.photos[: len(members)]
    papers, flags = read_torch_paper(
        photos, dark, used.adjustment, torches, tone.curves, settings=settings.torch_paper
    )
    slopes = measure_slopes(
        photos, dark, used.adjustment, papers, tone.curves, window=spot.window, settings=settings.slopes
    )
    laps.lap("slopes")
    edges = [sighting.edge_width_mm for sighting in used.sightings[: len(members)]]
    heights = heights_of_slopes(
        slopes,
        torches,
        tone.curves[: len(members)],
        spot.adjustment.print_scale,
        edges,
        settings=settings.torch_heights,
    )
    laps.lap("integrate")
    spread = sorted(paper.spread for paper in papers)[len(papers) // 2]
    left = ("photos-dropped",) if len(members) < len(kinds.torch) else ()
    return Measured(
        heights,
        rectified,
        tone,
        (*flags, *left, *torches.flags, *slopes.flags),
        torches=torches,
        slopes=slopes,
        spread=spread,
    )


def _guessed(spot: Spot, lit: Spot, kinds: Kinds, settings: Settings) -> Torches:
    """The torch's sides from the paper alone, for lay and rank; refused where not even those are told."""
    names = [photo.name for photo in lit.photos]
    dark_fit, exifs = None, [photo.exif for photo in lit.photos]
    if kinds.dark is not None:
        dark_fit = spot.white_fits[kinds.dark]
        exifs.append(spot.photos[kinds.dark].exif)
    torches = guess_torches(names, lit.white_fits, dark_fit, exifs, settings.torch_guess)
    if len(torches.lights) < settings.slopes.min_lights:
        raise TorchesUnseen(
            "neither a tab's shadow nor the paper tells where the torch stood", file=", ".join(names)
        )
    return torches


def _rectified(spot: Spot, tone: Tone | None, settings: Settings) -> tuple[Rectified, ...]:
    curves = tone.curves if tone is not None else [None] * len(spot.photos)
    return tuple(
        rectify(photo, camera, spot.adjustment, settings.rectify, curve=curve)
        for photo, camera, curve in zip(spot.photos, spot.adjustment.cameras, curves, strict=True)
    )


def _join(
    angles: Measured | None, torch: Measured | None, settings: Settings
) -> tuple[HeightMap, tuple[str, ...]]:
    """One height map of the spot."""
    if angles is not None and torch is not None:
        fused = fuse_heights(angles.heights, torch.heights, settings.fuse)
        if "kinds-disagree" in fused.flags and abs(math.log(fused.gain)) > math.log(settings.fuse.max_ratio):
            raise HeightsDisagree(
                f"the photos from the sides show {fused.gain:.2f} times the heights that the torch shows,"
                " as if of two floors"
            )
        return fused.heights, fused.flags
    only = angles or torch
    assert only is not None  # tell_kinds names photos of one kind at least
    return only.heights, ()


@dataclass(frozen=True, eq=False)
class Asked:
    """Where and in which bands texture is measured; torch: what its light allows, if there was one."""

    window: Rectangle
    bands: tuple[Band, ...]
    torch: Measured | None


def _suggest(
    heights: HeightMap,
    texture: Texture,
    asked: Asked,
    *,
    scale: GradeScale,
    target: TargetRange | None,
    settings: Settings,
) -> Suggestion:
    """Weigh the texture against the scale; where that tells how large its chips' window was, over no more than it."""
    chips = scale.window
    if chips is None or not asked.window.covers(chips):
        return suggest_grade(texture, scale, target, settings.suggest)
    if chips != asked.window:
        texture, _ = _texture(heights, texture.kind, replace(asked, window=chips), settings)
    area_mm = chips.less(settings.texture.inset_mm).size_mm
    return suggest_grade(texture, scale, target, settings.suggest, area_mm=area_mm)


def _texture(
    heights: HeightMap, kind: Kind, asked: Asked, settings: Settings
) -> tuple[Texture, tuple[str, ...]]:
    """What is measured on the heights, and flags of bands that the torch's light does not allow."""
    torch = asked.torch
    bands, uneven = _bands(kind, asked.bands, torch, settings)
    how = settings.torch_texture if kind == "torch" else settings.texture
    texture = measure_texture(heights, bands, how, kind=kind, window=asked.window)
    if torch is not None and torch.unplaced:
        texture = rank_only(texture, settings.torch_guess.elevation_deg)
    return texture, uneven


def _bands(
    kind: Kind, bands: tuple[Band, ...], torch: Measured | None, settings: Settings
) -> tuple[tuple[Band, ...], tuple[str, ...]]:
    """Bands to evaluate: the kind's own first, then those asked for."""
    if torch is None:
        return bands, ()
    # The first band is the one of lay and noise: fine for the torch alone.
    every = tuple(dict.fromkeys((*TORCH_BANDS, *bands) if kind == "torch" else (*bands, *TORCH_BANDS)))
    if kind == "fused":
        return every, ()
    kept, lost = bands_allowed(every, torch.spread, settings.torch_heights)
    return kept, ("torch-uneven",) if lost else ()


def _place(
    found: Sequence[Found], print_scale: PrintScale, kind: Kind | None, settings: Settings, laps: Laps
) -> tuple[Spot, Kinds]:
    """Fit the cameras of all photos and tell their kinds."""
    spot = place_spot(found, print_scale, settings, laps)
    exifs = [photo.exif for photo in spot.photos]
    kinds = tell_kinds(spot.white_fits, spot.adjustment.cameras, exifs, kind, settings.kinds)
    laps.lap("kinds")
    return spot, kinds
