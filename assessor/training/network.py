"""The network: a window's log reflectance and numbers about light and photo in, a distribution of log2 Sq out.

It sees the whole window at once, so that what the parts of one photo share is learnt and not assumed away (70-85 % of
the error of such a model is common to the whole photo, so the square root of the number of tiles promises too much).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn import functional

from assessor.texture.look import N_LIGHT, N_PHOTO

BINS = 36  # of the ordinal head: a quarter of an octave each
LOW_LOG2, BIN = -7.0, 0.25
SCALES = 7  # of band energies
DIRECTIONAL = 4  # scales at which slopes are told by direction
STEEP = 20.0  # small contrasts are shown a second time, this much stronger


@dataclass(frozen=True)
class NetConfig:
    """Sizes; channels: of the input, photos: how many sets of light and photo numbers come with it."""

    channels: int = 3
    photos: int = 1
    widths: tuple[int, ...] = (32, 64, 128, 192, 256)
    depths: tuple[int, ...] = (0, 1, 2, 3, 2)
    drop: float = 0.1

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


class Block(nn.Module):
    """Residual bottleneck whose middle is scaled and shifted by what is known of the light."""

    def __init__(self, width: int, told: int) -> None:
        super().__init__()
        middle = width // 2
        self.enter = nn.Conv2d(width, middle, 1, bias=False)
        self.norm = nn.BatchNorm2d(middle)
        self.conv = nn.Conv2d(middle, middle, 3, padding=1, bias=False)
        self.norm2 = nn.BatchNorm2d(middle)
        self.leave = nn.Conv2d(middle, width, 1, bias=False)
        self.norm3 = nn.BatchNorm2d(width)
        self.film = nn.Linear(told, 2 * middle)

    def forward(self, x: Tensor, told: Tensor) -> Tensor:
        """x (batch, width, n, n), told (batch, numbers); the same shape as x."""
        y = functional.relu(self.norm(self.enter(x)))
        gain, shift = self.film(told)[..., None, None].chunk(2, 1)
        y = functional.relu(self.norm2(self.conv(y)) * (1 + gain) + shift)
        return functional.relu(x + self.norm3(self.leave(y)))


class SqNet(nn.Module):
    """See the module; takes image (batch, channels, n, n), light (batch, photos * 16), photo (batch, photos * 5).

    Returns a dict: normal (batch, 2) mean and log sd of log2 Sq; bins (batch, BINS) logits of log2 Sq; lay (batch, 2);
    features (batch, 256) for the distance from what was trained on.
    """

    def __init__(self, config: NetConfig) -> None:
        super().__init__()
        self.config = config
        told = 64
        numbers = config.photos * (N_LIGHT + N_PHOTO)
        self.told = nn.Sequential(nn.Linear(numbers, told), nn.ReLU(), nn.Linear(told, told), nn.ReLU())
        w = config.widths
        self.stem = nn.Conv2d(2 * config.channels, w[0], 4, stride=2, padding=1, bias=False)
        self.stem_norm = nn.BatchNorm2d(w[0])
        self.downs, self.norms, self.stages = nn.ModuleList(), nn.ModuleList(), nn.ModuleList()
        for k in range(1, len(w)):
            self.downs.append(nn.Conv2d(w[k - 1], w[k], 3, stride=2, padding=1, bias=False))
            self.norms.append(nn.BatchNorm2d(w[k]))
            self.stages.append(nn.ModuleList(Block(w[k], told) for _ in range(config.depths[k])))
        energies = SCALES * config.channels + 3 * DIRECTIONAL
        self.mix = nn.Linear(2 * w[-1] + energies + told, 256)
        self.drop = nn.Dropout(config.drop)
        self.hidden = nn.Linear(256, 256)
        self.normal = nn.Linear(256, 2)
        self.bins = nn.Linear(256, BINS)
        self.lay = nn.Linear(256, 2)
        self.rest = nn.Linear(256, 3)

    def forward(self, image: Tensor, light: Tensor, photo: Tensor) -> dict[str, Tensor]:
        """All heads."""
        told = self.told(torch.cat([light, photo], 1))
        x = torch.cat([image, stressed(image)], 1)
        x = functional.relu(self.stem_norm(self.stem(x)))
        for down, norm, stage in zip(self.downs, self.norms, self.stages, strict=True):
            x = functional.relu(norm(down(x)))
            for block in stage:  # type: ignore[attr-defined]
                x = block(x, told)
        mean = x.mean((2, 3))
        spread = ((x - mean[..., None, None]) ** 2).mean((2, 3)).add(1e-6).sqrt()
        mixed = functional.relu(
            self.mix(torch.cat([mean, spread, band_energies(image), directional(image[:, :1]), told], 1))
        )
        features = functional.relu(self.hidden(self.drop(mixed)))
        return {
            "normal": self.normal(features), "bins": self.bins(features), "lay": self.lay(features),
            "rest": self.rest(features), "features": features,
        }  # fmt: skip


def stressed(image: Tensor) -> Tensor:
    """asinh(STEEP x) / 4, written out: small contrasts made large, large ones held."""
    large = (STEEP * image).abs()
    return 0.25 * torch.sign(image) * torch.log(large + torch.sqrt(large * large + 1))


def band_energies(image: Tensor) -> Tensor:
    """Half the log of the mean square between octaves of averaging, (batch, channels * SCALES): classical features."""
    parts = []
    fine = image
    for _ in range(SCALES):
        coarse = functional.avg_pool2d(fine, 2)
        n = 2 * coarse.shape[-1]
        up = functional.interpolate(coarse, scale_factor=2.0, mode="nearest")
        detail = fine[..., :n, :n] - up
        parts.append(0.5 * torch.log((detail**2).mean((2, 3)) + 1e-7))
        fine = coarse
    return torch.cat(parts, 1) * 0.5 + 1.5


def directional(image: Tensor) -> Tensor:
    """Structure tensor of the first channel at octaves of averaging, (batch, 3 * DIRECTIONAL).

    Half the log of the mean squared slope, and how much of it lies along x rather than y, and on the diagonals: light
    from one side shows relief by slopes toward it, colour has slopes any way.
    """
    parts = []
    for _ in range(DIRECTIONAL):
        dx = image[..., 1:, 1:] - image[..., 1:, :-1]
        dy = image[..., :-1, 1:] - image[..., 1:, 1:]
        xx, yy, xy = ((a * b).mean((2, 3)) for a, b in ((dx, dx), (dy, dy), (dx, dy)))
        total = xx + yy + 1e-8
        parts += [0.25 * torch.log(total) + 1.5, (xx - yy) / total, 2 * xy / total]
        image = functional.avg_pool2d(image, 2)
    return torch.cat(parts, 1)


def bin_middles(device: str | torch.device = "cpu") -> Tensor:
    """Middles of the ordinal head's bins, log2 mm."""
    return LOW_LOG2 + BIN * (torch.arange(BINS, device=device) + 0.5)


