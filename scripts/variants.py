"""The corrections and refusals of the tool, each with how to switch it off; `earns` shows what each is worth.

Where a setting does it (a prior of next to nothing, a limit nobody reaches), that setting is named. Where there is
none, a function is replaced for the time of one run; that is written out here and happens nowhere else.
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from assessor import intake, pipeline, spot
from assessor.settings import Settings, digest_of
from assessor.values import FloatArray, HeightMap, Photo, Transfer

Function = Callable[..., Any]
HUGE, TINY = 1e9, 1e-6


HOMES = (intake, spot, pipeline)  # where stages are called


@dataclass(frozen=True)
class Variant:
    """One thing switched off.

    settings: "stage.name" -> value. after: what to do to the result of a stage of the pipeline. inside: ("module",
    "name", replacement made from the original), with the stages that must then run anew in `renew`. photos: what to do
    to the photos. unmeasured: the bars were not read. matters: the captures it is made for ("all", a fault's name,
    "fine": Sq under 0.06 mm, "steep": over 0.4 mm).
    """

    name: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    after: Mapping[str, Function] = field(default_factory=dict)
    inside: tuple[tuple[str, str, Callable[[Function], Function]], ...] = ()
    renew: tuple[str, ...] = ()
    photos: Callable[[Photo], Photo] | None = None
    unmeasured: bool = False
    matters: str = "all"

    def over(self, base: Settings) -> Settings:
        """`base` with this variant's settings; AttributeError names one that does not exist."""
        for path, value in self.settings.items():
            stage, name = path.split(".")
            part = getattr(base, stage)
            if name not in {f.name for f in dataclasses.fields(part)}:
                raise AttributeError(f"{self.name}: there is no setting {path}")
            base = replace(base, **{stage: replace(part, **{name: value})})
        return base

    def problem(self) -> str | None:
        """What of the tool this variant names in vain, or None."""
        try:
            self.over(Settings())
            for stage in (*self.after, *self.renew):
                _home_of(stage)
            for module, name, _ in self.inside:
                getattr(importlib.import_module(module), name)
        except AttributeError as error:
            return str(error)
        return None


def _home_of(stage: str) -> Function:
    """The stage where it is called; AttributeError where there is none."""
    home = next((module for module in HOMES if hasattr(module, stage)), pipeline)
    return getattr(home, stage)


def _undivided(heights: HeightMap) -> HeightMap:
    """Every wave is said to pass whole."""
    of = heights.transfer
    ones = np.ones_like(of.amplitude)
    return replace(heights, transfer=Transfer(of.wavelength_mm.copy(), ones, 0 * ones, "switched off"))


def _unsplit(heights: HeightMap) -> HeightMap:
    return replace(heights, halves=None)


def _parallel(split: Function) -> Function:
    """Halves of neighbours: their baselines run parallel. The gate on the crossing is told nothing of it."""

    def split_parallel(views: FloatArray) -> Any:
        halves, crossing = split(views)
        if len(views) != 4:
            return halves, crossing
        (a, b), (c, d) = halves
        pairs = [((a, c), (b, d)), ((a, d), (b, c))]

        def crossing_of(pair: Any) -> float:
            one, two = (views[j] - views[i] for i, j in pair)
            return float(abs(one[0] * two[1] - one[1] * two[0]))

        return min(pairs, key=crossing_of), 1.0

    return split_parallel


def _coded(_: Function) -> Function:
    """Bytes as they are, no linear light."""
    return lambda: np.arange(256, dtype=np.float32) / 255


# Gates on the fit: open where a part of the fit is off, or its loss would show as refusals and not as an error.
FITS = {
    f"camera.max_{what}": HUGE
    for what in ("rms_px", "breathing", "centre_sd", "motion_sd", "bend_sd", "bow_mm")
}

