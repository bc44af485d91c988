"""Corners by line fits, against squares whose blurred picture is known in closed form."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import ndtr

from assessor.card.corners import CornerFit, CornerSettings, fit_corners, sharpened
from assessor.card.linear import bytes_from_linear
from assessor.values import FloatArray

SIZE = (230, 260)  # rows, columns: unequal on purpose
WHITE, BLACK = 0.8, 0.04
SIDE_MM = np.array([14.0])
# A Gaussian edge rises from 10 to 90 % over 2.5631 sd (2 x the normal quantile of 0.9; any table of the normal law).
WIDTH_PER_SD = 2.5631


def square(
    turn_deg: float, sd_px: float, at: tuple[float, float] = (0.3, -0.2)
) -> tuple[FloatArray, FloatArray]:
    """Linear picture of a black frame marker (white inside) blurred by a Gaussian, and its true corners (4, 2)."""
    side, (rows, columns) = 128.4, SIZE
    turn, middle = np.radians(turn_deg), np.array([(columns - 1) / 2 + at[0], (rows - 1) / 2 + at[1]])
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    u = (x - middle[0]) * np.cos(turn) + (y - middle[1]) * np.sin(turn)
    v = -(x - middle[0]) * np.sin(turn) + (y - middle[1]) * np.cos(turn)

    def box(half: float) -> FloatArray:
        def rise(t: FloatArray) -> FloatArray:
            return ndtr((t + half) / sd_px) - ndtr((t - half) / sd_px)

        return rise(u) * rise(v)

    picture = WHITE - (WHITE - BLACK) * (box(side / 2) - box(side * 3 / 8))
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * side / 2
    way = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return picture, corners @ way + middle


def fitted(picture: FloatArray, start: FloatArray, sd_px: float = 0.65) -> CornerFit:
    """Fit twice, as the finder does: the second time from the first corners with the reach for this blur."""
    grey = bytes_from_linear(picture)
    settings = sharpened(CornerSettings(), WIDTH_PER_SD * sd_px)
    first = fit_corners(grey, start[None], SIDE_MM, settings=settings)
    return fit_corners(grey, first.corners_px, SIDE_MM, settings=settings)


def error_px(fit: CornerFit, truth: FloatArray) -> float:
    assert fit.usable.all()
    return float(np.sqrt(((fit.corners_px[0] - truth) ** 2).sum(-1).mean()))


@pytest.mark.parametrize("sd_px", [0.65, 1.0, 1.5])
@pytest.mark.parametrize("turn_deg", [0.0, 3.0, 45.0, 101.0, 222.0])
def test_corners_are_right_at_any_turn_and_blur(turn_deg: float, sd_px: float) -> None:
    picture, truth = square(turn_deg, sd_px)
    start = truth + np.random.default_rng(1).normal(0, 1.5, truth.shape)
    assert error_px(fitted(picture, start, sd_px), truth) < 0.012


@pytest.mark.parametrize("sd_px", [0.65, 1.0, 1.5])
def test_edge_width_is_that_of_the_normal_law(sd_px: float) -> None:
    picture, truth = square(17.0, sd_px)
    assert fitted(picture, truth, sd_px).edge_width_px[0] == pytest.approx(WIDTH_PER_SD * sd_px, rel=0.05)


def test_moving_by_whole_pixels_moves_the_corners_by_them() -> None:
    picture, truth = square(20.0, 0.8)
    grey = bytes_from_linear(picture)
    here = fit_corners(grey, truth[None], SIDE_MM)
    moved = fit_corners(np.roll(grey, (4, -7), axis=(0, 1)), truth[None] + (-7, 4), SIDE_MM)
    assert moved.corners_px == pytest.approx(here.corners_px + np.array([-7, 4]), abs=1e-9)


def ramp(x: FloatArray, y: FloatArray) -> FloatArray:
    """Light falling to half over 60 px."""
    return np.clip(1 - (x + 0.3 * y - 100) / 120, 0.2, 1)


def shadow(x: FloatArray, y: FloatArray) -> FloatArray:
    """A shadow edge that crosses two sides, from full light to 15 % over 1 px."""
    return 0.15 + 0.85 * np.clip(x - 0.7 * y - 60, 0, 1)


def penumbra(x: FloatArray, y: FloatArray) -> FloatArray:
    """The same edge over 25 px."""
    return 0.15 + 0.85 * np.clip((x - 0.7 * y - 60) / 25, 0, 1)


# The penumbra is the worst case: light falls by 85 % within two reaches of the profiles, over one whole corner.
@pytest.mark.parametrize(("light", "limit_px"), [(ramp, 0.03), (shadow, 0.06), (penumbra, 0.1)])
def test_uneven_light_hardly_moves_corners(
    light: Callable[[FloatArray, FloatArray], FloatArray], limit_px: float
) -> None:
    picture, truth = square(8.0, 0.65)
    y, x = np.mgrid[0 : SIZE[0], 0 : SIZE[1]].astype(float)
    assert error_px(fitted(picture * light(x, y), truth + 0.8), truth) < limit_px


def test_something_lying_over_part_of_a_side_drops_out() -> None:
    picture, truth = square(0.0, 0.65)
    covered = picture.copy()
    covered[:75, 110:150] = 0.3  # a finger over a third of the top side
    fit = fitted(covered, truth)
    assert error_px(fit, truth) < 0.05
    assert fit.kept[0, 0].sum() < fit.kept[0, 2].sum()


def test_stated_standard_deviation_is_about_right() -> None:
    rng, ratios = np.random.default_rng(5), []
    picture, truth = square(31.0, 0.65)
    for _ in range(25):
        noisy = picture + np.sqrt(0.2 * picture) * 10 ** (-30 / 20) * rng.standard_normal(picture.shape)
        fit = fitted(noisy, truth)
        ratios.append((fit.corners_px[0] - truth) / fit.corner_sd_px[0][:, None])
    assert 0.6 < np.sqrt(np.mean(np.square(ratios))) < 1.6


def test_known_bend_of_a_side_is_taken_out() -> None:
    picture, truth = square(0.0, 0.65)
    sag = 0.5  # all sides bulge outward by this in their middle
    rows, columns = SIZE
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    along = (x - truth[0, 0]) / (truth[1, 0] - truth[0, 0])
    shift = np.where((along > 0) & (along < 1) & (y < rows / 2), 4 * sag * along * (1 - along), 0)
    bent = np.array([np.interp(y[:, c] + shift[:, c], y[:, c], picture[:, c]) for c in range(columns)]).T
    plain = fitted(bent, truth)
    grey = bytes_from_linear(bent)
    told = fit_corners(grey, truth[None], SIDE_MM, sag_px=np.array([[sag, 0, 0, 0]]))
    assert abs(plain.corners_px[0, 0, 1] - truth[0, 1]) > 0.2
    assert abs(told.corners_px[0, 0, 1] - truth[0, 1]) < 0.06


@pytest.mark.parametrize("case", ["blank", "outside", "low contrast"])
def test_no_corner_is_made_up(case: str) -> None:
    picture, truth = square(0.0, 0.65)
    if case == "blank":
        picture = np.full(SIZE, 0.5)
    elif case == "outside":
        truth = truth + np.array([120.0, 0.0])
    else:
        picture = 0.7 + 0.1 * picture
    fit = fit_corners(bytes_from_linear(picture), truth[None], SIDE_MM)
    assert not fit.usable.any()
    assert np.isinf(fit.corner_sd_px).all()


def test_no_markers_at_all() -> None:
    fit = fit_corners(np.zeros((40, 60), np.uint8), np.empty((0, 4, 2)), np.empty(0))
    assert fit.corners_px.shape == (0, 4, 2)
