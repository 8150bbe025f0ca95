"""Takes a strip, a digits mask and a display's words; gives the rival readings of a small convolutional net.

The net looks at the whole field at once and says, column by column, which sign stands there (connectionist temporal
classification, Graves et al. 2006). It knows nothing of bars, so that it fails on other displays than the bar reader does.
It was trained on drawn displays alone; `frametally.train` says how.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from functools import cached_property, lru_cache
from importlib.resources import files

import cv2
import numpy as np
import onnxruntime

from frametally.errors import FrametallyError
from frametally.read.layout import Mask
from frametally.read.rectify import Strip
from frametally.read.scoring import BLANK, SIGNS, Tuning, text_scores, weigh
from frametally.read.sightings import Sighting, sightings

__all__ = [
    "BLANK", "MOST_COLUMNS", "PLANES", "ROWS", "SIGNS", "STRIDE", "WIDTH_STEP", "NetworkMissing", "Tuning", "View",
    "column_chances", "fill_up", "packaged_tuning", "prepare", "read_network", "text_scores", "weigh",
]  # fmt: skip

PLANES, ROWS = 3, 48
"""Planes and rows of the net's input. [px]"""

STRIDE = 4
"""Columns of the input per column of the output."""

WIDTH_STEP = 16
"""What the net learns from is filled up to a multiple of this width. [px]"""

MOST_COLUMNS = 448


class NetworkMissing(FrametallyError):
    """The net's weights are not where the package keeps them."""


def prepare(strip: Strip) -> np.ndarray:
    """Bring a strip to the net's input: uint8, shape (PLANES, ROWS, columns), columns proportional to the strip's width.

    The colour axis along which the strip varies most carries the segments. The first plane is that brightness between its
    darkest and brightest hundredth; the second what stands off its surroundings, over how much they vary, so that neither the
    light's level nor its gradient matters; the third how colourful each point is, since the pale bodies of unlit red bars can
    be as bright as lit ones. Light and dark digits are not told apart: the net sees both.
    """
    columns = min(max(round(strip.pixels.shape[1] * ROWS / strip.pixels.shape[0]), 8), MOST_COLUMNS)
    small = cv2.resize(strip.colour, (columns, ROWS), interpolation=cv2.INTER_AREA)
    grey = strip.along_axis(small)
    low, span = _range(grey, 2.0)
    off = grey - cv2.blur(grey, _AROUND, borderType=cv2.BORDER_REPLICATE)
    spread = cv2.blur(off * off, _AROUND, borderType=cv2.BORDER_REPLICATE)
    unrest = np.sqrt(np.maximum(spread, 0)) + np.float32(0.04 * span + 0.3)
    blue, green, red = small[..., 0], small[..., 1], small[..., 2]
    colourful = np.maximum(np.maximum(blue, green), red) - np.minimum(np.minimum(blue, green), red)
    least, reach = _range(colourful, 40.0)
    planes = np.array([(grey - low) * (170 / span) + 42.5, off / unrest * 50 + 127.5, (colourful - least) * (170 / reach) + 42.5])
    return np.clip(np.rint(planes, out=planes), 0, 255, out=planes).astype(np.uint8)


_AROUND = (27, 27)


def _range(values: np.ndarray, least: float) -> tuple[float, float]:
    """Give the lowest value and the span up to the highest, a hundredth left out at both ends; the span is `least` or more."""
    some = values[::2, ::2].flatten()
    low, high = some.size // 100, some.size - 1 - some.size // 100
    some.partition((low, high))
    return float(some[low]), max(float(some[high] - some[low]), least)


def fill_up(planes: np.ndarray) -> np.ndarray:
    """Give the net's input, middle grey at the right up to a multiple of STRIDE: float32, (1, PLANES, ROWS, columns)."""
    columns = planes.shape[2]
    filled = np.zeros((1, *planes.shape[:2], -(-columns // STRIDE) * STRIDE), np.float32)
    filled[0, :, :, :columns] = planes * np.float32(1 / 255) - np.float32(0.5)
    return filled


@lru_cache(maxsize=1)
def packaged_tuning() -> Tuning:
    """Give the figures that belong to the packaged weights."""
    figures = json.loads(_packaged("network.json"))
    return Tuning(float(figures["temperature"]), float(figures["leak"]), float(figures["slip"]))


def _packaged(name: str) -> bytes:
    try:
        return (files("frametally.read") / "weights" / name).read_bytes()
    except OSError as problem:
        raise NetworkMissing(
            f"the net's file {name} is missing from the installed package ({problem}); install frametally again"
        ) from problem


@lru_cache(maxsize=1)
def _net() -> onnxruntime.InferenceSession:
    """Prepare the packaged net; any number of threads may run it, each in itself, on strips of any width."""
    onnxruntime.disable_telemetry_events()  # the usual builds for Windows write some
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3  # errors only
    return onnxruntime.InferenceSession(_packaged("network.onnx"), options, providers=["CPUExecutionProvider"])


def column_chances(planes: np.ndarray) -> np.ndarray:
    """Run the packaged net on a prepared strip; give every output column's chance of every sign: (columns, len(SIGNS))."""
    (scores,) = _net().run(None, {"strip": fill_up(planes)})
    scores = scores[0, :, 0, : -(-planes.shape[2] // STRIDE)].T.astype(np.float64)
    chances = np.exp(scores - scores.max(axis=1, keepdims=True))
    return chances / chances.sum(axis=1, keepdims=True)


def read_network(strip: Strip, mask: Mask, words: Sequence[str]) -> list[tuple[str, float]]:
    """Read a strip with the packaged net.

    Parameters
    ----------
    words : what else than numbers the display may show, like "OL"; case does not matter

    Returns
    -------
    (text, probability), best first, at most six. A text is a number written into the mask, blanks in front left out, one of
    the words in capitals, or "" for a display on which nothing shows. The probabilities sum to less than 1: the rest belongs to
    what is none of these. Raises NetworkMissing where the package lacks its weights.
    """
    return View(strip).read(mask, words)


class View:
    """What the net sees on one strip. It looks once, when it is first asked."""

    def __init__(self, strip: Strip) -> None:
        self._strip = strip
        self._texts: dict[tuple[tuple[str, ...], tuple[str, ...]], list[tuple[str, float]]] = {}

    @cached_property
    def chances(self) -> np.ndarray:
        """Every output column's chance of every sign, as `column_chances` gives them."""
        return column_chances(prepare(self._strip))

    def look(self) -> None:
        """Look now: where several strips wait, one after the other is quicker."""
        _ = self.chances

    def read(self, masks: Mask | Sequence[Mask], words: Sequence[str]) -> list[tuple[str, float]]:
        """Give (text, probability), as `read_network` does; of several masks, whichever the points seen speak for."""
        masks = (masks,) if isinstance(masks, Mask) else tuple(masks)
        asked = tuple(mask.text for mask in masks), tuple(words)
        if asked not in self._texts:
            self._texts[asked] = weigh(text_scores(self.chances, masks, words), packaged_tuning())
        return self._texts[asked]

    def sightings(self, mask: Mask, texts: Iterable[str]) -> list[Sighting]:
        """Give where the digits of each number stand, as `sightings` does."""
        return sightings(self.chances, self._strip.pixels.shape[1], mask, texts)
