"""Tone curves from grey steps: what can be learnt is learnt, what cannot is said, relit photos are flagged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from assessor.card.layout import STEP_BYTES
from assessor.card.linear import (
    bytes_from_linear,
    linear_from_srgb,
    linear_of_byte,
    linear_rgb,
    srgb_from_linear,
)
from assessor.card.steps import StepReading
from assessor.card.tone import ToneSettings, exposure_of, fit_curves, read_tone
from assessor.values import Adjustment, Exif, FloatArray, Photo, PrintScale, Tone
from tests.card.photos import INK_REFLECTANCE, PAPER_REFLECTANCE, Scene, camera_of, photo_of

SIDES_DEG = (270.0, 0.0, 90.0, 180.0)
GREYS = (INK_REFLECTANCE + (PAPER_REFLECTANCE - INK_REFLECTANCE) * linear_of_byte()[list(STEP_BYTES)]) / (
    PAPER_REFLECTANCE
)
EVEN = (1.0, 1.0, 1.0, 1.0)
BRACKET = (1.0, 0.5, 0.25, 0.7)
Change = Callable[[FloatArray], FloatArray]


def scene(side_deg: float) -> Scene:
    return Scene(
        size_px=(1600, 1200), distance_mm=280.0, roll_deg=84.0, tilt_deg=14.0, azimuth_deg=side_deg, k1=0.02
    )


@cache
def plain(side_deg: float) -> FloatArray:
    """Linear light (H, W) of one photo, from its bytes."""
    return linear_rgb(photo_of(scene(side_deg), jpeg_quality=95).rgb_u8[..., 1])


def taken(light: FloatArray, k: int, exposure: float, curve: Change) -> Photo:
    """A phone's photo of this light: exposed, coded with sRGB and the phone's own curve after it."""
    table = np.rint(255 * np.clip(curve(srgb_from_linear(np.arange(8192) / 8191)), 0, 1)).astype(np.uint8)
    grey = table[np.clip(light * np.float32(8191 * exposure), 0, 8191).astype(np.int16)]
    exif = Exif(exposure_s=exposure / 120, iso=64, f_number=1.8)
    return Photo(f"{k}.jpg", np.repeat(grey[..., None], 3, axis=2), exif, "0" * 64)


def adjustment(cameras: Sequence[Scene]) -> Adjustment:
    found = tuple(camera_of(one) for one in cameras)
    return Adjustment(found, PrintScale(), np.zeros(3), (0.0,), 0.03, 0.004, "exif", 0.001)


def capture(
    curve: Change = lambda e: e, exposures: Sequence[float] = EVEN, relight: Change = lambda light: light
) -> list[Photo]:
    return [
        taken(relight(plain(side)), k, exposure, curve)
        for k, (side, exposure) in enumerate(zip(SIDES_DEG, exposures, strict=True))
    ]


def tone_of(photos: Sequence[Photo], known: tuple[FloatArray, FloatArray] | None = None) -> Tone:
    return read_tone(photos, adjustment([scene(side) for side in SIDES_DEG]), known_greys=known)


def contrasty(e: FloatArray) -> FloatArray:
    """A phone's S-curve with lifted darks: 0 to 0, 1 to 1."""
    return e + 0.35 * (3 * e**2 - 2 * e**3 - e) + 0.15 * e * (1 - e)


def reflectance_error(table: FloatArray, curve: Change, reflectance: float, white: float = 0.7) -> float:
    """Relative error of a reflectance that is read through a table when the phone used this curve."""
    coded = curve(srgb_from_linear(white * np.array([1.0, reflectance])))
    read = np.interp(coded * 255, np.arange(256), table)
    return float(read[1] / read[0] / reflectance - 1)


def even_out(strength: float) -> Change:
    """Local tone mapping over a twentieth of the picture."""

    def change(light: FloatArray) -> FloatArray:
        around = cv2.GaussianBlur(cv2.resize(light, None, fx=0.125, fy=0.125), (0, 0), light.shape[1] / 160)
        gain = (around / np.median(around)) ** np.float32(-strength)
        return np.asarray(light * cv2.resize(gain, light.shape[::-1]))

    return change


def half_lifted(light: FloatArray) -> FloatArray:
    """Greys, but neither white nor black, lifted on one side of the picture, as a phone does to a face or a shadow."""
    side = np.clip((np.arange(light.shape[1], dtype=np.float32) / light.shape[1] - 0.4) / 0.2, 0, 1)
    return np.asarray(light + np.float32(0.5) * side * light * (1 - light))


def test_one_evenly_lit_print_says_little_and_tells_so() -> None:
    tone = tone_of(capture())
    assert tone.flags == ()
    for curve in tone.curves:
        np.testing.assert_array_equal(curve.table, linear_of_byte())
        assert 0.05 < curve.u_tone < 0.3
    off = np.log(tone.grey_reflectance[1:] / GREYS[1:])
    assert (np.abs(off) < 2.5 * tone.u_grey[1:]).all()
    assert tone.misfit < 0.01


def test_a_bracket_of_exposures_gives_the_curve() -> None:
    tone = tone_of(capture(contrasty, BRACKET))
    assert tone.flags == ()
    for reflectance in (0.2, 0.35, 0.5):
        for curve in tone.curves:
            error = reflectance_error(curve.table, contrasty, reflectance)
            assert abs(error) < max(0.03, 2 * curve.u_tone)
    plain_error = reflectance_error(linear_of_byte(), contrasty, 0.5)
    assert abs(reflectance_error(tone.curves[0].table, contrasty, 0.5)) < abs(plain_error) / 3
    assert tone.curves[0].u_tone < 0.08


