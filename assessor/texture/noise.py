"""Separate the surface from the noise of a height map by its two independent halves.

Two disjoint sets of photos see one surface s with independent errors: A = s + n1, B = s + n2. Bin by bin of
the cosine spectrum A B then averages to s^2 whatever the noise, and summed over a band it is the variance of
the surface. Its sampling error needs no model: (A^2 - B^2) / 2 = s (n1 - n2) + (n1^2 - n2^2) / 2 scatters as
A B - s^2 = s (n1 + n2) + n1 n2 does, so the sum of squares of the former is the variance of the latter.

Each bin is divided by the transfer of the height map where that exceeds one half. Shorter waves are not
divided: their power is carried on from the two octaves before as a power law, and half of it is the
uncertainty.

Parameters which are no sums of squares (peaks above all) are freed of noise by making it worse: the halves'
own difference is added, to twice and three times the noise's amplitude, and the curve is followed back to none
(simulation extrapolation, Cook and Stefanski 1994, J. Am. Stat. Assoc. 89, 1314). The square of the parameter
is taken as quadratic in the noise amplitude, which is exact both where peaks add to noise (a + b x) and where
variances do.

Source: design section 4 (noise and unbiased Sq), study.md part 1 section 6 and part 4 E2.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from assessor.texture.filters import Spectrum
from assessor.values import BoolArray, FloatArray, Transfer

# Bins are summed in blocks of this side before squaring, so that noise which varies over the window (and so
# ties neighbouring bins together) is counted whole.
_BLOCK = 4
# Share of a band's weight in bins not trusted, above which an unknown tail makes its power unknown.
_MOST_UNKNOWN = 0.02


@dataclass(frozen=True, eq=False)
class Evidence:
    """Spectra of one height map with its halves, divided by the transfer where that is trusted.

    mean: the map. noise: half the halves' difference, or None where there are none. signal (K, L): power of
    the surface in each bin, noise-free on average, mm^2. scatter (K, L): its sum of squares is the variance
    of the signal's sum. u_gain (K, L): relative standard uncertainty of the amplitude. trusted (K, L):
    transfer over the limit. tail (K, L): power carried on into the bins not trusted, mm^2, with u_tail_least
    its smallest uncertainty per bin, from noise; tail_known is False where too few bins are trusted to carry
    anything on.
    """

    mean: Spectrum
    halves: tuple[Spectrum, Spectrum] | None
    noise: Spectrum | None
    signal: FloatArray
    scatter: FloatArray
    u_gain: FloatArray
    trusted: BoolArray
    tail: FloatArray
    u_tail_least: float
    tail_known: bool


@dataclass(frozen=True, slots=True)
class Power:
    """A weighted sum of surface power with its uncertainties, all in the sum's unit (mm^2 for heights).

    value: trusted + lost. lost: the part carried on beyond the trusted bins. in_map: what the (undivided
    there) map holds of it, without noise. noise: power of the mean map's noise, NaN without halves.
    """

    value: float
    lost: float
    in_map: float
    noise: float
    u_noise: float
    u_transfer: float
    u_lost: float

    @property
    def u(self) -> float:
        """Standard uncertainty from noise, transfer and lost waves."""
        return math.sqrt(self.u_noise**2 + self.u_transfer**2 + self.u_lost**2)


def gather(
    mean: Spectrum, halves: tuple[Spectrum, Spectrum] | None, transfer: Transfer, least_transfer: float = 0.5
) -> Evidence:
    """Combine the spectra of a map and its halves with the map's transfer.

    All spectra share shape and bins. ValueError where they do not.
    """
    radial = mean.radial()
    wavelength = 1.0 / np.maximum(radial, 1e-9)
    amplitude, u_amplitude = transfer.at(wavelength), transfer.u_at(wavelength)
    trusted = amplitude > least_transfer
    gain = np.where(trusted, 1.0 / np.maximum(amplitude, least_transfer), 1.0)
    u_gain = np.where(trusted, u_amplitude * gain, 0.0)
    corrected = mean.times(gain)
    noise, pair = None, None
    signal = np.square(corrected.coefficients, dtype=np.float64)
    scatter = np.zeros_like(signal)
    if halves is not None:
        if any(half.coefficients.shape != mean.coefficients.shape for half in halves):
            raise ValueError("the halves must have the map's shape")
        pair = (halves[0].times(gain), halves[1].times(gain))
        one, two = (np.asarray(half.coefficients, dtype=np.float64) for half in pair)
        signal, scatter = one * two, (one - two) * (one + two) / 2
        noise = Spectrum((one - two) / 2, mean.shape, mean.spacing_mm)
    tail, u_least, known = _carry_on(signal, scatter, radial, trusted)
    return Evidence(corrected, pair, noise, signal, scatter, u_gain, trusted, tail, u_least, known)


def power(evidence: Evidence, weights: FloatArray) -> Power:
    """Sum the surface's power over all bins with the given power weights (K, L), per sample of the map."""
    share = weights / (evidence.mean.shape[0] * evidence.mean.shape[1])
    parts = share * evidence.signal
    trusted = float(np.sum(parts, where=evidence.trusted))
    lost = float(np.sum(share * evidence.tail))
    unseen_weight = float(np.sum(share, where=~evidence.trusted))
    if not evidence.tail_known and unseen_weight > _MOST_UNKNOWN * float(np.sum(share)):
        lost = math.inf
    noise = math.nan
    if evidence.noise is not None:
        noise = float(np.sum(share * np.square(evidence.noise.coefficients, dtype=np.float64)))
    blocks = _block_sums(np.where(evidence.trusted, share * evidence.scatter, 0.0))
    return Power(
        value=trusted + lost,
        lost=lost,
        in_map=float(np.sum(parts)),
        noise=noise,
        u_noise=math.sqrt(float(np.sum(blocks**2))),
        # One error of the transfer moves all wavelengths alike, so it adds up linearly.
        u_transfer=abs(2.0 * float(np.sum(parts * evidence.u_gain, where=evidence.trusted))),
        u_lost=math.hypot(0.5 * lost, evidence.u_tail_least * unseen_weight),
    )


