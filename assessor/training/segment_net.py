"""The network that tells dirt and aggregate at every sample: a small U-net that also knows the picture's own average.

Half a million parameters; the average stands at the bottom, so that "darker than the rest" can be told from "dark".
"""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional

from assessor.training.dirt_kinds import CLASSES

CHANNELS = 6
STONES = 3
WIDTHS = (20, 32, 56, 88)


class Twice(nn.Module):
    """Two 3 x 3 convolutions."""

    def __init__(self, before: int, after: int, spread: int = 1) -> None:
        super().__init__()
        self.one = nn.Conv2d(before, after, 3, padding=1, bias=False)
        self.norm_one = nn.BatchNorm2d(after)
        self.two = nn.Conv2d(after, after, 3, padding=spread, dilation=spread, bias=False)
        self.norm_two = nn.BatchNorm2d(after)

    def forward(self, x: Tensor) -> Tensor:
        """(batch, before, h, w) to (batch, after, h, w)."""
        x = functional.relu(self.norm_one(self.one(x)))
        return functional.relu(self.norm_two(self.two(x)))


class SegmentNet(nn.Module):
    """(batch, 6, h, w), sides multiples of 16, to logits of CLASSES (batch, 11, h, w) and stones (batch, 3, h, w)."""

    def __init__(self, stones: bool = True) -> None:
        super().__init__()
        a, b, c, d = WIDTHS
        self.enter, self.second, self.third = Twice(CHANNELS, a), Twice(a, b), Twice(b, c)
        self.fourth, self.deep = Twice(c, d), Twice(d, d, spread=3)
        self.told = nn.Linear(2 * d, d)
        self.up_third = Twice(d + c, c)
        self.up_second = Twice(c + b, b)
        self.up_first = Twice(b + a, a)
        self.kinds = nn.Conv2d(a, len(CLASSES), 1)
        self.stones = nn.Conv2d(a, STONES, 1) if stones else None

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        """Both heads; without stones the second is empty."""
        one = self.enter(x)
        two = self.second(functional.max_pool2d(one, 2))
        three = self.third(functional.max_pool2d(two, 2))
        four = self.fourth(functional.max_pool2d(three, 2))
        four = four + self.deep(functional.max_pool2d(four, 2)).repeat_interleave(2, 2).repeat_interleave(
            2, 3
        )
        mean = four.mean((2, 3))
        spread = ((four - mean[..., None, None]) ** 2).mean((2, 3)).add(1e-6).sqrt()
        four = four + self.told(torch.cat([mean, spread], 1))[..., None, None]
        three = self.up_third(torch.cat([_up(four), three], 1))
        two = self.up_second(torch.cat([_up(three), two], 1))
        one = self.up_first(torch.cat([_up(two), one], 1))
        kinds = self.kinds(one)
        return kinds, self.stones(one) if self.stones is not None else kinds[:, :0]


def _up(x: Tensor) -> Tensor:
    return functional.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)


def segment_input(log_rgb: Tensor) -> Tensor:
    """(batch, 3, h, w) log reflectance to the six channels that `surface.segment.channels` makes of a floor image."""
    grey = log_rgb[:, 1:2]
    parts = torch.cat([grey, log_rgb[:, 0:1] - grey, log_rgb[:, 2:3] - grey], 1)
    middle = parts.flatten(2).median(2).values[..., None, None]
    level = torch.cat([grey + 1.2, parts[:, 1:]], 1)
    return torch.cat([2 * (parts - middle), level], 1)
