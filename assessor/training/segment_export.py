"""From trained segmentation weights to a packaged model: ONNX with half-precision weights, any size of floor."""

from __future__ import annotations

import io

import torch

from assessor.training.export import SMALLEST, store_half
from assessor.training.segment_net import CHANNELS, SegmentNet


def export_segments(net: SegmentNet) -> bytes:
    """The network as ONNX (opset 17): image (1, 6, h, w), sides multiples of 16, to kinds and stones."""
    import onnx  # noqa: PLC0415 - the train extra only

    for weight in net.parameters():
        if weight.numel() >= SMALLEST:
            weight.data = weight.data.half().float()
    net.eval()
    names = ["kinds", "stones"] if net.stones is not None else ["kinds"]
    axes = {name: {2: "rows", 3: "cols"} for name in ("image", *names)}
    buffer = io.BytesIO()
    torch.onnx.export(
        net if net.stones is not None else _First(net), (torch.zeros(1, CHANNELS, 64, 64),), buffer,  # type: ignore[arg-type]
        input_names=["image"], output_names=names, dynamic_axes=axes, opset_version=17, dynamo=False,
        do_constant_folding=False, training=torch.onnx.TrainingMode.PRESERVE,
    )  # fmt: skip
    model = onnx.load_from_string(buffer.getvalue())
    store_half(model, onnx)
    onnx.checker.check_model(model)
    return bytes(model.SerializeToString())


class _First(torch.nn.Module):
    """Only the kinds, where no stones are told."""

    def __init__(self, net: SegmentNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Logits of the kinds."""
        return self.net(x)[0]  # type: ignore[no-any-return]
