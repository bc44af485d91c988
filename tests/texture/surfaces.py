"""Surfaces and noise with known answers for the texture tests; 5 samples per mm keep them quick."""

from __future__ import annotations

import numpy as np

from assessor.texture import filters
from assessor.texture.measure import TextureSettings, without_allowances
from assessor.values import Band, BoolArray, FloatArray, HeightMap, Transfer

PX_PER_MM = 5.0
STEP_MM = 1 / PX_PER_MM
SIDE = 540
MAIN = Band(2.5, 25.0)
STRETCH = Band(0.8, 25.0)
# No systematic terms: what is left must be right by itself.
BARE = without_allowances(TextureSettings())


def perfect(u: float = 0.0) -> Transfer:
    return Transfer(np.array([0.1, 100.0]), np.ones(2), np.full(2, u), "passes all")


def blurred(half_at_mm: float, u: float = 0.0, shift: float = 0.0) -> Transfer:
    """Transfer 1 / (1 + (half / wavelength)^2), one half at `half_at_mm`, moved by `shift`."""
    wavelength = np.geomspace(0.3, 100.0, 60)
    amplitude = np.clip(1 / (1 + (half_at_mm / wavelength) ** 2) + shift, 0.01, 1.2)
    return Transfer(wavelength, amplitude, np.full(60, u), "toy blur")


def through(transfer: Transfer, height: FloatArray, step_mm: float = STEP_MM) -> FloatArray:
    """What a method with this transfer shows of a surface."""
    whole = filters.spectrum(height, step_mm)
    return whole.times(transfer.at(1 / np.maximum(whole.radial(), 1e-6))).height().astype(float)


def fractal(rng: np.random.Generator, sq_mm: float, shape: tuple[int, int] = (SIDE, SIDE)) -> FloatArray:
    """Self-affine surface (Hurst 0.8) from 0.5 to 40 mm wavelength."""
    white = filters.spectrum(rng.standard_normal(shape), STEP_MM)
    f = np.maximum(white.radial(), 1e-6)
    z = white.times(np.where((f > 1 / 40) & (f < 2), f**-1.8, 0.0)).height().astype(float)
    return np.asarray(z * (sq_mm / z.std()))


def dimples(rng: np.random.Generator, sq_mm: float, count: int, sign: int) -> FloatArray:
    """Round pits (sign -1) or bumps (sign 1), 3-10 mm across, on a plane."""
    z = np.zeros((SIDE, SIDE))
    at = np.arange(SIDE) * STEP_MM
    for _ in range(count):
        x, y = rng.uniform(0, SIDE * STEP_MM, 2)
        radius = rng.uniform(1.5, 5)
        rows, cols = np.abs(at - y) < radius, np.abs(at - x) < radius
        far = ((at[rows, None] - y) ** 2 + (at[None, cols] - x) ** 2) / radius**2
        where = np.ix_(rows, cols)
        z[where] = np.maximum(z[where], radius * np.clip(1 - far, 0, None) ** 1.5)
    return np.asarray(sign * z * (sq_mm / z.std()))


def ridges(
    rng: np.random.Generator, lay_deg: float, shape: tuple[int, int] = (540, 500), wander: float = 0.2
) -> FloatArray:
    """Ridges 7 mm apart, as a scarifier leaves, along `lay_deg` counter-clockwise from +x (row 0 on top)."""
    height, width = shape
    y = ((height - 1) / 2 - np.arange(height))[:, None] * STEP_MM
    x = (np.arange(width) - (width - 1) / 2)[None, :] * STEP_MM
    lay = np.deg2rad(lay_deg)
    across = -x * np.sin(lay) + y * np.cos(lay)
    phase = filters.low_pass(rng.standard_normal(shape), STEP_MM, 25.0)
    rough = filters.low_pass(rng.standard_normal(shape), STEP_MM, 2.0)
    waves = np.abs(np.sin(np.pi * across / 7.0 + 2 * wander * phase / phase.std()))
    return np.asarray(0.3 * waves + 0.05 * rough / rough.std())


def noise(rng: np.random.Generator, sq_mm: float, shape: tuple[int, int] = (SIDE, SIDE)) -> FloatArray:
    """Smooth Gaussian noise with the given Sq in the main band."""
    z = filters.low_pass(rng.standard_normal(shape), STEP_MM, 2.0).astype(float)
    return np.asarray(z * (sq_mm / filters.band_pass(z, STEP_MM, MAIN).std()))


def height_map(
    height: FloatArray,
    halves: tuple[FloatArray, FloatArray] | None = None,
    *,
    transfer: Transfer | None = None,
    u_scale: float = 0.0,
    valid: BoolArray | None = None,
    px_per_mm: float = PX_PER_MM,
) -> HeightMap:
    """A map centred on the window."""
    rows, cols = height.shape
    return HeightMap(
        height_mm=height.astype(np.float32),
        valid=np.ones(height.shape, dtype=bool) if valid is None else valid,
        px_per_mm=px_per_mm,
        x_min_mm=-cols / px_per_mm / 2,
        y_max_mm=rows / px_per_mm / 2,
        halves=None if halves is None else (halves[0].astype(np.float32), halves[1].astype(np.float32)),
        transfer=transfer or perfect(),
        shortest_trusted_mm=1.0,
        u_scale=u_scale,
        agreement=0.9,
        method="made for a test",
    )


def noisy_map(rng: np.random.Generator, surface: FloatArray, noise_mm: float, **more: object) -> HeightMap:
    """A surface seen twice, noise independent; that of the mean map has Sq `noise_mm` in the main band."""
    one, two = (surface + noise(rng, noise_mm * np.sqrt(2), surface.shape) for _ in range(2))
    return height_map((one + two) / 2, (one, two), **more)  # type: ignore[arg-type]
