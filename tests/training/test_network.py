"""Turns, the pair told the other way round, and the packaged file: a window must be shown the same way everywhere."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the extra `train`")
pytest.importorskip("onnx", reason="needs the extra `train`")

import onnxruntime  # noqa: E402

from assessor.texture import look as seen  # noqa: E402
from assessor.training.export import Packaged, example, export_onnx, halved, weights_of, whitening  # noqa: E402
from assessor.training.fit import PAIR, SINGLE, FitSettings, Learner, fit  # noqa: E402
from assessor.training.network import SqNet, known_square, losses, swapped, unlit  # noqa: E402
from assessor.training.own import own_batches  # noqa: E402
from assessor.training.scenes import Worlds, luma, single_input  # noqa: E402
from assessor.values import Light, Lighting  # noqa: E402


def look(azimuth_deg: float, seed: int) -> seen.Look:
    rng = np.random.default_rng(seed)
    light = Light(azimuth_deg, 25.0, 1.0, 0.5, 0.8, 0.02, 0.5, 0.2, None, ("a", "b"))
    picture = rng.normal(-1.2, 0.2, (seen.SIDE_PX, seen.SIDE_PX, 3)).astype(np.float32)
    return seen.Look(
        f"{seed}.jpg", picture, Lighting((light,), 0.2, None, "test"), 0.1, 8.0, (0.05, -0.02), 0.0
    )


def test_channels_are_those_of_training() -> None:
    one = look(20, 1)
    trained = single_input(torch.tensor(one.log_rgb.transpose(2, 0, 1).copy())[None])[0].numpy()
    assert np.allclose(seen.single_channels(one, 0, False), trained, atol=1e-4)
    assert luma(torch.zeros(1, 3, 2, 2)).numpy() == pytest.approx(0, abs=1e-6)


def test_a_pair_told_the_other_way_round_is_what_the_tool_shows() -> None:
    first, second = look(20, 1), look(200, 2)
    ways = []
    for one, other in ((first, second), (second, first)):
        turns, mirror = seen.quarter_turns(one.azimuth_deg)
        ways.append(
            [
                torch.tensor(seen.pair_channels(one, other, turns, mirror))[None],
                torch.tensor(
                    np.concatenate([seen.light_numbers(k.lighting, turns, mirror) for k in (one, other)])
                )[None],
                torch.tensor(np.concatenate([seen.photo_numbers(k, turns, mirror) for k in (one, other)]))[
                    None
                ],
            ]
        )
    for got, expected in zip(swapped(*ways[0]), ways[1], strict=True):
        assert torch.allclose(got, expected, atol=1e-5)


@pytest.mark.parametrize("turns", range(4))
def test_a_forgotten_light_turns_window_view_and_lay_together(turns: int) -> None:
    image = torch.arange(9.0).view(1, 1, 3, 3)
    photo = torch.tensor([[0.5, 0.1, 0.3, 0.0, 0.2]])
    lay = torch.tensor([[1.0, 0.0]])
    turned, light, told, other = unlit(image, torch.ones(1, 16), photo, lay, turns)
    assert float(light.abs().sum()) == 0
    # rot90 turns counter-clockwise: so does a direction.
    angle = np.rad2deg(np.arctan2(float(told[0, 3]), float(told[0, 2]))) % 360
    assert angle == pytest.approx(90 * turns, abs=1e-4)
    assert np.array_equal(turned[0, 0].numpy(), np.rot90(image[0, 0].numpy(), turns))
    assert float(other[0, 0]) == (1 if turns % 2 == 0 else -1)


@pytest.mark.parametrize("config", [SINGLE, PAIR], ids=["single", "pair"])
def test_the_packaged_file_says_what_torch_says(config: object) -> None:
    torch.manual_seed(3)
    net = SqNet(config).eval()  # type: ignore[arg-type]
    with torch.no_grad():
        # As trained ones, no two alike: the exporter joins weights that are equal.
        for weight in [*net.parameters(), *(b for b in net.buffers() if b.dtype.is_floating_point)]:
            weight.add_(0.01 * torch.randn(weight.shape))
    net = halved(net)
    features = np.random.default_rng(2).normal(0.3, 0.2, (400, 256))
    packaged = Packaged(net, *whitening(features))
    weights = export_onnx(packaged)
    assert len(weights) < 8e6
    session = onnxruntime.InferenceSession(weights, providers=["CPUExecutionProvider"])
    given = example(net.config.channels, net.config.photos, seed=5)
    with torch.no_grad():
        expected = packaged(*given)
    names = ("image", "light", "photo")
    got = session.run(None, {name: value.numpy() for name, value in zip(names, given, strict=True)})
    for ours, theirs in zip(expected, got, strict=True):
        assert np.abs(ours.numpy() - theirs).max() < 1e-4
    # Training can go on from the file: it holds every weight but those of heads that only training has.
    again = SqNet(config)  # type: ignore[arg-type]
    missing, unexpected = again.load_state_dict(weights_of(weights), strict=False)
    assert not unexpected
    assert {n.split(".")[0] for n in missing if not n.endswith("num_batches_tracked")} == {"bins", "rest"}
    own, theirs = dict(net.named_parameters()), dict(again.named_parameters())
    assert all(torch.equal(own[name], theirs[name]) for name in own if name not in missing)


def test_distance_is_one_on_what_it_was_made_from() -> None:
    features = np.random.default_rng(2).normal(0.3, 0.2, (2000, 256))
    middle, whiten = whitening(features)
    assert ((((features - middle) @ whiten) ** 2).mean(1)).mean() == pytest.approx(1, abs=0.01)


def test_learning_lowers_the_loss_on_one_batch() -> None:
    torch.manual_seed(1)
    net = SqNet(SINGLE)
    image, light, photo = example(3, 1, seed=4)
    image, light, photo = image[..., :128, :128].repeat(4, 1, 1, 1), light.repeat(4, 1), photo.repeat(4, 1)
    image = image * torch.tensor([0.2, 0.5, 1.0, 2.0]).view(4, 1, 1, 1)
    truth = torch.tensor([-4.0, -3.0, -2.0, -1.0])
    lay, rest = torch.zeros(4, 2), torch.zeros(4, 3)
    opt = torch.optim.AdamW(net.parameters(), lr=3e-4)
    told = []
    for _ in range(25):
        loss = losses(net(image, light, photo), truth, lay, rest)
        opt.zero_grad()
        loss.backward()
        opt.step()
        told.append(float(loss.detach()))
    assert told[-1] < 0.7 * told[0]


def test_what_is_not_known_of_own_captures_costs_nothing() -> None:
    said, true = (
        torch.tensor([[1.0, 2.0], [3.0, 4.0]]),
        torch.tensor([[0.0, float("nan")], [float("nan"), 1.0]]),
    )
    assert float(known_square(said, true)) == pytest.approx((1 + 9) / 2)
    assert float(known_square(said, torch.full((2, 2), float("nan")))) == 0


def test_own_captures_become_batches_as_the_tool_shows_them() -> None:
    first, second = look(20, 1), look(200, 2)
    own = [((first,), -3.0), ((first, second), -2.0), ((second,), -1.0)]
    (batch,) = own_batches(own, 1, 4, "cpu")
    assert batch.log2_sq.tolist() == [-3.0, -1.0, -3.0, -1.0]
    assert batch.image.shape == (4, 3, seen.SIDE_PX, seen.SIDE_PX)
    (pair,) = own_batches(own, 2, 2, "cpu")
    assert pair.image.shape[1] == 2 and pair.light.shape == (2, 32)
    expected = seen.pair_channels(first, second, *seen.quarter_turns(first.azimuth_deg))
    assert np.allclose(pair.image[0].float().numpy(), expected, atol=2e-3)
    assert own_batches(own[:1], 2, 4, "cpu") == []


@pytest.mark.slow
def test_a_few_steps_of_the_real_thing() -> None:
    settings = FitSettings(steps=2, batch=2, pool=1, turns=(1, 1), seconds=600, own_share=1.0)
    learners = [Learner(config, settings, "cpu") for config in (SINGLE, PAIR)]
    said: list[str] = []
    own = own_batches([((look(20, 1),), -3.0)], 1, 2, "cpu")
    scenes = fit(
        list(learners), settings, "cpu", Worlds(), None, px_per_mm=5.0, say=said.append, own=(own, [])
    )
    assert scenes == 4
    assert "nan" not in " ".join(said)
    for learner in learners:
        assert learner.steps == 2
        assert all(bool(torch.isfinite(weight).all()) for weight in learner.mean.state_dict().values())
