"""Random fields in batches on any device: spectral noise and jittered cells, which all simulated floors are made of.

Everything is drawn from a `Draw`, so that one seed gives one data set on one device.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import torch
from torch import Tensor
from torch.nn import functional

TABLE = 128  # cells repeat after this many, further than any window reaches at the pitches used


def fused(function: Callable[..., Any]) -> Callable[..., Any]:
    """Run a pure function of tensors as one kernel where the first one lies on a GPU; elsewhere as it stands."""

    @cache
    def compiled() -> Callable[..., Any]:
        return torch.compile(function, dynamic=False)

    def run(first: Tensor, *rest: Any, **named: Any) -> Any:
        if first.is_cuda and function not in _BROKEN:
            try:
                return compiled()(first, *rest, **named)
            except Exception as error:  # a compiler that fails costs time, not the run
                _BROKEN.add(function)
                print(f"{function.__name__} is not compiled: {type(error).__name__}", flush=True)
        return function(first, *rest, **named)

    return run


_BROKEN: set[Callable[..., Any]] = set()


class Draw:
    """Random numbers for a batch: every method gives one value per scene, shape (batch, 1, 1)."""

    def __init__(self, batch: int, seed: int, device: str) -> None:
        self.batch, self.device = batch, device
        self.rng = torch.Generator(device=device).manual_seed(seed)

    def uniform(self, low: float, high: float) -> Tensor:
        """Uniform in [low, high)."""
        return low + (high - low) * self._rand(self.batch, 1, 1)

    def log_uniform(self, low: float, high: float) -> Tensor:
        """Uniform in the logarithm."""
        ratio = torch.tensor(high / low, device=self.device)
        return low * ratio ** self._rand(self.batch, 1, 1)

    def normal(self, sd: float = 1.0) -> Tensor:
        """Normal about 0."""
        return sd * torch.randn(self.batch, 1, 1, generator=self.rng, device=self.device)

    def chance(self, p: float) -> Tensor:
        """1 with probability p, else 0."""
        return (self._rand(self.batch, 1, 1) < p).float()

    def pick(self, values: list[float]) -> Tensor:
        """One of the values."""
        at = torch.randint(len(values), (self.batch, 1, 1), generator=self.rng, device=self.device)
        return torch.tensor(values, device=self.device)[at]

    def white(self, *shape: int) -> Tensor:
        """Independent normal numbers, (batch, *shape)."""
        return torch.randn(self.batch, *shape, generator=self.rng, device=self.device)

    def table(self, *shape: int) -> Tensor:
        """Independent uniform numbers, (batch, *shape)."""
        return self._rand(self.batch, *shape)

    def number(self, below: int) -> int:
        """One whole number for the whole batch."""
        return int(torch.randint(below, (1,), generator=self.rng, device=self.device).item())

    def seed(self) -> int:
        """A number to seed another stream."""
        return int(torch.randint(2**40, (1,), generator=self.rng, device=self.device).item())

    def _rand(self, *shape: int) -> Tensor:
        return torch.rand(*shape, generator=self.rng, device=self.device)


@dataclass(frozen=True)
class Grid:
    """A square raster centred on the window; row 0 lies at the largest y."""

    n: int
    px_per_mm: float
    device: str

    @property
    def at_mm(self) -> Tensor:
        """(n,) positions of the samples."""
        return (torch.arange(self.n, device=self.device) + 0.5 - self.n / 2) / self.px_per_mm

    @property
    def x(self) -> Tensor:
        """(1, 1, n) mm."""
        return self.at_mm.view(1, 1, -1)

    @property
    def y(self) -> Tensor:
        """(1, n, 1) mm."""
        return -self.at_mm.view(1, -1, 1)


def spectral(
    draw: Draw,
    grid: Grid,
    *,
    short_mm: Tensor,
    long_mm: Tensor,
    hurst: Tensor,
    stretch: Tensor | None = None,
    angle: Tensor | None = None,
) -> Tensor:
    """Gaussian fields (batch, n, n) of unit deviation, self-affine between two wavelengths; settings (batch, 1, 1).

    Power falls as f^(-2 (hurst + 1)) above 1/long_mm, flat below. stretch > 1 makes it longer along `angle` (rad).
    """
    n = grid.n
    f = torch.fft.fftfreq(n, 1 / grid.px_per_mm, device=grid.device).view(1, -1, 1)
    g = torch.fft.rfftfreq(n, 1 / grid.px_per_mm, device=grid.device).view(1, 1, -1)
    if stretch is None or angle is None:
        square = f * f + g * g
    else:
        along = g * torch.cos(angle) - f * torch.sin(angle)
        across = g * torch.sin(angle) + f * torch.cos(angle)
        square = (along * stretch) ** 2 + (across / stretch.sqrt()) ** 2
    low = 1 / long_mm
    amplitude = (square + low * low) ** (-(hurst + 1) / 2) * torch.exp(-0.5 * square * short_mm**2)
    amplitude[:, 0, 0] = 0
    field = torch.fft.irfft2(torch.fft.rfft2(draw.white(n, n)) * amplitude, s=(n, n))
    return unit(field)


def soft(draw: Draw, grid: Grid, short_mm: float, long_mm: float, hurst: float = 0.5) -> Tensor:
    """Smooth fields made on a coarser grid: wavelengths over 1 mm only."""
    step = max(int(grid.px_per_mm * short_mm / 4), 1)
    coarse = Grid(max(grid.n // step, 16), grid.px_per_mm * max(grid.n // step, 16) / grid.n, grid.device)
    one = torch.ones(1, 1, 1, device=grid.device)
    field = spectral(draw, coarse, short_mm=short_mm / 3 * one, long_mm=long_mm * one, hurst=hurst * one)
    return enlarge(field, grid.n)


def enlarge(field: Tensor, n: int) -> Tensor:
    """(batch, m, m) to (batch, n, n), smoothly."""
    if field.shape[-1] == n:
        return field
    return functional.interpolate(field[:, None], size=(n, n), mode="bicubic", align_corners=False)[:, 0]


def unit(field: Tensor) -> Tensor:
    """Mean 0 and deviation 1 for each scene."""
    field = field - field.mean((-2, -1), keepdim=True)
    return field / field.std((-2, -1), keepdim=True).clamp_min(1e-9)


@dataclass(frozen=True)
class Cells:
    """Nearest particle of every sample: q = (distance / its radius)^2, its number, where the sample lies from it."""

    q: Tensor
    index: Tensor
    dx: Tensor
    dy: Tensor

    def of(self, table: Tensor) -> Tensor:
        """Look up a property of each sample's particle; table (batch, TABLE * TABLE)."""
        flat = self.index.reshape(self.index.shape[0], -1)
        return torch.gather(table, 1, flat).reshape(self.index.shape)


