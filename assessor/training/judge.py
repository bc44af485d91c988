"""Run networks and the classical baseline over fresh scenes and keep what is needed to calibrate and to judge."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import torch
from torch import Tensor

from assessor.texture.look import Look, given, quarter_turns
from assessor.training.classical import classical_features
from assessor.training.fit import Batch, FitSettings, stream
from assessor.training.network import SqNet, unlit
from assessor.training.scenes import Worlds
from assessor.values import FloatArray

Said = dict[str, FloatArray]


@torch.no_grad()
def ask(net: SqNet, batch: Batch) -> dict[str, Tensor]:
    """The network's answer to a batch, in full precision."""
    net.eval()
    return {name: value.float() for name, value in net(batch.image, batch.light, batch.photo).items()}


def forget(batch: Batch, turns: int) -> Batch:
    """The same photos with the light unknown."""
    image, light, photo, lay = unlit(batch.image, batch.light, batch.photo, batch.lay, turns)
    return replace(batch, image=image, light=light, photo=photo, lay=lay)


def without_mean(batch: Batch) -> Batch:
    """A pair by its ratio alone."""
    return replace(batch, image=torch.cat([batch.image[:, :1], 0 * batch.image[:, 1:]], 1))


def judge_scenes(
    nets: tuple[SqNet | None, SqNet | None],
    count: int,
    seed: int,
    device: str,
    *,
    worlds: Worlds,
    maps: Tensor | None,
    batch: int = 16,
    px_per_mm: float = 10.0,
) -> dict[str, Said]:
    """Answers on `count` fresh scenes: single, single_dark (light unknown), pair, pair_ratio; with truth and tags."""
    source = stream(FitSettings(batch=batch, seed=seed), device, worlds, maps, px_per_mm)
    kept: dict[str, list[dict[str, Tensor]]] = {}
    for k in range(-(-count // batch)):
        for name, part, net in _ways(*next(source), nets, k):
            state = torch.where(part.light[:, 0] == 0, 2.0, 1 - part.light[:, 1])
            row: dict[str, Tensor] = {"log2_sq": part.log2_sq, "lay": part.lay, "state": state, **part.tags}
            if name in ("single", "pair"):
                row["classical"] = classical_features(part)
            if net is not None:
                out = ask(net, part)
                row |= {f"said_{key}": out[key] for key in ("normal", "bins", "lay")}
                if name != "single_dark":
                    row["features"] = out["features"]
            kept.setdefault(name, []).append({key: value.cpu() for key, value in row.items()})
    return {
        name: {key: np.asarray(torch.cat([row[key] for row in rows]).numpy(), np.float32) for key in rows[0]}
        for name, rows in kept.items()
    }


def _ways(
    single: Batch, pair: Batch, nets: tuple[SqNet | None, SqNet | None], k: int
) -> Iterator[tuple[str, Batch, SqNet | None]]:
    yield "single", single, nets[0]
    yield "single_dark", forget(single, k % 4), nets[0]
    yield "pair", pair, nets[1]
    yield "pair_ratio", without_mean(pair), nets[1]


@torch.no_grad()
def judge_looks(net: SqNet, seen: Sequence[tuple[Look, ...]], device: str) -> Said:
    """Answers on real or rendered photos as the tool shows them; every pair also the other way round (`swapped_...`).

    state: 0 a light was read, 1 the tabs show none, 2 nothing was read (of the first photo).
    """
    net.eval()
    rows = []
    for looks in seen:
        row: dict[str, FloatArray | float] = {}
        for name, ordered in (("", looks), ("swapped_", looks[::-1]))[: len(looks)]:
            parts = [
                torch.tensor(part[None], device=device)
                for part in given(ordered, *quarter_turns(ordered[0].azimuth_deg))
            ]
            out = {key: value[0].float().cpu().numpy() for key, value in net(*parts).items()}
            row |= {f"{name}{key}": out[key] for key in ("normal", "bins", "lay", "features")}
        lighting = looks[0].lighting
        row["state"] = 2.0 if lighting is None else float(not lighting.lights)
        rows.append(row)
    return (
        {key: np.stack([np.asarray(row[key], np.float32) for row in rows]) for key in rows[0]} if rows else {}
    )
