"""Drawn floors for the segmentation: labels where they belong, the same from one seed, one input on both sides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

torch = pytest.importorskip("torch")

import onnxruntime  # noqa: E402

from assessor.surface.segment import channels  # noqa: E402
from assessor.training import dirt_scenes  # noqa: E402
from assessor.training.dirt_floor import bare_floor  # noqa: E402
from assessor.training.dirt_kinds import CLASSES, KINDS  # noqa: E402
from assessor.training.dirt_scenes import OVERVIEW, WINDOW, DirtBatch, make_dirt  # noqa: E402
from assessor.training.gravel import stone_masks  # noqa: E402
from assessor.training.noise import Draw, Grid  # noqa: E402
from assessor.training.segment_export import export_segments  # noqa: E402
from assessor.training.segment_fit import SegmentSettings, fit_segments, turned  # noqa: E402
from assessor.training.segment_net import SegmentNet, segment_input  # noqa: E402
from assessor.values import PATCH_KINDS  # noqa: E402

SMALL = replace(WINDOW, n=128, px_per_mm=1.0)


def test_classes_are_bare_and_the_kinds_of_the_values() -> None:
    assert ("bare", *PATCH_KINDS) == CLASSES
    assert set(KINDS) == set(PATCH_KINDS)


@pytest.mark.parametrize("name", sorted(KINDS))
def test_every_kind_has_a_soft_mask_and_changes_what_it_says(name: str) -> None:
    draw, grid = Draw(4, 7, "cpu"), Grid(128, 1.0, "cpu")
    layer = KINDS[name](draw, grid, torch.randn(4, 128, 128))
    assert layer.kind == name
    assert float(layer.mask.min()) >= 0 and float(layer.mask.max()) <= 1
    changes = float(layer.gain.abs().max()) > 0.01 or float(layer.cover.max()) > 0.01
    assert changes or layer.shade


@pytest.mark.parametrize("scale", [WINDOW, OVERVIEW])
def test_one_seed_gives_one_batch_with_whole_labels(scale: dirt_scenes.Scale) -> None:
    with torch.no_grad():
        one, two = (make_dirt(2, 5, "cpu", scale, None) for _ in range(2))
    assert torch.equal(one.log_rgb, two.log_rgb)
    assert one.log_rgb.shape == (2, 3, scale.n, scale.n) and bool(one.log_rgb.isfinite().all())
    assert int(one.kind.max()) < len(CLASSES)
    assert float(one.weight.max()) <= 1 and float(one.stones.max()) <= 1


def test_coarse_stones_are_visible_ones_and_rims_lie_in_them() -> None:
    bare = bare_floor(Draw(6, 11, "cpu"), Grid(256, 2.0, "cpu"), None)
    visible, coarse, rim = bare.stones.unbind(1)
    assert float(visible.mean()) > 0.02
    assert bool((coarse <= visible).all()) and bool((rim <= visible).all())


def test_masks_of_a_labelled_photo_tell_sizes() -> None:
    labels = np.zeros((80, 80), np.int64)
    labels[10:30, 10:30] = 1  # 10 mm square at 2 per mm: 11.3 mm equivalent diameter
    labels[50:55, 50:55] = 2  # 2.5 mm: 2.8
    labels[70:72, 70:72] = 3  # 1 mm: too small to count
    visible, coarse, rim = stone_masks(labels, 2.0)
    assert visible.sum() == 425 and coarse.sum() == 400
    assert rim[10, 10] and not rim[20, 20]


def test_the_network_is_shown_the_same_here_and_there() -> None:
    rng = np.random.default_rng(2)
    log_rgb = np.log(rng.uniform(0.05, 0.9, (48, 64, 3))).astype(np.float32)
    ours = segment_input(torch.tensor(log_rgb.transpose(2, 0, 1))[None])[0].numpy()
    np.testing.assert_allclose(channels(log_rgb), ours, atol=1e-6)


def test_a_few_steps_lower_the_loss_and_what_is_exported_says_the_same() -> None:
    torch.manual_seed(0)
    net, said = SegmentNet(), []
    settings = SegmentSettings(steps=6, batch=4, turns=3, rate=5e-3)
    mean, floors = fit_segments(net, settings, SMALL, maps=None, say=said.append)
    assert floors == 8
    session = onnxruntime.InferenceSession(export_segments(mean), providers=["CPUExecutionProvider"])
    image = 0.3 * torch.randn(1, 6, 64, 96)
    with torch.no_grad():
        kinds, stones = mean.eval()(image)
    out = session.run(["kinds", "stones"], {"image": image.numpy()})
    np.testing.assert_allclose(out[0], kinds.numpy(), atol=2e-5)
    np.testing.assert_allclose(out[1], stones.numpy(), atol=2e-5)


def test_turning_turns_labels_with_their_picture() -> None:
    with torch.no_grad():
        batch = make_dirt(2, 9, "cpu", SMALL, None)
    marked = DirtBatch(batch.kind[:, None].float().repeat(1, 3, 1, 1), *(getattr(batch, n) for n in
                       ("kind", "weight", "stones", "stone_weight")))  # fmt: skip
    for seed in range(4):
        out = turned(marked, torch.Generator().manual_seed(seed))
        assert torch.equal(out.log_rgb[:, 0], out.kind.float())