def cells(
    draw: Draw,
    grid: Grid,
    pitch_mm: Tensor,
    *,
    share: Tensor,
    warp_mm: Tensor | None = None,
    spread: float = 0.5,
    jitter: float = 0.9,
) -> Cells:
    """Particles on a jittered lattice: share of the places taken, radii pitch / 2 x (1 +- spread).

    Lattice and jitter instead of free placing: nine neighbours are all that can be nearest, so it runs on a GPU.
    """
    x, y = grid.x + draw.uniform(0, 50), grid.y + draw.uniform(0, 50)
    if warp_mm is not None:
        x, y = x + warp_mm, y + warp_mm.transpose(1, 2)
    u, v = torch.broadcast_tensors(x / pitch_mm, y / pitch_mm)
    off = jitter * (draw.table(2, TABLE * TABLE) - 0.5)
    size = 0.5 * (1 + spread * (2 * draw.table(TABLE * TABLE) - 1))
    there = draw.table(TABLE * TABLE) < share[:, 0]
    radius = torch.where(there, size, torch.full_like(size, 1e-3))
    q, index, dx, dy = _nearest(u.contiguous(), v.contiguous(), off[:, 0], off[:, 1], radius)
    return Cells(q, index, dx * pitch_mm, dy * pitch_mm)


@fused
def _nearest(u: Tensor, v: Tensor, jitter_u: Tensor, jitter_v: Tensor, radius: Tensor) -> tuple[Tensor, ...]:
    """The nearest of the nine particles about each sample, in units of the lattice."""
    iu, iv = u.floor(), v.floor()
    best = torch.full_like(u, 1e9)
    index = torch.zeros_like(u, dtype=torch.int64)
    dx, dy = torch.zeros_like(u), torch.zeros_like(u)
    for du in (-1, 0, 1):
        for dv in (-1, 0, 1):
            cu, cv = iu + du, iv + dv
            at = torch.remainder(cu, TABLE).long() * TABLE + torch.remainder(cv, TABLE).long()
            flat = at.flatten(1)
            ax = u - cu - 0.5 - torch.gather(jitter_u, 1, flat).view_as(u)
            ay = v - cv - 0.5 - torch.gather(jitter_v, 1, flat).view_as(u)
            q = (ax * ax + ay * ay) / torch.gather(radius, 1, flat).view_as(u) ** 2
            closer = q < best
            best = torch.where(closer, q, best)
            index = torch.where(closer, at, index)
            dx, dy = torch.where(closer, ax, dx), torch.where(closer, ay, dy)
    return best, index, dx, dy


def blur(field: Tensor, sd_px: float | Tensor) -> Tensor:
    """Gaussian blur of (batch, ..., n, n) with reflecting ends; sd_px one number or one per scene."""
    sd = torch.as_tensor(sd_px, device=field.device, dtype=field.dtype).reshape(-1)
    largest = float(sd.max())
    if largest < 0.05:
        return field
    half = min(int(4 * largest) + 1, field.shape[-1] - 1)
    at = torch.arange(-half, half + 1, device=field.device, dtype=field.dtype)
    kernel = torch.exp(-0.5 * (at / sd.clamp_min(0.05)[:, None]) ** 2)
    kernel = kernel / kernel.sum(1, keepdim=True)
    shape = field.shape
    flat = field.reshape(shape[0], -1, *shape[-2:])
    channels = flat.shape[1]
    if len(kernel) == 1:
        kernel = kernel.expand(shape[0], -1)
    kernel = kernel.repeat_interleave(channels, 0)
    image = flat.reshape(1, -1, *shape[-2:])
    for across in (True, False):
        pad = (half, half, 0, 0) if across else (0, 0, half, half)
        weight = kernel[:, None, None, :] if across else kernel[:, None, :, None]
        image = functional.conv2d(functional.pad(image, pad, mode="reflect"), weight, groups=image.shape[1])
    return image.reshape(shape)


def shrink(field: Tensor, factor: int) -> Tensor:
    """Area average of (batch, ..., n, n) by a whole factor."""
    shape = field.shape
    return functional.avg_pool2d(field.reshape(-1, 1, *shape[-2:]), factor).reshape(
        *shape[:-2], shape[-2] // factor, shape[-1] // factor
    )
