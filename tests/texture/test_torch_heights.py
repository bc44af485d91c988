"""Heights of the torch's slopes: transfer, doubts, gaps and bands, by formulas worked out here."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from assessor.card.linear import linear_of_byte
from assessor.texture.torch_heights import (
    TORCH_BANDS,
    TorchHeightSettings,
    bands_allowed,
    heights_of_slopes,
    torch_transfer,
)
from assessor.values import Band, FloatArray, HeightMap, PrintScale, SlopeMap, ToneCurve, Torches
from tests.texture.torch_windows import WAVES, grid_mm, slopes_at

USE = TorchHeightSettings(
    blur_per_edge=0.3, loss_per_shadow=1.2, shadow_of_noise=0.02, blur_per_loss=10.0, usual_edge_mm=0.25
)
N = 300
X, Y = grid_mm(N, 30)  # 0.2 mm
NAN = float("nan")


def slope_map(scale: float = 1.0, **changes: object) -> SlopeMap:
    sx, sy = (scale * part.astype(np.float32) for part in slopes_at(X, Y))
    made = SlopeMap(
        slope_x=sx, slope_y=sy, valid=np.ones((N, N), bool), px_per_mm=5.0, x_min_mm=-30.0, y_max_mm=30.0,
        halves=((1.1 * sx, 1.1 * sy), (0.9 * sx, 0.9 * sy)), albedo_rgb=np.ones((3, 3, 3)), albedo_px_per_mm=1.0,
        specular=np.zeros((3, 3)), n_lights=8, noise_is_modelled=False, torch_share=0.8, shadowed=0.0, residual=0.02,
        flags=("not-confirmed",),
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def torches(common: float = 0.0, own: tuple[float, ...] = (0.0,) * 8) -> Torches:
    return Torches((), (), common, own, "known")


def curve(u_slope: float = 0.0) -> ToneCurve:
    return ToneCurve("any", linear_of_byte(), 0.0, 0.0, 0.1, 0.1, 0.05, u_slope)


EXACT = PrintScale(u_x=0.0, u_y=0.0, checked=True)


def heights(
    of: SlopeMap, light: Torches | None = None, u_slope: float = 0.0, scale: PrintScale = EXACT
) -> HeightMap:
    curves = [curve(0.0), curve(u_slope)]
    return heights_of_slopes(of, light or torches(), curves, scale, [0.25] * 8)


def test_heights_are_those_whose_slopes_were_given() -> None:
    """The waves' own heights, a sin(k . x), from which `torch_windows` takes its slopes."""
    found = heights(slope_map())
    true = sum(a * np.sin(kx * X + ky * Y) for kx, ky, a in WAVES)
    inner = np.s_[10:-10, 10:-10]
    off = (found.height_mm - true)[inner]
    assert (off - off.mean()).std() < 0.01 * float(np.std(true))
    assert found.halves is not None
    np.testing.assert_allclose(found.halves[0], 1.1 * found.height_mm, atol=1e-4)
    np.testing.assert_allclose(found.halves[1], 0.9 * found.height_mm, atol=1e-4)
    assert (found.px_per_mm, found.x_min_mm, found.y_max_mm) == (5.0, -30.0, 30.0)
    assert found.flags == ("not-confirmed",)
    assert "8 torches" in found.method
    assert found.agreement == pytest.approx(0.98)
    assert found.shortest_trusted_mm == 0.5


def test_the_transfer_is_that_of_a_gaussian_blur() -> None:
    """A Gaussian of sd s passes exp(-2 pi^2 s^2 / wavelength^2), its Fourier transform; scipy's filter agrees."""
    edge = 0.5
    transfer = torch_transfer([edge], settings=USE)
    sd = 0.3 * edge
    at = (np.arange(4000) + 0.5) * 0.01
    for wavelength in (0.8, 1.6, 5.0):
        wave = np.cos(2 * np.pi * at / wavelength)
        passed = gaussian_filter1d(wave, sd / 0.01, truncate=8)[1000:3000] @ wave[1000:3000]
        passed /= wave[1000:3000] @ wave[1000:3000]
        assert passed == pytest.approx(math.exp(-2 * math.pi**2 * sd**2 / wavelength**2), rel=1e-3)
        assert float(transfer.at(wavelength)) == pytest.approx(passed, abs=3e-3)


def test_edges_count_by_their_geometric_mean_and_unknown_ones_not_at_all() -> None:
    known = torch_transfer([0.4], settings=USE).amplitude
    np.testing.assert_allclose(torch_transfer([0.2, 0.8, NAN, 0.0], settings=USE).amplitude, known, rtol=1e-9)
    usual = torch_transfer([0.25], settings=USE).amplitude
    np.testing.assert_allclose(torch_transfer([NAN], settings=USE).amplitude, usual, rtol=1e-9)
    assert (usual >= known).all()


