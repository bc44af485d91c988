"""Training of the segmentation: fresh floors as it goes, some kept for a while, turned and mirrored at random."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, fields

import torch
from torch import Tensor
from torch.nn import functional

from assessor.training.dirt_scenes import DirtBatch, Scale, make_dirt
from assessor.training.segment_net import SegmentNet, segment_input


@dataclass(frozen=True)
class SegmentSettings:
    """How long and how hard; gravel: share of steps that hold labelled photos of gravel."""

    seconds: float = 300
    steps: int = 10**6
    batch: int = 64
    turns: int = 6
    kept: int = 120
    rate: float = 2.5e-3
    average: float = 0.998
    gravel: float = 0.25
    seed: int = 1


def losses(net: SegmentNet, batch: DirtBatch) -> Tensor:
    """Cross entropy of kinds and stones, and one of "any patch or none", which sharpens outlines."""
    image = segment_input(batch.log_rgb.float()).contiguous(memory_format=torch.channels_last)
    with torch.autocast(image.device.type, torch.bfloat16, enabled=image.is_cuda):
        kinds, stones = net(image)
    kinds, stones = kinds.float(), stones.float()
    weight = batch.weight.float()
    each = functional.cross_entropy(kinds, batch.kind.long(), reduction="none")
    total = (each * weight).sum() / weight.sum().clamp_min(1)
    patch = 1 - kinds.softmax(1)[:, 0]
    truth = (batch.kind > 0).float()
    hit = (patch * truth * weight).sum((1, 2))
    dice = 1 - (2 * hit + 50) / (((patch + truth) * weight).sum((1, 2)) + 50)
    total = total + 0.25 * dice.mean()
    if stones.shape[1]:
        open_ = batch.stone_weight.float()[:, None].expand_as(stones)
        cross = functional.binary_cross_entropy_with_logits(stones, batch.stones.float(), reduction="none")
        total = total + 0.6 * (cross * open_).sum() / open_.sum().clamp_min(1)
        # A fraction is what people read, so a floor's mean counts by itself.
        share = (stones.sigmoid() * open_).sum((2, 3)) / open_.sum((2, 3)).clamp_min(1)
        true = (batch.stones.float() * open_).sum((2, 3)) / open_.sum((2, 3)).clamp_min(1)
        known = (open_.mean((2, 3)) > 0.3).float()
        total = total + ((share - true).abs() * known).mean()
    return total


def turned(batch: DirtBatch, rng: torch.Generator) -> DirtBatch:
    """The same, turned by quarter turns and mirrored."""
    turns, mirror = int(torch.randint(4, (1,), generator=rng)), int(torch.randint(2, (1,), generator=rng))

    def one(x: Tensor) -> Tensor:
        x = torch.rot90(x, turns, (-2, -1))
        return x.flip(-1) if mirror else x

    return DirtBatch(*(one(getattr(batch, f.name)) for f in fields(DirtBatch)))


def packed(batch: DirtBatch) -> DirtBatch:
    """In little memory."""
    return DirtBatch(
        batch.log_rgb.half(),
        batch.kind.byte(),
        batch.weight.half(),
        batch.stones.half(),
        batch.stone_weight.half(),
    )


def fit_segments(
    net: SegmentNet,
    settings: SegmentSettings,
    scale: Scale,
    *,
    maps: Tensor | None,
    gravel: DirtBatch | None = None,
    say: Callable[[str], None] = print,
) -> tuple[SegmentNet, int]:
    """Train in place; returns the running average of the weights, which is what is shipped, and the floors drawn.

    gravel: labelled photos (stones only), as `gravel_batch` cuts them.
    """
    device = next(net.parameters()).device
    mean = SegmentNet(net.stones is not None).to(device).requires_grad_(False)
    mean.load_state_dict(net.state_dict())
    opt = torch.optim.AdamW(net.parameters(), lr=settings.rate, weight_decay=0.01)
    rng = torch.Generator().manual_seed(settings.seed)
    kept: list[DirtBatch] = []
    start, step, drawn, smooth = time.monotonic(), 0, 0, 0.0
    while step < settings.steps and (spent := time.monotonic() - start) < settings.seconds:
        with torch.no_grad():
            fresh = make_dirt(
                settings.batch, settings.seed * 1_000_003 + drawn, str(device.type), scale, maps
            )
        drawn += 1
        kept = [*kept[-settings.kept + 1 :], packed(fresh)]
        progress = max(spent / settings.seconds, step / settings.steps)
        for _ in range(settings.turns):
            rate = (
                settings.rate
                * min(1.0, (step + 1) / 200)
                * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * progress)))
            )
            for group in opt.param_groups:
                group["lr"] = rate
            pick = (
                kept[int(torch.randint(len(kept), (1,), generator=rng))]
                if step % settings.turns
                else kept[-1]
            )
            net.train()
            loss = losses(net, turned(pick, rng))
            if gravel is not None and float(torch.rand(1, generator=rng)) < settings.gravel:
                some = torch.randint(len(gravel.kind), (16,), generator=rng)
                part = DirtBatch(*(getattr(gravel, f.name)[some.to(device)] for f in fields(DirtBatch)))
                loss = loss + 0.5 * losses(net, turned(part, rng))
            opt.zero_grad(set_to_none=True)
            loss.backward()  # type: ignore[no-untyped-call]
            torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
            opt.step()
            step += 1
            smooth += (float(loss.detach()) - smooth) * max(0.01, 1 / step)
            _follow(mean, net, min(settings.average, step / (step + 10)))
        if step % 200 < settings.turns:
            say(
                f"step {step} floors {drawn * settings.batch} {time.monotonic() - start:.0f} s loss {smooth:.3f}"
            )
    return mean, drawn * settings.batch


@torch.no_grad()
def _follow(mean: SegmentNet, net: SegmentNet, keep: float) -> None:
    for mine, theirs in zip(mean.state_dict().values(), net.state_dict().values(), strict=True):
        if mine.dtype.is_floating_point:
            mine.lerp_(theirs, 1 - keep)
        else:
            mine.copy_(theirs)
