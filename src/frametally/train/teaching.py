"""Takes shelves of drawn examples; gives a net that reads them."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from frametally.read.network import BLANK, STRIDE
from frametally.train.net import Net
from frametally.train.shards import Shelf


@dataclass(frozen=True)
class Lesson:
    """How the net is taught: `steps` of `batch` examples, the highest learning `rate`, the weights' `decay`, and how slowly the
    `averaged` weights follow."""

    steps: int = 26000
    batch: int = 512
    rate: float = 2.5e-3
    decay: float = 0.01
    averaged: float = 0.999


@dataclass(frozen=True)
class _Loaded:
    """A shelf with its large arrays on the device; the lengths stay with the processor, which the loss asks for them."""

    planes: Tensor
    said: Tensor
    steps: Tensor
    lengths: Tensor


def _load(shelf: Shelf, device: torch.device) -> _Loaded:
    steps = -(-torch.from_numpy(shelf.widths) // STRIDE)
    planes, said = torch.from_numpy(shelf.planes), torch.from_numpy(shelf.said)
    return _Loaded(planes.to(device), said.to(device), steps, torch.from_numpy(shelf.lengths))


def to_input(planes: Tensor) -> Tensor:
    """Bring stored planes to the net's input, as `read.network.fill_up` does."""
    return planes.float() / 255 - 0.5


def _varied(x: Tensor, widths: Tensor, move: int, generator: torch.Generator) -> Tensor:
    """Vary examples anew each time they are shown: dark turned to light, other contrast, more grain, `move` rows down."""
    count, planes, rows, columns = x.shape
    device = x.device

    def uniform(low: float, high: float, *shape: int) -> Tensor:
        return torch.rand(*shape, generator=generator, device=device) * (high - low) + low

    inside = torch.arange(columns, device=device)[None, None, None, :] < widths[:, None, None, None]
    turned = torch.where(uniform(0, 1, count, 1, 1, 1) < 0.35, -1.0, 1.0).repeat(1, planes, 1, 1)
    turned[:, 2] = 1.0  # colourful stays colourful
    y = x * turned * uniform(0.8, 1.2, count, planes, 1, 1) + uniform(-0.06, 0.06, count, planes, 1, 1)
    grain = torch.randn(x.shape, generator=generator, device=device)
    y = y + grain * (uniform(0, 0.07, count, 1, 1, 1) * (uniform(0, 1, count, 1, 1, 1) < 0.5))
    if move:  # rows move, the edge row is repeated
        index = (torch.arange(rows, device=device) + move).clamp(0, rows - 1)
        y = y[:, :, index]
    return torch.where(inside, y.clamp(-0.5, 0.5), torch.zeros((), device=device))


_AVERAGED_EVERY = 4


def _rate(step: int, lesson: Lesson) -> float:
    warm = min(1.0, (step + 1) / max(1, lesson.steps // 25))
    return warm * (0.5 + 0.5 * math.cos(math.pi * step / lesson.steps)) + 1e-3


def teach(
    shelves: dict[int, Shelf],
    lesson: Lesson,
    seed: int,
    device: torch.device,
    tell: Callable[[str], None],
    net: Net | None = None,
) -> Net:
    """Teach a net on all shelves; one batch is of one width, and widths come as often as they have examples."""
    torch.manual_seed(seed)
    random = np.random.default_rng(seed)
    generator = torch.Generator(device).manual_seed(seed)
    net = (net or Net()).to(device)
    average = copy.deepcopy(net)
    optimiser = torch.optim.AdamW(net.parameters(), lr=lesson.rate, weight_decay=lesson.decay)
    schedule = torch.optim.lr_scheduler.LambdaLR(optimiser, lambda step: _rate(step, lesson))
    loaded = {width: _load(shelf, device) for width, shelf in shelves.items()}
    widths = np.array(list(loaded))
    share = np.array([len(shelf.planes) for shelf in loaded.values()], np.float64)
    order = random.choice(widths, lesson.steps, p=share / share.sum())
    total = torch.zeros((), device=device)
    for step, width in enumerate(order):
        shelf = loaded[int(width)]
        count = len(shelf.planes)
        chosen = torch.from_numpy(random.integers(0, count, min(lesson.batch, count)))
        move = int(random.integers(-3, 4)) if random.random() < 0.5 else 0
        loss = _loss(net, shelf, chosen, move, generator)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        schedule.step()
        if step % _AVERAGED_EVERY == 0:
            _follow(average, net, min(lesson.averaged, (step + 1) / (step + 10)) ** _AVERAGED_EVERY)
        total += loss.detach()
        if (step + 1) % 500 == 0 or step + 1 == lesson.steps:
            tell(f"step {step + 1} of {lesson.steps}: mean loss {float(total) / (step % 500 + 1):.4f}")
            total.zero_()
    return average.eval()


@torch.no_grad()
def _follow(average: Net, net: Net, keep: float) -> None:
    """Draw the averaged weights a little towards the learning ones; the norms' own averages likewise."""
    torch._foreach_lerp_(list(average.parameters()), list(net.parameters()), 1 - keep)
    for kept, new in zip(average.buffers(), net.buffers(), strict=True):
        if kept.is_floating_point():
            kept.lerp_(new, 1 - keep)


def _loss(net: Net, shelf: _Loaded, chosen: Tensor, move: int, generator: torch.Generator) -> Tensor:
    there = chosen.to(shelf.planes.device)
    steps, lengths = shelf.steps[chosen], shelf.lengths[chosen]
    x = _varied(to_input(shelf.planes[there]), (steps * STRIDE).to(there.device), move, generator)
    with torch.autocast(x.device.type, dtype=torch.bfloat16, enabled=x.device.type == "cuda"):
        scores = net(x)
    logs = scores.float()[:, :, 0].permute(2, 0, 1).log_softmax(dim=2)
    each = torch.nn.functional.ctc_loss(
        logs, shelf.said[there], steps, lengths, blank=BLANK, reduction="none", zero_infinity=True
    )
    return each.mean()