def test_shadows_take_from_all_waves_and_more_from_short_ones() -> None:
    lit, steep = torch_transfer([0.4], 0.0, USE), torch_transfer([0.4], 0.12, USE)
    loss = 1.2 * (0.12 - 0.02)
    blur = 2 * math.pi**2 * (0.3 * 0.4) ** 2
    for wavelength in (0.7, 1.5, 8.0, 30.0):
        ratio = math.exp(-loss - blur / wavelength**2 * 10.0 * loss)
        assert float(steep.at(wavelength) / lit.at(wavelength)) == pytest.approx(ratio, rel=0.01)
    assert (np.diff(steep.amplitude) >= 0).all()
    noise_alone = torch_transfer([0.4], 0.02, USE)
    np.testing.assert_allclose(noise_alone.amplitude, lit.amplitude)


def test_the_transfers_doubt_is_that_of_blur_and_loss() -> None:
    """Propagated: d amplitude = amplitude x (2 blur x u_blur, losses x u_loss) in quadrature, and what is left over."""
    u = torch_transfer([0.4], 0.12, USE)
    loss, blur = 1.2 * 0.1, 2 * math.pi**2 * (0.3 * 0.4) ** 2 / 1.5**2
    amplitude = math.exp(-blur - 10 * blur * loss - loss)
    parts = math.hypot(2 * blur * USE.u_blur, (loss + 10 * blur * loss) * USE.u_loss)
    assert float(u.u_at(1.5)) == pytest.approx(USE.u_transfer + amplitude * parts, rel=0.02)
    assert float(u.u_at(1.5)) > float(torch_transfer([0.4], 0.0, USE).u_at(1.5))


def test_the_scales_doubt_adds_up_what_its_parts_are() -> None:
    """GUM 5.1: in quadrature; what all torches share stays, what each has of its own averages out."""
    assert heights(slope_map()).u_scale == 0
    assert heights(slope_map(), torches(0.03)).u_scale == pytest.approx(0.03)
    assert heights(slope_map(), torches(own=(0.08,) * 4)).u_scale == pytest.approx(0.08 / 2)
    assert heights(slope_map(), u_slope=0.02).u_scale == pytest.approx(0.02)
    assert heights(slope_map(), scale=PrintScale(u_x=0.004, u_y=0.012)).u_scale == pytest.approx(0.012)
    whole = heights(slope_map(), torches(0.03, (0.08,) * 16), 0.02, PrintScale(u_x=0.01, u_y=0.01))
    assert whole.u_scale == pytest.approx(math.sqrt(0.03**2 + 0.02**2 + 0.02**2 + 0.01**2))


def test_torches_without_a_place_have_no_scale_to_be_unsure_of() -> None:
    unplaced = torches(float("inf"), (float("inf"),) * 8)
    assert heights(slope_map(), unplaced, u_slope=0.02).u_scale == pytest.approx(0.02)


def test_narrow_gaps_are_closed_and_wide_ones_not() -> None:
    valid = np.ones((N, N), bool)
    valid[100:105, 50:60] = False  # 1 mm wide
    valid[200:215, 50:80] = False  # 3 mm
    found = heights(slope_map(valid=valid))
    assert TorchHeightSettings().gap_mm == 1.2
    assert found.valid[100:105, 50:60].all()
    assert not found.valid[202:213, 55:75].any()


def test_a_narrow_gap_is_bridged_by_the_slopes_round_it() -> None:
    valid = np.ones((N, N), bool)
    valid[100:105, 50:250] = False
    of = slope_map(valid=valid)
    spoiled = replace(of, slope_x=np.where(valid, of.slope_x, 5.0), slope_y=np.where(valid, of.slope_y, -5.0))
    off = heights(spoiled).height_mm - heights(slope_map()).height_mm
    assert off.std() < 0.1 * heights(slope_map()).height_mm.std()


def by_name(bands: tuple[Band, ...]) -> list[str]:
    return [str(band) for band in bands]


def test_long_waves_are_quoted_only_where_the_light_was_even() -> None:
    use = TorchHeightSettings(long_mm=8.0, max_spread=0.06)
    kept, dropped = bands_allowed(TORCH_BANDS, 0.05, use)
    assert (by_name(kept), dropped) == (["0.5-8 mm", "0.5-25 mm", "2.5-25 mm"], False)
    kept, dropped = bands_allowed(TORCH_BANDS, 0.07, use)
    assert (by_name(kept), dropped) == (["0.5-8 mm"], True)


def test_other_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match="must have one shape"):
        heights(slope_map(valid=np.ones((N, N - 1), bool)))


def rms(field: FloatArray) -> float:
    return float(np.std(field))


def test_slopes_twice_as_steep_are_heights_twice_as_high() -> None:
    assert rms(heights(slope_map(2.0)).height_mm) == pytest.approx(
        2 * rms(heights(slope_map()).height_mm), rel=1e-5
    )
