"""Texture parameters of one capture, each with its uncertainty, from its height map.

The evaluation area (the sheet's window less 6 mm a side) loses its plane and goes once through the cosine
transform, map and halves alike. Per band: Sq from the halves' covariance divided by the transfer, so without noise; the
other parameters from the band map, corrected for its noise (see `noise`). Where the surface is not clearly
above what noise may feign, only an upper bound is given.

Uncertainty: noise, transfer and waves beyond the trusted ones as measured; scale, method and unmeasured
samples relative to the value; all in quadrature, and 90 % intervals are value -/+ 1.645 u.

Source: ISO 25178-2, ISO 16610-61, ISO 13473-1:2019; design sections 4 and 8.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from assessor.card.layout import WINDOW_MM, Rectangle, square
from assessor.errors import HeightsDisagree
from assessor.texture import areal
from assessor.texture.direction import DirectionSettings, anisotropy, as_direction
from assessor.texture.filters import low_pass_weights
from assessor.texture.noise import bracket_range, noise_maps, noise_scatter, power, without_noise
from assessor.texture.profile import ProfileSettings, mean_profile_depth, texture_depth
from assessor.texture.view import Z90, Budget, View, cut_area, look, share_of_variance, widen
from assessor.values import (
    Band,
    BoolArray,
    Direction,
    FloatArray,
    HeightMap,
    Kind,
    Quantity,
    Texture,
    Transfer,
)

MAIN_BANDS = (Band(2.5, 25.0), Band(0.8, 25.0))


@dataclass(frozen=True, slots=True)
class TextureSettings:
    """What is evaluated and what the uncertainty holds beside what each capture measures itself."""

    inset_mm: float = 6.0  # of the window, a side: the card's shadow and hidden ground
    least_transfer: float = 0.5  # waves passed less are not divided (design section 4)
    # Systematic errors over texture kinds, relative standard uncertainty: what makes the 90 % intervals hold nine
    # times in ten over all processes, lone pits and bumps among them (scripts/judge_set, seeds 41 and 51).
    u_method: float = 0.018
    u_method_mean: float = 0.03  # of Sa: plains between stones and bumps, whose feet are rounded off
    u_method_depth: float = 0.008
    u_method_slope: float = 0.05
    u_method_range: float = 0.08
    u_method_shape: float = 0.10  # of Ssk and Sku: absolute below 1, relative above
    # What both halves share and covariance takes for texture, 1-3 um on flat speckle (study.md part 1, 6).
    shared_error_mm: float = 0.003
    # The same in bands with waves longer than this: nothing for heights that stereo gives.
    shared_error_long_mm: float = 0.0
    long_from_mm: float = 8.0
    noise_unsplit_mm: float = 0.02  # noise of a map that no halves check (study.md part 1 section 4)
    # Heights go missing where ground is steep, deep or dark, not at random: half of the missing share.
    u_invalid: float = 0.5
    buried_factor: float = 2.0  # below this many u a square is no value (design section 4)
    most_lost_share: float = 0.5  # beyond it the band is not reported
    say_lost_share: float = 0.1
    few_valid: float = 0.9
    least_valid: float = 0.3
    # Noise over both of these, a share of Sq and mm, means bad matches (study.md part 1 section 6).
    halves_share: float = 0.3
    halves_mm: float = 0.02
    extrapolate: bool = True  # parameters that are no sums of squares, to no noise
    # Error of the extrapolation to no noise as a share of its correction: pits and bumps at noise 0.1-1 times
    # Sq (tests/texture/test_noise.py).
    u_extrapolation: float = 0.15
    profile: ProfileSettings = field(default_factory=ProfileSettings)
    direction: DirectionSettings = field(default_factory=DirectionSettings)


# A torch's own: its halves share tabs and tone, which are in `u_scale`, and 1 um of what else; over long waves uneven
# light feigns 7 um (study.md part 4, E5 has 5-9; rendered captures agree).
TORCH_TEXTURE = TextureSettings(
    u_method=0.02,
    u_method_mean=0.03,
    u_method_slope=0.05,
    shared_error_mm=0.0006,
    shared_error_long_mm=0.007,
    noise_unsplit_mm=0.003,
)


def measure_texture(
    heights: HeightMap,
    bands: tuple[Band, ...] = MAIN_BANDS,
    settings: TextureSettings | None = None,
    *,
    kind: Kind = "angles",
    window: Rectangle | None = None,
) -> Texture:
    """Measure the texture parameters of a height map in each band, over a window less its rim (None: the card's).

    Per band: Sq, Sa, Sz, Ssk, Sku, Sdq, Sdr; Str and the lay in the first; MPD and ETD over profiles of 100
    mm. A buried surface gives upper bounds for heights and slopes and nothing for shape and direction. A band
    of which most lies in waves not seen gives nothing. noise_floor_mm is the noise of the map in the first
    band, NaN where the capture was not split.

    Raises HeightsDisagree where too little of the window was measured. ValueError without a band.
    """
    return _evaluate(heights, bands, settings or TextureSettings(), kind, window)


def without_allowances(settings: TextureSettings) -> TextureSettings:
    """The same settings with every systematic term at zero: what is left must be right by itself."""
    return replace(
        settings,
        u_method=0.0,
        u_method_mean=0.0,
        u_method_depth=0.0,
        u_method_slope=0.0,
        u_method_range=0.0,
        u_method_shape=0.0,
        shared_error_mm=0.0,
        shared_error_long_mm=0.0,
    )


def exact_texture(
    height_mm: FloatArray,
    px_per_mm: float,
    bands: tuple[Band, ...] = MAIN_BANDS,
    settings: TextureSettings | None = None,
    window: Rectangle | None = None,
) -> Texture:
    """Texture parameters of a known surface (H, W), centred on the window, on the very path of a measurement.

    No noise, no transfer, no uncertainty: the truth that estimates are compared with.
    """
    use = without_allowances(settings or TextureSettings())
    whole = np.array([0.01, 1000.0])
    fresh = np.array(height_mm, dtype=np.float64)
    known = HeightMap(
        height_mm=fresh,
        valid=np.ones(fresh.shape, dtype=bool),
        px_per_mm=px_per_mm,
        x_min_mm=-fresh.shape[1] / px_per_mm / 2,
        y_max_mm=fresh.shape[0] / px_per_mm / 2,
        halves=(fresh, fresh),
        transfer=Transfer(whole, np.ones(2), np.zeros(2), "known surface"),
        shortest_trusted_mm=2.0 / px_per_mm,
        u_scale=0.0,
        agreement=1.0,
        method="known surface",
    )
    return _evaluate(known, bands, use, "angles", window)


def _budget(heights: HeightMap, valid_fraction: float, band: Band, use: TextureSettings) -> Budget:
    unsplit = 0.0 if heights.halves is not None else use.noise_unsplit_mm**2
    if band.long_mm > use.long_from_mm:
        unsplit += use.shared_error_long_mm**2
    return Budget(
        relative=math.hypot(heights.u_scale, use.u_invalid * (1.0 - valid_fraction)),
        floor_mm2=use.shared_error_mm**2 + unsplit,
        buried_factor=use.buried_factor,
        say_lost_share=use.say_lost_share,
        most_lost_share=use.most_lost_share,
    )


def _evaluate(
    heights: HeightMap,
    bands: tuple[Band, ...],
    use: TextureSettings,
    kind: Kind,
    window: Rectangle | None,
) -> Texture:
    if not bands:
        raise ValueError("name at least one band")
    area = cut_area(heights, (window or square(WINDOW_MM / 2)).less(use.inset_mm))
    if area.valid_fraction < use.least_valid:
        raise HeightsDisagree(
            f"only {area.valid_fraction:.0%} of the window could be measured"
            f" (at least {use.least_valid:.0%} is needed)"
        )

    def see(band: Band) -> View:
        budget = _budget(heights, area.valid_fraction, band, use)
        return look(area, band, budget, kind=kind, least_transfer=use.least_transfer)

    views = [see(band) for band in bands]
    quantities: list[Quantity] = []
    for view in views:
        if not view.mostly_lost(view.power):
            quantities += _heights(view, use) + _slopes(view, use)
    str_, direction = _direction(views[0], quantities, use)
    quantities += str_
    whole = Band(use.profile.low_pass_mm, use.profile.segment_mm)
    alike = next((view for view in views if view.band.short_mm == whole.short_mm), None)
    if kind != "torch":  # which has no waves longer than the window's third, and a profile depth needs them
        quantities += _depths(widen(alike, whole) if alike else see(whole), use)
    noise_mm = math.sqrt(views[0].power.noise) if area.halves is not None else math.nan
    return Texture(
        kind=kind,
        quantities=tuple(quantities),
        direction=direction,
        noise_floor_mm=noise_mm,
        noise_band=bands[0],
        valid_fraction=area.valid_fraction,
        flags=_flags(views[0], quantities, noise_mm, use),
    )


def _heights(view: View, use: TextureSettings) -> list[Quantity]:
    """Sq, Sa, Sz, Ssk and Sku of one band; bounds for the first three where it is buried."""
    of, told = view.power, view.told(view.power)
    coarse, valid = view.map(view.band.short_mm / 4)
    measured = share_of_variance(coarse, valid)
    u_square = math.hypot(of.u, view.budget.floor_mm2)
    u_common = view.budget.with_method(use.u_method)
    sq = view.root("Sq", of.value * measured, u_square * measured, u_common, view.method(*told))
    method = view.method("extrapolated to no noise", *told)
    fine, valid_fine = view.map(view.band.short_mm / 8)
    widest = areal.sz(_valid_of(fine, valid_fine))
    if sq.bound == "upper":
        # No surface has Sa above Sq, and noise only adds to the range of a map.
        widest *= 1.0 + Z90 * view.budget.with_method(use.u_method_range)
        return [
            sq,
            view.at_most("Sa", sq.high90, view.method(*told)),
            view.at_most("Sz", widest, view.method(*told)),
        ]

    def mean_height(height: FloatArray) -> FloatArray:
        return np.array([areal.sa(_valid_of(height, valid))])

    noises = noise_maps(view.evidence, view.weights, coarse.shape) if use.extrapolate else []
    square, u_shape = (float(part[0]) for part in without_noise(mean_height, coarse, noises))
    held = float(np.mean(np.square(coarse, dtype=np.float64)))
    resolved = of.value / of.in_map if of.in_map > 0 else 1.0
    # The extrapolation's own error, taken as a share of what it took off.
    u_model = use.u_extrapolation * (mean_height(coarse)[0] ** 2 - square)
    u_sa = math.hypot(u_shape * resolved, u_square * square / held, u_model)
    sa = view.root("Sa", square * resolved, u_sa, view.budget.with_method(use.u_method_mean), method)
    return [sq, sa, _range(view, widest, use), *_shape(view, noises, use)]


def _range(view: View, widest: float, use: TextureSettings) -> Quantity:
    """Sz between the range of the map and that of one half where the other is extreme."""
    low = widest
    if view.evidence.halves is not None:
        step = view.band.short_mm / 4
        maps = [view.map(step, of) for of in (view.evidence.mean, *view.evidence.halves)]
        crossed, whole = bracket_range(*(_valid_of(height, valid).ravel() for height, valid in maps))
        low = widest * crossed / whole if whole > 0 else widest
    value = (low + widest) / 2
    u_transfer = view.power.u_transfer / (2.0 * view.power.value)
    u_common = math.hypot(view.budget.with_method(use.u_method_range), u_transfer)
    method = view.method("between map and crossed halves", *view.told(view.power))
    return view.quantity("Sz", value, math.hypot((widest - low) / 2, u_common * value), method)


def _shape(view: View, noises: list[FloatArray], use: TextureSettings) -> list[Quantity]:
    """Ssk and Sku of the resolved surface: independent noise adds no third moment and a known fourth."""
    height, valid = view.map(view.band.short_mm / 4)

    def moments(of: FloatArray) -> FloatArray:
        seen = _valid_of(of, valid)
        z = seen - seen.mean()
        square = z * z
        return np.array([np.mean(square * z), np.mean(square * square)], dtype=np.float64)

    third, fourth = (float(moment) for moment in moments(height))
    noise = 0.0 if view.evidence.noise is None else view.power.noise
    variance = view.power.in_map * share_of_variance(height, valid)
    if variance <= 0:
        return []
    fourth -= 6.0 * variance * noise + 3.0 * noise**2
    u_moments = noise_scatter(moments, height, noises)
    u_variance = math.hypot(view.power.u_noise, view.budget.floor_mm2) / variance
    out = []
    for name, value, order, u_moment in (
        ("Ssk", third, 1.5, u_moments[0]),
        ("Sku", fourth, 2.0, u_moments[1]),
    ):
        ratio = value / variance**order
        u_method = use.u_method_shape * max(1.0, abs(ratio))
        u = math.hypot(float(u_moment) / variance**order, order * u_variance * ratio, u_method)
        out.append(view.quantity(name, ratio, u, view.method(), unit=""))
    return out


def _slopes(view: View, use: TextureSettings) -> list[Quantity]:
    """Sdq as the gradient of the cosine series, and Sdr from the map's slopes scaled to it."""
    squared = (2.0 * math.pi * view.evidence.mean.radial()) ** 2
    of = power(view.evidence, view.weights**2 * squared)
    if view.mostly_lost(of):
        return []
    height, valid = view.map(view.band.short_mm / 8)
    measured = share_of_variance(height, valid)
    method = view.method("gradient of the cosine series", *view.told(of))
    u_common = view.budget.with_method(use.u_method_slope)
    per_variance = float(np.sum(view.weights**2 * squared) / np.sum(view.weights**2))
    # What feigns long waves has no slope to speak of.
    floor = view.budget.floor_mm2
    floor -= use.shared_error_long_mm**2 if view.band.long_mm > use.long_from_mm else 0.0
    u_square = math.hypot(of.u, floor * per_variance)
    sdq = view.root("Sdq", of.value * measured, u_square * measured, u_common, method)
    if sdq.bound == "upper":
        # sqrt(1 + s) - 1 is never above s / 2.
        return [sdq, view.at_most("Sdr", sdq.high90**2 / 2, method, unit="")]
    steps = view.steps_mm(height.shape)
    slope = areal.sdq(height, steps)
    value = areal.sdr(height * np.float32(sdq.value / slope), steps) if slope > 0 else 0.0
    return [sdq, view.quantity("Sdr", value, 2.0 * value * sdq.u / sdq.value, method, unit="")]


def _depths(view: View, use: TextureSettings) -> list[Quantity]:
    """MPD and ETD over rows and columns; nothing where the map holds no whole segment."""
    profile = use.profile
    if max(view.area.sides_mm) < profile.segment_mm * (1 - 1e-6) or view.mostly_lost(view.power):
        return []
    low_pass = replace(view, weights=low_pass_weights(view.evidence.mean, profile.low_pass_mm))
    height, valid = low_pass.map(profile.low_pass_mm / 8)
    cells = view.steps_mm(height.shape)

    def depth(of: FloatArray) -> FloatArray:
        return np.array([mean_profile_depth(of, cells, profile, valid=valid)])

    raw = float(depth(height)[0])
    if math.isnan(raw):
        return []
    noises = noise_maps(view.evidence, low_pass.weights, height.shape) if use.extrapolate else []
    square, u_shape = (float(part[0]) for part in without_noise(depth, height, noises))
    of, floor = view.power, view.budget.floor_mm2
    resolved = of.value / of.in_map if of.in_map > 0 else 1.0
    # What moves the variance of the map moves the square of its peaks in proportion.
    u_square = math.hypot(floor, of.u_transfer, of.u_lost) * raw**2 / max(of.in_map, floor, 1e-30)
    u_square = math.hypot(u_square, use.u_extrapolation * (raw**2 - square))
    u_common = view.budget.with_method(use.u_method_depth)
    cuts = f"Gaussian areal low-pass {profile.low_pass_mm:g} mm"
    rule = f"ISO 13473-1:2019 slope suppression over {profile.segment_mm:g} mm, rows and columns"
    method = view.method(rule, "extrapolated to no noise", cuts=cuts)
    mpd = view.root("MPD", square * resolved, math.hypot(u_shape * resolved, u_square), u_common, method)
    told = f"{method}, ETD = {profile.etd_per_mpd:g} MPD"
    if mpd.bound == "upper":
        mpd = view.at_most("MPD", min(mpd.high90, raw * (1.0 + Z90 * u_common)), method)
        most, scatter = texture_depth(mpd.high90, 0.0, profile)
        return [mpd, view.at_most("ETD", most + Z90 * scatter, told)]
    return [mpd, view.quantity("ETD", *texture_depth(mpd.value, mpd.u, profile), told)]


def _direction(
    view: View, quantities: list[Quantity], use: TextureSettings
) -> tuple[list[Quantity], Direction]:
    """Str and lay of the first band; none where its texture is buried or unseen."""
    first = next((q for q in quantities if q.name == "Sq" and q.band == view.band), None)
    if first is None or first.bound == "upper":
        return [], as_direction(None)
    pair = view.evidence.halves or (view.evidence.mean, view.evidence.mean)
    one = view.map(use.direction.grid_mm, pair[0])[0]
    two = one if pair[1] is pair[0] else view.map(use.direction.grid_mm, pair[1])[0]
    found = anisotropy(one, two, view.steps_mm(one.shape), use.direction)
    if found is None:
        return [], as_direction(None)
    method = view.method(f"correlation falling to {use.direction.decay:g}")
    direction = as_direction(found, use.direction)
    if found.open_ended:
        high = min(found.str_ + Z90 * found.u_str, 1.0)
        return [view.at_most("Str", high, f"{method}, slowest fall beyond the window", unit="")], direction
    str_ = view.quantity("Str", found.str_, found.u_str, method, unit="")
    return [replace(str_, high90=min(str_.high90, 1.0))], direction


def _flags(view: View, quantities: list[Quantity], noise_mm: float, use: TextureSettings) -> tuple[str, ...]:
    sq = next((q for q in quantities if q.name == "Sq" and q.band == view.band), None)
    found = {
        "at-most": sq is not None and sq.bound == "upper",
        "few-valid": view.area.valid_fraction < use.few_valid,
        "halves-differ": sq is not None and noise_mm > max(use.halves_mm, use.halves_share * sq.value),
    }
    return tuple(code for code, is_so in found.items() if is_so)


def _valid_of(height: FloatArray, valid: BoolArray | None) -> FloatArray:
    return height if valid is None else np.asarray(height[valid])