CORRECTIONS: tuple[Variant, ...] = (
    Variant("bars not measured", unmeasured=True),
    Variant("corners on coded bytes", inside=(("assessor.card.corners", "linear_of_byte", _coded),),
            renew=("find_card",)),
    Variant("no ink and tone offset", {**FITS, "camera.u_offset_mm": TINY}),
    Variant("one focal length", {**FITS, "camera.u_breathing": TINY}, matters="breathing"),
    Variant("EXIF focal length as it is", {**FITS, "camera.u_focal_exif": TINY}),
    Variant("centre in the middle", {**FITS, "camera.u_centre_px_per_kpx": 1e-4}, matters="stabiliser"),
    Variant("no lens distortion", {**FITS, "camera.u_k1": TINY, "camera.u_k2": TINY}),
    Variant("no rolling shutter", {**FITS, "camera.u_way_mm": TINY, "camera.u_turn_deg": TINY}, matters="rolling"),
    Variant("no residual warp", {**FITS, "camera.u_bend_px": TINY}),
    Variant("flat sheet", {**FITS, "camera.u_bow_mm": TINY, "camera.u_cockle_mm": TINY}, matters="cockle"),
    Variant("bow only, no cockle", {**FITS, "camera.u_cockle_mm": TINY}, matters="cockle"),
    Variant("no steep passes", {"heights.steep_passes": ()}, matters="steep"),
    Variant("no support in the search", {"heights.step_penalty": 0.0, "heights.jump_penalty": 0.0}, matters="steep"),
    Variant("contrast not evened", {"heights.soften": HUGE}),
    Variant("photos not sharpened", {"heights.sharpen": 0.0}),
    Variant("nothing given back to moves", {"heights.restore": 0.0}),
    Variant("wide refinement windows", {"heights.refine_sigma_px": 7.0}),
    Variant("one round of refinement", {"heights.refinement": ((0.1, 1),)}),
    Variant("mismatches kept", {"heights.min_correlation": -HUGE, "heights.max_half_ratio": HUGE}, matters="steep"),
    Variant("parallel halves", inside=(("assessor.texture.heights", "split_halves", _parallel),),
            renew=("measure_heights",)),
    Variant("noise left in", after={"measure_heights": _unsplit}, matters="fine"),
    Variant("no extrapolation to no noise", {"texture.extrapolate": False}, matters="fine"),
    Variant("one transfer for all captures", {"heights.half_way_sharp_mm": 1.0, "heights.half_way_per_edge": 0.0}),
    Variant("transfer not divided", after={"measure_heights": _undivided}),
)  # fmt: skip


def _flashless(photo: Photo) -> Photo:
    return replace(photo, exif=replace(photo.exif, flash_fired=False))


def _never_odd(_: Function) -> Function:
    return lambda shots, settings=None: (None,) * len(shots)


def _nothing(_: Function) -> Function:
    return lambda *args, **more: None


_ANY_LENS = Variant(
    "any lens",
    FITS,
    inside=(("assessor.intake", "find_odd_photos", _never_odd),
            ("assessor.card.camera", "check_same_camera", _nothing)),
    renew=("adjust_cameras",),
)  # fmt: skip

