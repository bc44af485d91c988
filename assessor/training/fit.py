"""Train the networks on scenes rendered as it goes, kept in memory and seen again in other colours."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import torch
from torch import Tensor

from assessor.training.network import NetConfig, SqNet, losses, swapped, unlit
from assessor.training.noise import Grid
from assessor.training.scenes import Scenes, Worlds, make_scenes, pair_input, single_input
from assessor.training.surfaces import band_sq

SINGLE = NetConfig(channels=3, photos=1)
PAIR = NetConfig(channels=2, photos=2)
HELPERS_MM = ((2.5, 25.0), (0.8, 2.5))


@dataclass(frozen=True)
class Batch:
    """Network input and targets of one kind; the tags tell scenes apart when they are judged."""

    image: Tensor
    light: Tensor
    photo: Tensor
    log2_sq: Tensor
    lay: Tensor
    rest: Tensor
    paint: Tensor  # channels of the reflectance itself, to paint other scenes with
    tags: dict[str, Tensor] = field(default_factory=dict)


@dataclass(frozen=True)
class FitSettings:
    """How long and how fast. seconds: stop then, whatever the step; steps: else after so many."""

    seconds: float = 500.0
    steps: int = 100_000
    batch: int = 32
    pool: int = 2  # rendered batches mixed per step
    # Steps of each learner per rendered batch: rendering is slow, so scenes come again.
    turns: tuple[int, int] = (5, 1)
    kept: int = 160  # rendered batches held in memory
    own_share: float = (
        0.25  # of steps that hold a batch of a user's own measured captures, where there are any
    )
    repaint: float = 0.5  # share of batches that get the colour of other scenes painted over
    rate: float = 2e-3
    forget_light: float = 0.12  # a tenth of the scenes has no light read anyway
    forget_mean: float = 0.3  # of the pair's mean image, so that the ratio alone must do
    average: float = 0.998
    seed: int = 1


def helper_targets(scenes: Scenes, grid_px_per_mm: float) -> Tensor:
    """(batch, 3): log2 Sq of long and short waves and the floor's log deviation, for training only."""
    height = scenes.surface.height_mm
    grid = Grid(height.shape[-1], grid_px_per_mm, str(height.device))
    parts = [band_sq(height, grid, band).clamp_min(1e-5).log2() for band in HELPERS_MM]
    parts.append(height.std((1, 2)).clamp_min(1e-5).log2())
    return torch.stack(parts, 1)


def batches_of(scenes: Scenes, rest: Tensor) -> tuple[Batch, Batch]:
    """Two batches: single photos (any light and the first torch photo) and pairs."""
    one, first, second, surface = scenes.single, scenes.first, scenes.second, scenes.surface
    size = len(surface.log2_sq)
    paint = single_input(scenes.log_paint)
    own = {"family": surface.family, "paint": scenes.paint}
    tags = [
        {**own, **shot.tags, "torch": torch.full((size,), float(k))} for k, shot in enumerate((one, first))
    ]
    single = Batch(
        torch.cat([single_input(one.log_rgb), single_input(first.log_rgb)]),
        torch.cat([one.light, first.light]),
        torch.cat([one.photo, first.photo]),
        surface.log2_sq.repeat(2),
        surface.lay.repeat(2, 1),
        rest.repeat(2, 1),
        paint,
        {name: torch.cat([tags[0][name], tags[1][name]]) for name in tags[0]},
    )
    pair = Batch(
        pair_input(first, second),
        torch.cat([first.light, second.light], 1),
        torch.cat([first.photo, second.photo], 1),
        surface.log2_sq,
        surface.lay,
        rest,
        paint,
        tags[1],
    )
    return single, pair


def stream(
    settings: FitSettings, device: str, worlds: Worlds, maps: Tensor | None, px_per_mm: float
) -> Iterator[tuple[Batch, Batch]]:
    """Endless batches, each of other scenes."""
    k = 0
    while True:
        with torch.no_grad():
            scenes = make_scenes(
                settings.batch,
                settings.seed * 1_000_003 + k,
                device,
                worlds=worlds,
                maps=maps,
                px_per_mm=px_per_mm,
            )
            made = batches_of(scenes, helper_targets(scenes, px_per_mm))
        yield made
        k += 1


