"""Takes a taught net; gives it as an ONNX file of plain convolutions, additions and rectifiers, which every runtime knows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

from frametally.read.network import PLANES, ROWS, SIGNS
from frametally.train.net import Net, Pair, Unit

OPSET = 13


class _Graph:
    """Nodes and weights as they come."""

    def __init__(self) -> None:
        self.nodes: list[onnx.NodeProto] = []
        self.weights: list[onnx.TensorProto] = []

    def convolve(self, unit: Unit, name: str, source: str, step: str | None = None) -> str:
        """Write one unit, its normalisation folded into the convolution."""
        norm, conv = unit.norm, unit.conv
        factor = (norm.weight / (norm.running_var + norm.eps).sqrt()).detach().double().cpu()
        weight = conv.weight.detach().double().cpu() * factor[:, None, None, None]
        bias = norm.bias.detach().double().cpu() - norm.running_mean.double().cpu() * factor
        out = self._conv(weight.numpy(), bias.numpy(), name, source, conv.stride, unit.padding, conv.dilation)
        if step is not None:
            self.nodes.append(helper.make_node("Add", [out, step], [f"{name}_sum"]))
            out = f"{name}_sum"
        self.nodes.append(helper.make_node("Relu", [out], [f"{name}_out"]))
        return f"{name}_out"

    def _conv(
        self,
        weight: np.ndarray,
        bias: np.ndarray,
        name: str,
        source: str,
        stride: tuple[int, ...] = (1, 1),
        padding: tuple[int, int] = (0, 0),
        dilation: tuple[int, ...] = (1, 1),
    ) -> str:
        self.weights.append(numpy_helper.from_array(weight.astype(np.float32), f"{name}_weight"))
        self.weights.append(numpy_helper.from_array(bias.astype(np.float32), f"{name}_bias"))
        self.nodes.append(
            helper.make_node(
                "Conv", [source, f"{name}_weight", f"{name}_bias"], [name],
                kernel_shape=list(weight.shape[2:]), strides=list(stride), dilations=list(dilation), pads=[*padding, *padding],
            )
        )  # fmt: skip
        return name

    def whole(self, net: Net) -> onnx.ModelProto:
        """Write the whole net."""
        at = "strip"
        for index, part in enumerate(net.body):
            if isinstance(part, Pair):
                inner = self.convolve(part.first, f"part{index}a", at)
                at = self.convolve(part.second, f"part{index}b", inner, at)
            elif isinstance(part, Unit):
                at = self.convolve(part, f"part{index}", at)
        weight, bias = net.last.weight.detach().cpu().numpy(), net.last.bias.detach().cpu().numpy()
        self._conv(weight, bias, "scores", at)
        graph = helper.make_graph(
            self.nodes,
            "frametally network reader",
            [helper.make_tensor_value_info("strip", TensorProto.FLOAT, [1, PLANES, ROWS, "columns"])],
            [helper.make_tensor_value_info("scores", TensorProto.FLOAT, [1, len(SIGNS), 1, "steps"])],
            self.weights,
        )
        return helper.make_model(graph, producer_name="frametally", opset_imports=[helper.make_opsetid("", OPSET)], ir_version=8)


def export(net: Net, path: Path) -> None:
    """Write the net as it reads (not as it learns) to an ONNX file."""
    model = _Graph().whole(net)
    onnx.checker.check_model(model)
    path.write_bytes(model.SerializeToString())