def noise_maps(evidence: Evidence, weights: FloatArray, grid_shape: tuple[int, int]) -> list[FloatArray]:
    """The map's own noise in a band (amplitude weights), on `grid_shape`; an empty list where there are no halves.

    It is half the halves' difference itself, not a draw of the same spectrum: noise is many times larger on flanks
    than on plains, and must be added where it is.
    """
    return [] if evidence.noise is None else [evidence.noise.times(weights).height(grid_shape)]


def without_noise(
    measure: Callable[[FloatArray], FloatArray], noisy: FloatArray, noises: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Square of height-like parameters freed of noise by extrapolation, and its standard uncertainty.

    measure: map -> (n,) parameters that scale with height. noisy (H, W): the map; noises: maps of noise like
    its own. Returns (squares, u), each (n,); u is zero without noise maps.
    """
    plain = measure(noisy) ** 2
    if not noises:
        return plain, np.zeros_like(plain)
    linear, pulls = [], []
    for extra in noises:
        # Pairs of both signs: the part linear in the added noise cancels instead of adding scatter.
        twice = [measure(noisy + sign * math.sqrt(3.0) * extra) ** 2 for sign in (1, -1)]
        thrice = [measure(noisy + sign * math.sqrt(8.0) * extra) ** 2 for sign in (1, -1)]
        linear.append((twice[0] - twice[1]) / 2 / math.sqrt(3.0))
        pulls.append(-3.0 * (twice[0] + twice[1]) / 2 + (thrice[0] + thrice[1]) / 2)
    own = np.mean(np.square(linear), axis=0)
    added = np.var(pulls, axis=0, ddof=1) / len(noises) if len(noises) > 1 else np.zeros_like(plain)
    return 3.0 * plain + np.mean(pulls, axis=0), np.sqrt(own + added)


def noise_scatter(
    measure: Callable[[FloatArray], FloatArray], noisy: FloatArray, noises: Sequence[FloatArray]
) -> FloatArray:
    """Standard deviation that the map's noise gives to any parameters (n,) of it; zero without noise maps."""
    if not noises:
        return np.zeros_like(measure(noisy))
    halves = [(measure(noisy + extra) - measure(noisy - extra)) / 2 for extra in noises]
    return np.asarray(np.sqrt(np.mean(np.square(halves), axis=0)))


def bracket_range(mean: FloatArray, one: FloatArray, two: FloatArray) -> tuple[float, float]:
    """Bounds of highest minus lowest height of a surface seen in a noisy map and its two halves.

    The map's own range takes the highest of all noise with it: too high on average. Reading one half where
    the other is extreme takes none, but misses the true place: too low on average. All maps (n,), the unit of
    height.
    """
    high = float(np.max(mean) - np.min(mean))
    crossed = [to[np.argmax(at)] - to[np.argmin(at)] for at, to in ((one, two), (two, one))]
    return min(max(float(np.mean(crossed)), 0.0), high), high


def _carry_on(
    signal: FloatArray, scatter: FloatArray, radial: FloatArray, trusted: BoolArray
) -> tuple[FloatArray, float, bool]:
    """Power law of the last two trusted octaves on the bins not trusted; its least u per bin; if known."""
    tail = np.zeros_like(signal)
    if trusted.all():
        return tail, 0.0, True
    limit = float(radial[~trusted].min())
    octaves = [
        trusted & (radial >= limit * low) & (radial < limit * low * 2) & (radial > 0) for low in (0.25, 0.5)
    ]
    if not all(octave.any() for octave in octaves):
        return tail, 0.0, False
    before, last = (float(signal[octave].mean()) for octave in octaves)
    u_last = math.sqrt(float(np.sum(scatter[octaves[1]] ** 2))) / int(octaves[1].sum())
    if last <= 0:
        return tail, u_last, True
    # A surface's power falls toward short waves; where noise says otherwise, carry on level.
    slope = min(max(math.log2(before / last), 0.0), 8.0) if before > 0 else 0.0
    centre = float(np.exp(np.log(radial[octaves[1]]).mean()))
    unseen = ~trusted
    tail[unseen] = last * (radial[unseen] / centre) ** -slope
    return tail, u_last, True


def _block_sums(values: FloatArray) -> FloatArray:
    rows, cols = (-(-side // _BLOCK) for side in values.shape)
    padded = np.zeros((rows * _BLOCK, cols * _BLOCK))
    padded[: values.shape[0], : values.shape[1]] = values
    return np.asarray(padded.reshape(rows, _BLOCK, cols, _BLOCK).sum(axis=(1, 3)))