def test_exposures_must_be_told_to_count() -> None:
    silent = [replace(photo, exif=Exif()) for photo in capture(contrasty, BRACKET)]
    told = tone_of(capture(contrasty, BRACKET)).curves[0].u_contrast
    assert tone_of(silent).curves[0].u_contrast > told


def test_known_greys_make_it_a_calibration() -> None:
    tone = tone_of(capture(contrasty), (GREYS[1:], np.full(5, 0.02)))
    for reflectance in (0.2, 0.35, 0.5):
        assert abs(reflectance_error(tone.curves[2].table, contrasty, reflectance)) < 0.03
    assert tone.curves[2].u_tone < 0.04


@pytest.mark.parametrize(
    ("strength", "flags"), [(0.0, ()), (0.05, ()), (0.2, ("phone-relit",)), (0.3, ("phone-relit",))]
)
def test_paper_brighter_beside_dark_parts_was_relit(strength: float, flags: tuple[str, ...]) -> None:
    tone = tone_of(capture(relight=even_out(strength)))
    assert tone.relit == pytest.approx(strength, abs=0.06)
    assert tone.flags == flags


@pytest.mark.parametrize("curve", [contrasty, lambda e: e + 0.4 * (3 * e**2 - 2 * e**3 - e)])
def test_global_curves_are_not_relighting(curve: Change) -> None:
    assert tone_of(capture(curve)).flags == ()


def test_lens_shading_is_not_relighting() -> None:
    y, x = np.mgrid[-600:600, -800:800].astype(np.float32) / 1000
    assert tone_of(capture(relight=lambda light: light * (1 - 0.08 * (x * x + y * y)))).flags == ()


def test_greys_that_differ_from_side_to_side_were_relit() -> None:
    tone = tone_of(capture(relight=half_lifted))
    assert tone.misfit > 0.03
    assert tone.flags == ("phone-relit",)


def test_a_boot_over_the_steps_is_not_relighting() -> None:
    boots = [
        taken(linear_rgb(photo_of(replace(scene(side), hidden=[(86.0, -20.0, 120.0, 70.0)])).rgb_u8[..., 1]), k, 1.0,
              lambda e: e)
        for k, side in enumerate(SIDES_DEG)
    ]  # fmt: skip
    tone = tone_of(boots)
    assert tone.flags == ()
    assert tone.misfit < 0.01


def test_without_any_step_the_curve_is_srgb() -> None:
    photos = capture()
    away = adjustment([replace(scene(side), aim_mm=(3000.0, 0.0)) for side in SIDES_DEG])
    tone = read_tone(photos, away)
    assert tone.flags == ()
    np.testing.assert_array_equal(tone.curves[1].table, linear_of_byte())
    assert tone.curves[1].u_tone > 0.1


def test_exposure_needs_all_three_of_exif() -> None:
    assert exposure_of(Exif(exposure_s=0.02, iso=100, f_number=2.0)) == pytest.approx(0.5)
    assert exposure_of(Exif(exposure_s=0.02, iso=100)) is None


def drawn_capture(
    rng: np.random.Generator, settings: ToneSettings
) -> tuple[list[list[StepReading]], FloatArray]:
    """Step readings of four photos whose greys and curve are drawn from the priors, and the curve's two terms."""
    from assessor.card.layout import card_layout  # noqa: PLC0415

    black = settings.black * np.exp(settings.sd_log_black * rng.standard_normal())
    power = 1 + settings.sd_grey_power * rng.standard_normal()
    greys = black + (1 - black) * linear_of_byte()[list(STEP_BYTES)].astype(float) ** power
    greys[1:] *= np.exp(settings.sd_log_grey * rng.standard_normal(5))
    terms = np.array([settings.sd_brightness, settings.sd_contrast]) * rng.standard_normal(2)
    coded = np.linspace(0, 1, 2001)
    true = linear_from_srgb(coded + coded * (1 - coded) * (terms[0] + terms[1] * (1 - 2 * coded)))

    def through(light: float) -> FloatArray:
        return np.full(3, linear_from_srgb(np.interp(light, true, coded)))

    photos = []
    for _ in SIDES_DEG:
        white = rng.uniform(0.5, 0.8)
        photos.append([
            StepReading(step, through(white * greys[STEP_BYTES.index(step.srgb_byte)]
                                      * np.exp(settings.sd_log_step * rng.standard_normal())), through(white), True)
            for step in card_layout(0).steps
        ])  # fmt: skip
    return photos, terms


def test_uncertainties_hold_when_printers_and_phones_are_as_assumed() -> None:
    settings, rng = ToneSettings(sd_between_photos=0.001), np.random.default_rng(5)
    off = []
    for _ in range(120):
        readings, terms = drawn_capture(rng, settings)
        if np.abs(terms).max() < 0.55 and terms.sum() > -0.9:  # beyond, a curve would not be increasing
            curve = fit_curves(["a", "b", "c", "d"], readings, [Exif()] * 4, settings).curves[0]
            off.append(
                (np.array([curve.brightness, curve.contrast]) - terms)
                / (curve.u_brightness, curve.u_contrast)
            )
    rms = np.sqrt(np.mean(np.square(off), axis=0))
    assert len(off) > 80
    assert ((rms > 0.6) & (rms < 1.3)).all()


def test_bytes_of_the_test_photos_are_what_they_claim() -> None:
    photo = capture()[0]
    np.testing.assert_allclose(bytes_from_linear(plain(SIDES_DEG[0])), photo.rgb_u8[..., 0], atol=1)