def losses(out: dict[str, Tensor], log2_sq: Tensor, lay: Tensor, rest: Tensor) -> Tensor:
    """Sum of the heads' losses: normal NLL, ordinal cross-entropy with soft labels, lay, and the helper targets."""
    mean, log_sd = out["normal"].float().unbind(1)
    log_sd = log_sd.clamp(-4, 2)
    nll = (0.5 * ((log2_sq - mean) / log_sd.exp()) ** 2 + log_sd).clamp_max(20).mean()
    soft = torch.exp(-0.5 * ((bin_middles(log2_sq.device) - log2_sq[:, None]) / 0.2) ** 2)
    soft = soft / soft.sum(1, keepdim=True).clamp_min(1e-9)
    cross = -(soft * functional.log_softmax(out["bins"].float(), 1)).sum(1).mean()
    near = functional.smooth_l1_loss(mean, log2_sq, beta=0.3)
    aside = 3 * known_square(out["lay"], lay) + 0.2 * known_square(out["rest"], rest)
    return nll + 0.5 * cross + near + aside


def known_square(said: Tensor, true: Tensor) -> Tensor:
    """Mean squared error over the targets that are known (not NaN)."""
    known = ~torch.isnan(true)
    off = torch.where(known, said.float() - torch.nan_to_num(true), torch.zeros_like(true))
    return (off**2).sum() / known.sum().clamp_min(1)


def unlit(
    image: Tensor, light: Tensor, photo: Tensor, lay: Tensor, turns: int
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Forget the light: numbers 0, and the window turned by quarter turns, since nobody knows which way to turn it."""
    image = torch.rot90(image, turns, (2, 3))
    c, s = (1, 0, -1, 0)[turns % 4], (0, 1, 0, -1)[turns % 4]
    photo = photo.clone()
    for k in range(0, photo.shape[1], N_PHOTO):
        x, y = photo[:, k + 2].clone(), photo[:, k + 3].clone()
        photo[:, k + 2], photo[:, k + 3] = c * x - s * y, s * x + c * y
    lay = lay if turns % 2 == 0 else -lay
    return image, torch.zeros_like(light), photo, lay


def swapped(image: Tensor, light: Tensor, photo: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """A pair told the other way round: half a turn, so that the second light now comes from where the first did."""
    image = torch.rot90(image, 2, (2, 3))
    image = torch.stack([-image[:, 0], image[:, 1]], 1)
    light = torch.cat([light[:, N_LIGHT:], light[:, :N_LIGHT]], 1).clone()
    photo = torch.cat([photo[:, N_PHOTO:], photo[:, :N_PHOTO]], 1).clone()
    for k in range(2):
        light[:, k * N_LIGHT + 2 : k * N_LIGHT + 4] *= -1
        photo[:, k * N_PHOTO + 2 : k * N_PHOTO + 4] *= -1
    return image, light, photo
