"""From trained weights to a packaged model: ONNX, half-precision weights, and the distance from the training set."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn

from assessor.texture.look import N_LIGHT, N_PHOTO, SIDE_PX
from assessor.training.network import SqNet
from assessor.values import FloatArray

PLACES = 24  # principal directions of the features in which distance is counted
SMALLEST = 1000  # values; smaller weights stay in full precision


class Packaged(nn.Module):
    """The network as it is shipped: mean and sd of log2 Sq, lay, and the squared distance of its features."""

    def __init__(self, net: SqNet, middle: FloatArray, whiten: FloatArray) -> None:
        super().__init__()
        self.net = net
        self.middle = nn.Parameter(torch.tensor(middle, dtype=torch.float32), requires_grad=False)
        self.whiten = nn.Parameter(torch.tensor(whiten, dtype=torch.float32), requires_grad=False)

    def forward(self, image: Tensor, light: Tensor, photo: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Image (batch, channels, n, n), light and photo numbers; normal (batch, 2), lay (batch, 2), distance."""
        out = self.net(image, light, photo)
        normal = torch.stack([out["normal"][:, 0], out["normal"][:, 1].clamp(-4, 2).exp()], 1)
        place = (out["features"] - self.middle) @ self.whiten
        return normal, out["lay"], (place * place).mean(1)


def whitening(features: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean (d,) and (d, PLACES) directions that give training features unit variance in each."""
    values = np.asarray(features, float)
    middle = values.mean(0)
    _, size, axes = np.linalg.svd(values - middle, full_matrices=False)
    deviation = size[:PLACES] / np.sqrt(len(values))
    return middle, (axes[:PLACES] / deviation[:, None]).T


def halved(net: SqNet) -> SqNet:
    """The same network with its large weights rounded to half precision, as the file holds them."""
    for weight in net.parameters():
        if weight.numel() >= SMALLEST:
            weight.data = weight.data.half().float()
    return net


def export_onnx(packaged: Packaged) -> bytes:
    """The model as ONNX (opset 17), one window at a time, large weights as float16 and cast when it is loaded."""
    import onnx  # noqa: PLC0415 - the train extra only

    packaged.eval()
    config = packaged.net.config
    given = example(config.channels, config.photos)
    buffer = io.BytesIO()
    torch.onnx.export(
        packaged, given, buffer, input_names=["image", "light", "photo"],  # type: ignore[arg-type]
        output_names=["normal", "lay", "distance"], opset_version=17, dynamo=False, do_constant_folding=False,
        training=torch.onnx.TrainingMode.PRESERVE,  # else norms are folded in, and half precision holds no weight
    )  # fmt: skip
    model = onnx.load_from_string(buffer.getvalue())
    store_half(model, onnx)
    onnx.checker.check_model(model)
    return bytes(model.SerializeToString())


def example(channels: int, photos: int, seed: int = 0) -> tuple[Tensor, Tensor, Tensor]:
    """Random input of the right shapes."""
    rng = torch.Generator().manual_seed(seed)
    return (
        0.2 * torch.randn(1, channels, SIDE_PX, SIDE_PX, generator=rng),
        torch.rand(1, photos * N_LIGHT, generator=rng),
        torch.rand(1, photos * N_PHOTO, generator=rng),
    )


def store_half(model: Any, onnx: Any) -> None:
    """Large weights that half precision holds exactly become float16 with a cast in front of their use."""
    graph, casts, kept = model.graph, [], []
    to_array: Callable[[Any], FloatArray] = onnx.numpy_helper.to_array
    for weight in graph.initializer:
        values = to_array(weight)
        exact = values.dtype == np.float32 and values.size >= SMALLEST
        if exact and np.array_equal(values, values.astype(np.float16).astype(np.float32)):
            half = onnx.numpy_helper.from_array(values.astype(np.float16), weight.name + "_half")
            kept.append(half)
            casts.append(onnx.helper.make_node("Cast", [half.name], [weight.name], to=onnx.TensorProto.FLOAT))
        else:
            kept.append(weight)
    nodes = [*casts, *graph.node]
    del graph.initializer[:], graph.node[:]
    graph.initializer.extend(kept)
    graph.node.extend(nodes)


def weights_of(onnx_bytes: bytes) -> dict[str, Tensor]:
    """The network's weights out of a packaged model, for training to go on from; names as of `SqNet`.

    The heads that only training has (`bins`, `rest`) are not in the file.
    """
    import onnx  # noqa: PLC0415 - the train extra only

    found = {}
    for weight in onnx.load_from_string(onnx_bytes).graph.initializer:
        name = weight.name.removesuffix("_half")
        if name.startswith("net."):
            found[name.removeprefix("net.")] = torch.tensor(
                onnx.numpy_helper.to_array(weight).astype(np.float32)
            )
    return found
