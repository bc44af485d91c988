"""Weights of two height maps of one spot, wavelength by wavelength, from the error power of each.

Kept apart from `fuse` so that the weighing can be read, and tested, without the maps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from assessor.texture.filters import Spectrum
from assessor.values import BoolArray, FloatArray, Transfer

Spectra = tuple[Spectrum, Spectrum, Spectrum]  # of the map and its two halves


@dataclass(frozen=True, slots=True)
class FuseSettings:
    """Bands of comparison, what halves can't show, and when the two kinds disagree."""

    shared_short_mm: float = 2.5  # both kinds pass these waves and are quiet in them (study.md parts 1 and 2)
    shared_long_mm: float = 8.0  # over it uneven light bends the torch's map (study.md part 4 E5)
    register_short_mm: float = 1.2  # short waves place a map best; below, the angles' transfer is under 0.65
    most_shift_mm: float = 1.0
    most_u_shift_mm: float = 0.1  # a shift known worse is left alone, and one of fewer u than ...
    least_shift_u: float = 3.0
    # What both halves of a kind share and their difference can't show. The angles' error on flat speckle (study.md part
    # 1, 6), white down to angles_least_mm; the torch's under 1 % uneven light (part 4 E5) from shared_long_mm to
    # torch_bend_to_mm, growing with the square of the wavelength, and more where the light was found
    # uneven; what these maps themselves say of it is averaged in.
    angles_shared_mm: float = 0.003
    angles_least_mm: float = 0.8
    torch_bend_mm: float = 0.0045
    torch_bend_to_mm: float = 25.0
    uneven_factor: float = 3.0
    least_transfer: float = 0.5  # waves passed less are not divided (design section 4) ...
    full_transfer: float = 0.6  # ... and from here on they are, with a smooth start between
    disagree_u: float = 3.0
    disagree_share: float = 0.15
    max_ratio: float = 1.6  # of one kind's heights over the other's: beyond, they show two floors


@dataclass(frozen=True, slots=True)
class Scales:
    """What each kind's heights are divided by, their common relative u, what each has beside it, and agreement."""

    angles: float
    torch: float
    u_common: float
    u_angles: float
    u_torch: float
    disagree: bool


def bend_power(frequency_per_mm: FloatArray, of: Spectrum, bend_mm2: float, use: FuseSettings) -> FloatArray:
    """Power per bin of a spectrum of the error that uneven light leaves in both halves of the torch, mm^2.

    bend_mm2: its mean square from shared_long_mm to torch_bend_to_mm.
    """
    longest = 1.0 / use.shared_long_mm

    def shape(frequency: FloatArray) -> FloatArray:
        # Amplitude grows with the square of the wavelength; below the unevenness' own waves next to nothing is left.
        waves = longest / np.maximum(frequency, 1e-3)
        return np.asarray(waves**4 * np.minimum(waves, 1.0) ** 8)

    named = shape(of.radial()[_long(of, use)])
    return shape(frequency_per_mm) * (bend_mm2 * math.prod(of.shape) / max(float(named.sum()), 1e-30))


def usual_bend_mm2(uneven: bool, use: FuseSettings) -> float:
    """Mean square of what uneven light does, before these maps are asked."""
    return (use.torch_bend_mm * (use.uneven_factor if uneven else 1.0)) ** 2


def _found_bend_mm2(
    halves: Sequence[tuple[FloatArray, FloatArray]], of: Spectrum, usual_mm2: float, use: FuseSettings
) -> float:
    """What these maps say of the torch's bend: the kinds' difference is seen twice with independent noise.

    Averaged with the usual value, taken as sure to 100 %, by inverse variance; never below a twentieth of it.
    """
    first, second = ((a - t)[_long(of, use)] for a, t in halves)
    cells = math.prod(of.shape)
    found = float(np.sum(first * second)) / cells
    variance = float(np.sum(((first**2 - second**2) / 2) ** 2)) / cells**2 + 1e-24
    joint = (found / variance + 1.0 / usual_mm2) / (1.0 / variance + 1.0 / usual_mm2**2)
    return max(joint, 0.05 * usual_mm2)


def _long(of: Spectrum, use: FuseSettings) -> BoolArray:
    radial = of.radial()
    return np.asarray((radial > 1.0 / use.torch_bend_to_mm) & (radial < 1.0 / use.shared_long_mm))


