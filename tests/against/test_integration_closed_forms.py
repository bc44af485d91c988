"""Integration of slopes against closed forms, the theory of its noise, and a general sparse solver.

Heights are defined up to a constant, so every comparison is after taking the mean off. Slopes come from the formula's
derivative, never from differences of the sampled heights.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import sparse
from scipy.sparse.linalg import lsqr

from assessor.texture.integrate import integrate_slopes
from assessor.values import BoolArray, FloatArray

STEP = 0.1


def grid(
    side_mm: float, step_mm: float = STEP, across_mm: float | None = None
) -> tuple[FloatArray, FloatArray]:
    """x (1, W) to the right and y (H, 1) up, so that row 0 lies at the largest y."""
    cols, rows = round((across_mm or side_mm) / step_mm), round(side_mm / step_mm)
    x = (np.arange(cols) + 0.5) * step_mm - cols * step_mm / 2
    y = rows * step_mm / 2 - (np.arange(rows) + 0.5) * step_mm
    return x[None, :], y[:, None]


def everywhere(slope: FloatArray) -> BoolArray:
    return np.ones(slope.shape, dtype=bool)


def less_mean(z: FloatArray, where: BoolArray | None = None) -> FloatArray:
    return np.asarray(z - (z.mean() if where is None else z[where].mean()), dtype=float)


def test_a_gaussian_bump_comes_back_as_a_bump() -> None:
    # z = a exp(-r^2 / 2 s^2); dz/dx = -x z / s^2. Off centre, so that a flip of either axis shows.
    x, y = grid(60.0, across_mm=80.0)
    a, s, x0, y0 = 0.3, 4.0, 12.0, -8.0
    z = a * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * s**2))
    found = integrate_slopes(-(x - x0) * z / s**2, -(y - y0) * z / s**2, everywhere(z), STEP)
    assert found.dtype == np.float32
    assert float(found.mean()) == pytest.approx(0.0, abs=1e-6)
    assert np.abs(found - less_mean(z)).max() < 1e-4 * a
    assert np.unravel_index(int(np.argmax(found)), found.shape) == pytest.approx((379, 519), abs=1)


@pytest.mark.parametrize("wavelength_mm", [0.5, 0.8, 1.25, 2.5, 8.0, 25.0])
@pytest.mark.parametrize("azimuth_deg", [0.0, 37.0, 90.0])
def test_a_wave_keeps_its_amplitude_and_place(wavelength_mm: float, azimuth_deg: float) -> None:
    # No wave is periodic in this window, nor flat at its ends: the mirror at the edges costs something, near them only.
    x, y = grid(60.3)
    k = 2 * math.pi / wavelength_mm
    kx, ky = k * math.cos(math.radians(azimuth_deg)), k * math.sin(math.radians(azimuth_deg))
    z = 0.02 * np.sin(kx * x + ky * y + 0.7)
    slope = 0.02 * np.cos(kx * x + ky * y + 0.7)
    found = integrate_slopes(kx * slope, ky * slope, everywhere(z), STEP)
    inner = (slice(100, -100),) * 2
    here, true = less_mean(found[inner]), less_mean(z[inner])
    assert float(np.sum(here * true) / np.sum(true * true)) == pytest.approx(1.0, abs=0.001)
    assert float(np.std(here - true)) < 0.003 * float(np.std(true))


def test_a_cosine_that_fits_the_window_is_exact() -> None:
    # A cosine with whole half waves across is one function of the mirrored basis.
    x, y = grid(40.0)
    kx, ky = 7 * math.pi / 40.0, 12 * math.pi / 40.0
    u, v = kx * (x + 20), ky * (y + 20)
    z = 0.1 * np.cos(u) * np.cos(v)
    found = integrate_slopes(
        -0.1 * kx * np.sin(u) * np.cos(v), -0.1 * ky * np.cos(u) * np.sin(v), everywhere(z), STEP
    )
    assert np.abs(found - less_mean(z)).max() < 2e-6


@pytest.mark.parametrize(("along", "up"), [(0.02, 0.0), (0.0, -0.03), (0.05, 0.02)])
def test_a_tilted_plane_stays_a_plane(along: float, up: float) -> None:
    x, y = grid(60.0)
    z = along * x + up * y
    found = integrate_slopes(np.full_like(z, along), np.full_like(z, up), everywhere(z), STEP)
    assert np.abs(found - less_mean(z)).max() < 0.001 * float(np.ptp(z))


def test_a_bowl_that_is_not_periodic() -> None:
    x, y = grid(60.0)
    z = 1e-3 * x**2 + 5e-4 * x * y - 4e-4 * y**2
    found = integrate_slopes(2e-3 * x + 5e-4 * y, 5e-4 * x - 8e-4 * y, everywhere(z), STEP)
    assert np.abs(found - less_mean(z)).max() < 0.001 * float(np.ptp(z))


def bump(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    z = 0.2 * np.exp(-((x - 3) ** 2 + (y + 2) ** 2) / 50) + 0.05 * np.sin(0.9 * x) * np.cos(0.6 * y)
    bell = 0.2 * np.exp(-((x - 3) ** 2 + (y + 2) ** 2) / 50)
    p = -(x - 3) / 25 * bell + 0.045 * np.cos(0.9 * x) * np.cos(0.6 * y)
    q = -(y + 2) / 25 * bell - 0.03 * np.sin(0.9 * x) * np.sin(0.6 * y)
    return z, p, q


def test_small_gaps_cost_little_and_their_content_is_not_read() -> None:
    x, y = grid(60.0)
    z, p, q = bump(x, y)
    valid = everywhere(z)
    draw = np.random.default_rng(0)
    for row, col in draw.integers(20, 570, (60, 2)):
        valid[row : row + 10, col : col + 10] = False
    found = integrate_slopes(np.where(valid, p, 5.0), np.where(valid, q, -7.0), valid, STEP)
    same = integrate_slopes(np.where(valid, p, 0.0), np.where(valid, q, 0.0), valid, STEP)
    assert np.array_equal(found, same)
    wrong = less_mean(found, valid) - less_mean(z, valid)
    assert float(wrong[valid].std()) < 0.01 * float(z.std())


def test_outside_a_disc_nothing_is_known_and_inside_it_is_right() -> None:
    x, y = grid(30.0)
    z, p, q = bump(x, y)
    disc = x**2 + y**2 < 13.0**2
    found = integrate_slopes(np.where(disc, p, 0), np.where(disc, q, 0), disc, STEP, rounds=20)
    wrong = less_mean(found, disc) - less_mean(z, disc)
    assert float(wrong[disc].std()) < 0.002 * float(z[disc].std())


def test_noise_of_slopes_becomes_noise_of_heights_as_theory_says() -> None:
    """White slope noise of variance s^2 in both directions gives, at frequency f, heights of power s^2 / (2 pi f)^2.

    Least squares weighs both slopes: a height bin has the variance s^2 (kx^2 + ky^2) / (kx^2 + ky^2)^2 (Frankot and
    Chellappa 1988, section III). Over 2 mm the taper of this window smears the steep spectrum, so nothing is compared.
    """
    n, s = 600, 0.01
    draw = np.random.default_rng(1)
    power = {wavelength: [] for wavelength in (0.5, 1.0, 2.0)}
    for _ in range(8):
        p, q = s * draw.standard_normal((2, n, n))
        z = integrate_slopes(p, q, everywhere(p), STEP).astype(float)
        window = np.hanning(n)[:, None] * np.hanning(n)[None, :]
        spectrum = np.abs(np.fft.fft2(z * window)) ** 2 / np.sum(window**2)
        f = np.hypot(np.fft.fftfreq(n, STEP)[:, None], np.fft.fftfreq(n, STEP)[None, :])
        for wavelength, seen in power.items():
            ring = np.abs(f * wavelength - 1) < 0.1
            seen.append(float(np.mean(spectrum[ring] * (2 * math.pi * f[ring]) ** 2)))
    for wavelength, seen in power.items():
        assert np.mean(seen) == pytest.approx(s**2, rel=0.06), f"{wavelength} mm: {np.mean(seen) / s**2:.3f}"


def difference_system(
    shape: tuple[int, int], valid: BoolArray, step: float
) -> tuple[sparse.csr_matrix, list[FloatArray]]:
    """Rows z[i+1] - z[i] for each pair of valid neighbours, and masks of the pairs along x and down."""
    at = np.arange(shape[0] * shape[1]).reshape(shape)
    parts, masks = [], []
    for first, second, ok in (
        (at[:, :-1], at[:, 1:], valid[:, :-1] & valid[:, 1:]),
        (at[:-1], at[1:], valid[:-1] & valid[1:]),
    ):
        a, b = first[ok], second[ok]
        row = np.arange(len(a))
        ones = np.ones(len(a)) / step
        parts.append(
            sparse.csr_matrix((np.r_[-ones, ones], (np.r_[row, row], np.r_[a, b])), (len(a), at.size))
        )
        masks.append(ok)
    return sparse.vstack(parts).tocsr(), masks


@pytest.mark.parametrize("gaps", [False, True])
def test_a_general_sparse_solver_finds_the_same_heights(gaps: bool) -> None:
    """scipy's lsqr (Paige and Saunders 1982) on differences of neighbours against means of their slopes.

    That discretisation errs by (step k)^2 / 12, 1 % for the shortest wave here, so the two agree to a few percent of
    noisy, partly missing slopes; both must also be near the truth.
    """
    x, y = grid(9.6, 0.1)
    z, p, q = bump(2 * x, 2 * y)
    p, q = 2 * p, 2 * q
    draw = np.random.default_rng(2)
    p, q = (slope + 0.003 * draw.standard_normal(slope.shape) for slope in (p, q))
    valid = everywhere(z)
    if gaps:
        valid[30:42, 50:60] = False
        valid[70:76, 10:30] = False
    ours = integrate_slopes(np.where(valid, p, 0), np.where(valid, q, 0), valid, 0.1, rounds=60)
    system, masks = difference_system(z.shape, valid, 0.1)
    right = np.r_[((p[:, :-1] + p[:, 1:]) / 2)[masks[0]], (-(q[:-1] + q[1:]) / 2)[masks[1]]]
    theirs = lsqr(system, right, atol=1e-10, btol=1e-10, iter_lim=5000)[0].reshape(z.shape)
    a, b, true = (less_mean(height, valid)[valid] for height in (ours, theirs, z))
    assert float(np.std(a - b)) < 0.02 * float(true.std())
    assert float(np.std(a - true)) < 1.1 * float(np.std(b - true)) + 0.002 * float(true.std())


def test_shapes_that_do_not_match_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        integrate_slopes(np.zeros((5, 6)), np.zeros((6, 5)), np.ones((5, 6), bool), 0.1)