class Learner:
    """One network with its optimiser and the running average of its weights."""

    def __init__(self, config: NetConfig, settings: FitSettings, device: str) -> None:
        self.settings, self.device = settings, device
        self.net = SqNet(config).to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
        self.mean = SqNet(config).to(device).requires_grad_(False)
        self.mean.load_state_dict(self.net.state_dict())
        self.opt = torch.optim.AdamW(self.net.parameters(), lr=settings.rate, weight_decay=0.02)
        self.rng = torch.Generator().manual_seed(settings.seed)
        self.steps = 0

    def step(self, batches: list[Batch], progress: float) -> float:
        """One optimiser step; progress 0..1 sets the rate (warm-up, then cosine)."""
        rate = (
            self.settings.rate
            * min(1.0, (self.steps + 1) / 200)
            * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * progress)))
        )
        for group in self.opt.param_groups:
            group["lr"] = rate
        image, light, photo, truth, lay, rest = self._augmented(batches)
        self.net.train()
        with torch.autocast(self.device, torch.bfloat16, enabled=self.device == "cuda"):
            out = self.net(image.contiguous(memory_format=torch.channels_last), light, photo)
        loss = losses(out, truth, lay, rest)
        self.opt.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        self.opt.step()
        self.steps += 1
        self._follow()
        return float(loss.detach())

    def _augmented(self, batches: list[Batch]) -> tuple[Tensor, ...]:
        """Batches together: some in the colours of others, the light forgotten in some, the mean image in some."""
        parts = []
        for k, batch in enumerate(batches):
            image = batch.image.float()
            if self._chance() < self.settings.repaint:
                image = self._repainted(image, batches[k - 1])
            light, photo, lay = batch.light, batch.photo, batch.lay
            if self.net.config.photos == 2 and self._chance() < 0.5:
                image, light, photo = swapped(image, light, photo)
            cut = int(len(lay) * self.settings.forget_light + self._chance())
            dark = unlit(image[:cut], light[:cut], photo[:cut], lay[:cut], int(4 * self._chance()))
            image, light, photo, lay = (
                torch.cat(pair)
                for pair in zip(dark, (image[cut:], light[cut:], photo[cut:], lay[cut:]), strict=True)
            )
            if self.net.config.photos == 2:
                keep = torch.rand(len(image), 1, 1, generator=self.rng) > self.settings.forget_mean
                image = torch.stack([image[:, 0], image[:, 1] * keep.to(self.device)], 1)
            parts.append((image, light, photo, batch.log2_sq, lay, batch.rest))
        return tuple(torch.cat(side) for side in zip(*parts, strict=True))

    def _chance(self) -> float:
        return float(torch.rand(1, generator=self.rng))

    def _repainted(self, image: Tensor, other: Batch) -> Tensor:
        """The colour of other scenes over these, at random strength; in a pair it is only in the mean image.

        Half the time whole photos of other scenes are painted on, a quarter turn off: shading that comes from the wrong
        side is colour that looks like relief, the hardest there is.
        """
        single = self.net.config.photos == 1
        if self._chance() < 0.5:
            paint = other.image.float() if single else other.image[:, 1:].float()
            turns = 1 if self._chance() < 0.5 else 3
        else:
            paint, turns = other.paint.float(), int(4 * self._chance())
        turned = torch.rot90(paint, turns, (2, 3)).roll(int(len(paint) * self._chance()), 0)
        turned = turned.repeat(len(image) // len(turned), 1, 1, 1)
        strength = 0.9 * torch.rand(len(image), 1, 1, 1, generator=self.rng).to(self.device)
        if single:
            return image + strength * turned
        return torch.stack([image[:, 0], image[:, 1] + strength[:, 0] * turned[:, 0]], 1)

    @torch.no_grad()
    def _follow(self) -> None:
        keep = min(self.settings.average, self.steps / (self.steps + 10))
        for mine, theirs in zip(self.mean.state_dict().values(), self.net.state_dict().values(), strict=True):
            if mine.dtype.is_floating_point:
                mine.lerp_(theirs, 1 - keep)
            else:
                mine.copy_(theirs)


def fit(  # noqa: PLR0913 - all but the first five by name
    learners: list[Learner | None],
    settings: FitSettings,
    device: str,
    worlds: Worlds,
    maps: Tensor | None,
    *,
    px_per_mm: float = 10.0,
    say: Callable[[str], None] = print,
    save: Callable[[], None] = lambda: None,
    own: tuple[list[Batch], list[Batch]] = ([], []),
) -> int:
    """Train learners (single, pair; None leaves one out) together on the same scenes; returns the number of scenes.

    own: a user's measured captures (`training.own`), singles and pairs.
    """
    source = stream(settings, device, worlds, maps, px_per_mm)
    start, step, rendered = time.monotonic(), 0, 0
    smooth: list[float] = [0.0, 0.0]
    kept: list[tuple[Batch, Batch]] = []
    rng = torch.Generator().manual_seed(settings.seed)
    while step < settings.steps and (spent := time.monotonic() - start) < settings.seconds:
        drawn = _packed(*next(source))
        rendered += 1
        if len(kept) < settings.kept:
            kept.append(drawn)
        else:
            kept[rendered % settings.kept] = drawn
        if len(kept) < settings.pool:
            continue
        progress = max(spent / settings.seconds, step / settings.steps)
        for which, (learner, turns) in enumerate(zip(learners, settings.turns, strict=True)):
            for _ in range(turns if learner is not None else 0):
                picked = [
                    kept[int(k)][which] for k in torch.randperm(len(kept), generator=rng)[: settings.pool]
                ]
                if own[which] and float(torch.rand(1, generator=rng)) < settings.own_share:
                    picked[0] = own[which][int(torch.randint(len(own[which]), (1,), generator=rng))]
                assert learner is not None
                loss = learner.step(picked, progress)
                smooth[which] += (loss - smooth[which]) * max(0.02, 1 / (step + 1))
        step += 1
        if step % 50 == 0 or step == 1:
            told = f"{time.monotonic() - start:.0f} s loss {smooth[0]:.3f} {smooth[1]:.3f}"
            say(f"round {step} scenes {rendered * settings.batch} {told}")
            save()
    return rendered * settings.batch


def _packed(single: Batch, pair: Batch) -> tuple[Batch, Batch]:
    """Images in half precision, the paint once for both: a GPU holds three times as many (0.2 GB a batch of 32)."""
    paint = single.paint.half()
    return (
        replace(single, image=single.image.half(), paint=paint, tags={}),
        replace(pair, image=pair.image.half(), paint=paint, tags={}),
    )