@dataclass(frozen=True, eq=False)
class Waves:
    """Factors of both kinds by frequency (nodes, log), and what the joint map passes."""

    log_frequency: FloatArray
    angles: FloatArray
    torch: FloatArray
    transfer: Transfer

    def on(self, of: Spectrum) -> tuple[FloatArray, FloatArray]:
        """Factors on each bin, (K, L) each."""
        at = np.log(np.maximum(of.radial(), 1e-9))
        one, two = (np.interp(at, self.log_frequency, part) for part in (self.angles, self.torch))
        return np.asarray(one, dtype=np.float32), np.asarray(two, dtype=np.float32)


class _Octaves:
    """Mean power per bin by frequency, smoothed over an octave, at nodes a sixteenth of an octave apart."""

    def __init__(self, of: Spectrum) -> None:
        place = 16.0 * np.log2(np.maximum(of.radial(), 1e-9))
        place[0, 0] = np.inf  # the mean height belongs to no wave
        first = math.floor(float(place.min()))
        last = math.ceil(float(place[np.isfinite(place)].max()))
        self.log_frequency = np.arange(first, last + 1) * (math.log(2.0) / 16.0)
        place[0, 0] = first
        self.node = np.rint(place - first).astype(np.intp).ravel()
        self.count = self._sum(np.ones(of.coefficients.shape))

    def _sum(self, values: FloatArray) -> FloatArray:
        summed = np.bincount(self.node, values.ravel(), len(self.log_frequency))
        return np.asarray(ndimage.gaussian_filter1d(summed, 16.0 / 2.355, mode="constant"))

    def mean(self, power: FloatArray) -> FloatArray:
        """Mean of a power (K, L) at each node."""
        return np.asarray(self._sum(power) / np.maximum(self.count, 1e-9))


def weigh_waves(
    spectra: tuple[Spectra, Spectra],
    transfers: tuple[Transfer, Transfer],
    scales: Scales,
    uneven: bool,
    use: FuseSettings,
) -> Waves:
    """Weights of both kinds by inverse error power, and the transfer of the joint map."""
    whole, octaves = spectra[0][0], _Octaves(spectra[0][0])
    wavelength = np.exp(-octaves.log_frequency)
    passed = [np.maximum(one.at(wavelength), 1e-3) for one in transfers]
    trust = [
        np.clip((t - use.least_transfer) / (use.full_transfer - use.least_transfer), 0.0, 1.0) for t in passed
    ]
    relative = [
        np.hypot(one.u_at(wavelength) / t, own)
        for one, t, own in zip(transfers, passed, (scales.u_angles, scales.u_torch), strict=True)
    ]
    _, a, b = (np.asarray(of.coefficients, dtype=np.float64) for of in spectra[0])
    _, c, d = (np.asarray(of.coefficients, dtype=np.float64) for of in spectra[1])
    crossed = [octaves.mean(x * y) / t**2 for x, y, t in zip((a, c), (b, d), passed, strict=True)]
    surface = np.maximum(np.where(trust[0] * passed[0] > trust[1] * passed[1], crossed[0], crossed[1]), 0.0)
    seen = int(np.count_nonzero(whole.radial() < 1.0 / use.angles_least_mm))
    white = use.angles_shared_mm**2 * math.prod(whole.shape) / seen
    # Long waves pass both kinds whole, so that no transfer stands between them there.
    halves = [(x / scales.angles, y / scales.torch) for x, y in ((a, c), (b, d))]
    bend = _found_bend_mm2(halves, whole, usual_bend_mm2(uneven, use), use)
    shared = [np.full(len(wavelength), white), bend_power(1.0 / wavelength, whole, bend, use)]
    error = [
        octaves.mean((x - y) ** 2 / 4.0) / t**2 + common / t**2 + surface * u**2 + 1e-12
        for x, y, t, u, common in zip((a, c), (b, d), passed, relative, shared, strict=True)
    ]
    certain = [own / power for own, power in zip(trust, error, strict=True)]
    total = certain[0] + certain[1]
    # Where neither is trusted the torch stands alone, as it passes them.
    share = np.where(total > 0, certain[0] / np.maximum(total, 1e-30), 0.0)
    share = np.asarray(ndimage.gaussian_filter1d(share, 4.0, mode="nearest")) * trust[0]
    # Divided in full where either is trusted in full, not at all where neither is, and smoothly between.
    fully = np.maximum(share, trust[1])
    left = passed[1] ** (1.0 - fully)
    u = left * np.hypot(share * relative[0], (1.0 - share) * relative[1])
    back = slice(None, None, -1)
    transfer = Transfer(wavelength[back], left[back], u[back], "of both kinds joined by their noise")
    one = left * share / (passed[0] * scales.angles)
    two = left * (1.0 - share) / (passed[1] * scales.torch)
    return Waves(octaves.log_frequency, one, two, transfer)
