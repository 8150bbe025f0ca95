"""Takes a seed and a folder; draws displays, teaches the network reader, writes its weights and figures there.

python -m frametally.train --out weights --seed 1
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from frametally.read.network import Tuning
    from frametally.train.net import Net
    from frametally.train.tuning import Trial

CHANNELS = (12, 24, 48, 96)

HELD_OUT = 1_000_003
"""Added to the seed for the examples that tune and judge."""


def _arguments(words: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m frametally.train", description="Teach the network reader on drawn displays.")
    parser.add_argument("--out", type=Path, required=True, help="folder for network.onnx and network.json; made if missing")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--examples", type=int, default=500_000, help="drawn displays to learn from")
    parser.add_argument("--held-out", type=int, default=8_000, help="drawn displays to tune and judge with")
    parser.add_argument("--steps", type=int, default=26_000)
    parser.add_argument("--batch", type=int, default=512)
    parser.add_argument(
        "--channels", type=int, nargs=4, default=CHANNELS, help="the net's widths, from the first layers to the last"
    )
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1, help="processes that draw")
    parser.add_argument("--shelves", type=Path, help="keep the drawn examples here, or take them from here")
    parser.add_argument("--only-draw", action="store_true", help="stop once the examples are drawn and kept")
    return parser.parse_args(words)


def _tell(text: str) -> None:
    print(f"{time.strftime('%H:%M:%S')} {text}", file=sys.stderr, flush=True)


def main(words: list[str] | None = None) -> int:
    """Run the whole lesson."""
    from frametally.train.shards import draw_all, load_shelves, save_shelves, shelve

    chosen = _arguments(words)
    if chosen.shelves is not None and any(chosen.shelves.glob("width_*.npz")):
        _tell(f"taking the drawn examples from {chosen.shelves}")
        shelves = load_shelves(chosen.shelves)
    else:
        _tell(f"drawing {chosen.examples} displays with {chosen.processes} processes")
        shelves = shelve(draw_all(chosen.seed, chosen.examples, chosen.processes))
        if chosen.shelves is not None:
            save_shelves(shelves, chosen.shelves)
    if chosen.only_draw:
        return 0

    import torch

    from frametally.train.export import export
    from frametally.train.net import Net
    from frametally.train.teaching import Lesson, teach

    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    lesson = Lesson(chosen.steps, chosen.batch)
    _tell(f"teaching on {device}: {lesson}")
    torch.manual_seed(chosen.seed)
    net = teach(shelves, lesson, chosen.seed, device, _tell, Net(tuple(chosen.channels)))
    chosen.out.mkdir(parents=True, exist_ok=True)
    export(net, chosen.out / "network.onnx")
    _tell("tuning")
    trials = _trials(net.cpu(), chosen.seed + HELD_OUT, chosen.held_out, chosen.processes)
    _write(trials, chosen)
    return 0


def _trials(net: Net, seed: int, count: int, processes: int) -> list[Trial]:
    import torch

    from frametally.read.network import STRIDE, fill_up
    from frametally.train.shards import draw_all
    from frametally.train.tuning import is_fair, try_example

    trials = []
    with torch.no_grad():
        for batch in draw_all(seed, count, processes):
            for crop in (crop for crop in batch if is_fair(crop.mask, crop.text)):
                scores = net(torch.from_numpy(fill_up(crop.planes)))[0, :, 0].T.double()
                chances = scores[: -(-crop.planes.shape[2] // STRIDE)].softmax(dim=1).numpy()
                trials.append(try_example(np.asarray(chances), crop.mask, crop.text))
    return trials


def _write(trials: list[Trial], chosen: argparse.Namespace) -> Tuning:
    """Tune on the first half of the held-out examples, judge on the second, write both beside the weights."""
    from frametally.train.tuning import fit_tuning, judge

    half = len(trials) // 2
    tuning = fit_tuning(trials[:half])
    figures = judge(trials[half:], tuning)
    _tell(f"{tuning}; {figures}")
    recipe = {"seed": chosen.seed, "examples": chosen.examples, "steps": chosen.steps, "batch": chosen.batch}
    written = {**asdict(tuning), "recipe": recipe, "held_out": {k: round(v, 5) for k, v in asdict(figures).items()}}
    (chosen.out / "network.json").write_text(json.dumps(written, indent=2) + "\n", encoding="utf-8")
    return tuning


if __name__ == "__main__":
    raise SystemExit(main())
