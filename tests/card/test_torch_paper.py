"""The torch's light on made-up paper: inverse square times cosine (Lambert 1760), a beam, ambient and exposure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.card.linear import bytes_from_linear, linear_of_byte
from assessor.card.torch_paper import read_torch_paper
from assessor.errors import TorchTooWeak
from assessor.simulate.camera import ViewRecipe, feet_on_card, place_camera
from assessor.values import Adjustment, Exif, FloatArray, Light, Photo, PrintScale, ToneCurve, Torches

SIZE = (1000, 1300)
CAMERA = place_camera("any", ViewRecipe(90.0, 1.0, 420.0, roll_deg=0.0, focal_px=1600.0), SIZE)
EXIF = Exif(exposure_s=0.01, iso=200.0)
POSITION = np.array([250.0, 200.0, 190.0])
X, Y = feet_on_card(CAMERA, *np.meshgrid(np.arange(SIZE[0], dtype=float), np.arange(SIZE[1], dtype=float)))


def torch_light(beam: float = 0.0) -> FloatArray:
    """Light on level paper over that at the window's centre; the beam falls off across x."""
    square = (X - POSITION[0]) ** 2 + (Y - POSITION[1]) ** 2 + POSITION[2] ** 2
    return np.asarray((POSITION @ POSITION / square) ** 1.5 * np.exp(-beam * (X / 100) ** 2))


def photo(name: str, light: FloatArray, exif: Exif = EXIF) -> Photo:
    coded = bytes_from_linear(light[..., None] * np.array([1.0, 0.95, 0.9]))
    return Photo(name, coded, exif, "0" * 64)


def torches(share: float, u_share: float = 0.02) -> Torches:
    reach = float(np.linalg.norm(POSITION))
    one = Light(
        float(np.rad2deg(np.arctan2(POSITION[1], POSITION[0]))), float(np.rad2deg(np.arcsin(POSITION[2] / reach))),
        0.2, 0.2, share, u_share, 0.5, 0.2, (float(POSITION[0]), float(POSITION[1]), float(POSITION[2])), ("a",),
    )  # fmt: skip
    return Torches(("t.jpg",), (one,), 0.01, (0.01,), "known")


def curves(n: int) -> list[ToneCurve]:
    return [ToneCurve("any", linear_of_byte(), 0.0, 0.0, 0.1, 0.1, 0.05)] * n


def adjustment(n: int) -> Adjustment:
    return Adjustment((CAMERA,) * n, PrintScale(), np.zeros(3), (0.0,) * n, 0.1, 0.01, "exif", 0.01)


def test_ambient_light_comes_off_and_the_share_is_told() -> None:
    lit, dark = photo("t.jpg", 0.1 * torch_light() + 0.06), photo("d.jpg", np.full(X.shape, 0.06))
    (paper,), flags = read_torch_paper([lit], dark, adjustment(2), torches(0.625), curves(2))
    assert flags == ()
    assert paper.share == pytest.approx(0.625, abs=0.01)
    assert paper.ambient_scale == pytest.approx(1.0, abs=0.02)
    assert paper.closure == pytest.approx(1.0, abs=0.03)
    np.testing.assert_allclose(paper.gain_rgb, 0.1 * np.array([1.0, 0.95, 0.9]), rtol=0.01)
    np.testing.assert_allclose(paper.beam, 0, atol=0.01)


def test_a_beam_is_fitted_and_carried_into_the_window() -> None:
    lit, dark = photo("t.jpg", 0.1 * torch_light(beam=0.3) + 0.02), photo("d.jpg", np.full(X.shape, 0.02))
    (paper,), _ = read_torch_paper([lit], dark, adjustment(2), torches(0.83), curves(2))
    x, y = np.meshgrid(np.linspace(-55, 55, 12), np.linspace(-55, 55, 12))
    square = (x - POSITION[0]) ** 2 + (y - POSITION[1]) ** 2 + POSITION[2] ** 2
    true = 1.5 * np.log(POSITION @ POSITION / square) - 0.3 * (x / 100) ** 2
    np.testing.assert_allclose(paper.log_light(x, y), true, atol=0.01)
    assert paper.spread < 0.01


def test_another_exposure_of_the_dark_photo_is_taken_from_exif() -> None:
    dark = photo("d.jpg", np.full(X.shape, 0.24), replace(EXIF, exposure_s=0.04))
    lit = photo("t.jpg", 0.1 * torch_light() + 0.06)
    (paper,), _ = read_torch_paper([lit], dark, adjustment(2), torches(0.625), curves(2))
    assert paper.ambient_scale == pytest.approx(0.25, rel=0.03)
    assert paper.share == pytest.approx(0.625, abs=0.01)


def test_shadows_are_believed_where_exif_is_silent_or_wrong() -> None:
    lit = photo("t.jpg", 0.1 * torch_light() + 0.06, Exif())
    dark = photo("d.jpg", np.full(X.shape, 0.24), Exif())
    (paper,), _ = read_torch_paper([lit], dark, adjustment(2), torches(0.625), curves(2))
    assert paper.ambient_scale == pytest.approx(0.25, rel=0.05)
    lying = photo("d.jpg", np.full(X.shape, 0.24), EXIF)
    (paper,), _ = read_torch_paper(
        [photo("t.jpg", 0.1 * torch_light() + 0.06)], lying, adjustment(2), torches(0.625), curves(2)
    )
    assert paper.ambient_scale == pytest.approx(0.25, rel=0.05)


def test_without_a_dark_photo_the_shadows_tell_the_share() -> None:
    lit = photo("t.jpg", 0.1 * torch_light() + 0.06)
    (paper,), flags = read_torch_paper([lit], None, adjustment(1), torches(0.625), curves(1))
    assert flags == ("no-dark-photo",)
    assert paper.share == pytest.approx(0.625, abs=0.005)  # a byte is so much
    np.testing.assert_allclose(paper.gain_rgb[1], 0.095, rtol=0.04)


def test_a_weak_torch_is_flagged_and_a_lost_one_refused() -> None:
    dark = photo("d.jpg", np.full(X.shape, 0.2))
    _, flags = read_torch_paper(
        [photo("t.jpg", 0.06 * torch_light() + 0.2)], dark, adjustment(2), torches(0.23), curves(2)
    )
    assert flags == ("torch-weak",)
    with pytest.raises(TorchTooWeak, match=r"torch gives \d+% of the light on the card, at least 15% is"):
        read_torch_paper(
            [photo("t.jpg", 0.02 * torch_light() + 0.2)], dark, adjustment(2), torches(0.09), curves(2)
        )