# By the code of the refusal. What has no entry cannot be measured without (no card, two cards, no photo).
GATES: dict[str, Variant] = {
    "flash-fired": Variant("flash", photos=_flashless),
    "lens-switched": _ANY_LENS, "zoom-used": _ANY_LENS, "other-phone": _ANY_LENS, "mixed-cameras": _ANY_LENS,
    "too-far": Variant("far", {"quality.min_px_per_mm": 0.0}),
    "too-close": Variant("close", {"quality.min_distance_mm": 0.0, "quality.window_margin_mm": -HUGE,
                                   "quality.max_ring_outside": 1000}),
    "too-oblique": Variant("oblique", {"quality.max_tilt_deg": 90.0}),
    "too-blurred": Variant("blurred", {"quality.max_edge_px": HUGE}),
    "too-dark": Variant("dark", {"quality.min_white": 0.0, "quality.max_noise": HUGE}),
    "clipped": Variant("clipped", {"quality.max_window_clipped": 2.0, "quality.max_paper_clipped": 2.0}),
    "glare": Variant("glare", {"quality.max_glare_share": 2.0, "quality.max_ink": HUGE}),
    "card-wet": Variant("wet", {"quality.max_wet_share": 2.0}),
    "poor-geometry": Variant("geometry", FITS),
    "card-not-flat": Variant("not flat", {"camera.max_bow_mm": HUGE}),
    "views-too-alike": Variant("alike", {"heights.min_spread": 0.0, "heights.min_crossing": TINY}),
    "light-moved": Variant(
        "light", {"light.max_change": HUGE, "light.max_turn_deg": HUGE, "light.max_share_change": HUGE},
        inside=(("assessor.card.light", "_refuse_shade", _nothing),), renew=("read_lights",),
    ),
    "heights-disagree": Variant("disagree", {"heights.min_valid_fraction": 0.0, "heights.max_noise_mm": HUGE,
                                             "texture.least_valid": 0.0}),
}  # fmt: skip


def joined(variants: Sequence[Variant]) -> Variant:
    """Several things switched off together."""
    photos = [v.photos for v in variants if v.photos]

    def change(photo: Photo) -> Photo:
        for one in photos:
            photo = one(photo)
        return photo

    return Variant(
        " + ".join(v.name for v in variants) or "none",
        {path: value for v in variants for path, value in v.settings.items()},
        {stage: f for v in variants for stage, f in v.after.items()},
        tuple(dict.fromkeys(patch for v in variants for patch in v.inside)),
        tuple(dict.fromkeys(stage for v in variants for stage in v.renew)),
        change if photos else None,
    )


class Memory:
    """Results of the pipeline's stages in the plain run, so that a variant runs only the stages it changes.

    A stage is a pure function of its arguments, so a call with the very same objects and equal settings has the very
    same result. Only the plain run is kept: four photos and their rectified windows are large.
    """

    def __init__(self) -> None:
        self._known: dict[Any, tuple[Any, BaseException | None, Any]] = {}
        own = {module.__name__ for module in HOMES}
        self._stages = {
            (module, name): f
            for module in HOMES
            for name, f in vars(module).items()
            if inspect.isfunction(f) and f.__module__ not in own
        }

    @contextmanager
    def running(self, variant: Variant, *, keep: bool = False) -> Iterator[None]:
        """The pipeline under a variant; keep: remember the results."""
        patches = [(importlib.import_module(m), name, make) for m, name, make in variant.inside]
        before = [(module, name, f) for (module, name), f in self._stages.items()]
        before += [(m, name, getattr(m, name)) for m, name, _ in patches if m not in HOMES]
        try:
            for (module, name), stage in self._stages.items():
                setattr(module, name, self._wrapped(name, stage, variant, keep))
            for module, name, make in patches:
                setattr(module, name, make(getattr(module, name)))
            yield
        finally:
            for module, name, original in before:
                setattr(module, name, original)

    def _wrapped(self, name: str, stage: Function, variant: Variant, keep: bool) -> Function:
        change = variant.after.get(name, lambda result: result)

        def remembered(*args: Any, **more: Any) -> Any:
            key = (name, _key(args), _key(tuple(sorted(more.items()))))
            if name not in variant.renew and key in self._known:
                result, error, _ = self._known[key]
                if error is not None:
                    raise error
                return change(result)
            try:
                result = stage(*args, **more)
            except Exception as error:
                if keep:
                    self._known[key] = (None, error.with_traceback(None), (args, more))
                raise
            if keep:
                # The arguments are held too: their identities are the key.
                self._known[key] = (result, None, (args, more))
            return change(result)

        return remembered


def _key(value: Any) -> Any:
    """Equal settings and plain values are equal keys; all else is known by identity."""
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    if isinstance(value, (list, tuple)):
        return tuple(_key(each) for each in value)
    if dataclasses.is_dataclass(value) and type(value).__name__.endswith("Settings"):
        return digest_of(value)
    return id(value)
