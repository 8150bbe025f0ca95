"""Takes a seed and a count; gives that many drawn examples, drawn by all processor cores, as arrays on disk or in memory.

Example number i is the same whatever the number of cores: every batch of a hundred has a random generator of its own.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from frametally.read.network import SIGNS, WIDTH_STEP
from frametally.train.crops import Crop, draw_crop

BATCH = 100

MOST_SAID = 16
"""Room for the signs of one example."""


@dataclass(frozen=True)
class Shelf:
    """Examples of one filled-up width.

    `planes` uint8 (examples, planes, rows, columns), middle grey where an example is narrower; `widths` (examples,) their own
    columns; `said` int64 (examples, MOST_SAID) sign numbers, 0 after the last; `lengths` (examples,) how many signs are said.
    """

    planes: NDArray[np.uint8]
    widths: NDArray[np.int64]
    said: NDArray[np.int64]
    lengths: NDArray[np.int64]


def draw_batch(seed: int, number: int) -> list[Crop]:
    """Draw one batch of a hundred examples."""
    cv2.setNumThreads(1)
    random = np.random.default_rng([seed, number])
    return [draw_crop(random) for _ in range(BATCH)]


def _drawn(task: tuple[int, int]) -> list[Crop]:
    return draw_batch(*task)


def draw_all(seed: int, count: int, processes: int) -> Iterator[list[Crop]]:
    """Draw `count` examples (rounded up to whole batches), batch by batch, in order."""
    tasks = [(seed, number) for number in range(-(-count // BATCH))]
    if processes <= 1:
        yield from map(_drawn, tasks)
        return
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        yield from pool.imap(_drawn, tasks, chunksize=4)


def shelve(batches: Iterator[list[Crop]]) -> dict[int, Shelf]:
    """Sort examples by their filled-up width."""
    sorted_in: dict[int, list[Crop]] = {}
    for batch in batches:
        for crop in batch:
            sorted_in.setdefault(-(-crop.planes.shape[2] // WIDTH_STEP) * WIDTH_STEP, []).append(crop)
    return {width: _shelf(width, crops) for width, crops in sorted(sorted_in.items())}


def _shelf(width: int, crops: list[Crop]) -> Shelf:
    planes = np.full((len(crops), *crops[0].planes.shape[:2], width), 128, np.uint8)
    said = np.zeros((len(crops), MOST_SAID), np.int64)
    for index, crop in enumerate(crops):
        planes[index, :, :, : crop.planes.shape[2]] = crop.planes
        said[index, : len(crop.said)] = [SIGNS.index(sign) for sign in crop.said]
    widths = np.array([crop.planes.shape[2] for crop in crops], np.int64)
    return Shelf(planes, widths, said, np.array([len(crop.said) for crop in crops], np.int64))


def save_shelves(shelves: dict[int, Shelf], folder: Path) -> None:
    """Keep shelves on disk, one file per width."""
    folder.mkdir(parents=True, exist_ok=True)
    for width, shelf in shelves.items():
        np.savez(
            folder / f"width_{width:03d}.npz", planes=shelf.planes, widths=shelf.widths, said=shelf.said, lengths=shelf.lengths
        )


def load_shelves(folder: Path) -> dict[int, Shelf]:
    """Take shelves back from disk."""
    shelves = {}
    for path in sorted(folder.glob("width_*.npz")):
        with np.load(path) as kept:
            shelves[int(path.stem[-3:])] = Shelf(kept["planes"], kept["widths"], kept["said"], kept["lengths"])
    return shelves
