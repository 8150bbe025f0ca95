"""Takes prepared strips as a tensor; gives every column's scores of every sign: the network reader's net, in torch."""

from __future__ import annotations

import torch
from torch import Tensor, nn

from frametally.read.network import PLANES, ROWS, SIGNS


class Unit(nn.Module):
    """A convolution with its normalisation; `step` may be added before the rectifier."""

    def __init__(self, into: int, out: int, kernel: tuple[int, int], stride: tuple[int, int] = (1, 1), dilation: int = 1) -> None:
        super().__init__()
        whole = kernel[0] == ROWS // 8
        self.padding = (0 if whole else kernel[0] // 2, dilation * (kernel[1] // 2))
        self.conv = nn.Conv2d(into, out, kernel, stride, self.padding, (1, dilation), bias=False)
        self.norm = nn.BatchNorm2d(out)

    def forward(self, x: Tensor, step: Tensor | None = None) -> Tensor:
        y = self.norm(self.conv(x))
        return torch.relu(y if step is None else y + step)


class Pair(nn.Module):
    """Two convolutions whose result is added to what came in."""

    def __init__(self, channels: int, kernel: tuple[int, int], dilation: int = 1) -> None:
        super().__init__()
        self.first = Unit(channels, channels, kernel)
        self.second = Unit(channels, channels, kernel, dilation=dilation)

    def forward(self, x: Tensor) -> Tensor:
        return self.second(self.first(x), x)


class Net(nn.Module):
    """Down to an eighth of the rows and a quarter of the columns, then along the line; fully convolutional.

    Input (examples, PLANES, ROWS, columns), output (examples, len(SIGNS), 1, columns / 4): scores before the softmax.
    """

    def __init__(self, channels: tuple[int, int, int, int] = (16, 32, 64, 128)) -> None:
        super().__init__()
        a, b, c, d = channels
        self.body = nn.Sequential(
            Unit(PLANES, a, (3, 3), (2, 2)), Unit(a, b, (3, 3), (2, 2)), Pair(b, (3, 3)), Unit(b, c, (3, 3), (2, 1)),
            Pair(c, (3, 3)), Unit(c, d, (ROWS // 8, 1)), Pair(d, (1, 3)), Pair(d, (1, 3), 2), Pair(d, (1, 3), 4),
        )  # fmt: skip
        self.drop = nn.Dropout(0.1)
        self.last = nn.Conv2d(d, len(SIGNS), 1)

    def forward(self, x: Tensor) -> Tensor:
        return self.last(self.drop(self.body(x)))
