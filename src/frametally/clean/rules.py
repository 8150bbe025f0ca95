"""Takes one display's readings through the night; gives what neighbouring frames and the whole night say of each doubt.

Nothing here sees pixels: the readers' rivals, with their probabilities, stand for them. A value is changed only to a rival
that the pixels themselves support; the neighbours alone never make a value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from frametally.model import Display, Flag, Reading

CONFIDENT = 0.98
"""A first reading this probable from its pixels is never exchanged for another."""

PIXELS_AT_LEAST = 0.6
"""A value counts as settled only where the pixels alone give it this much."""

PIXELS_FOR_REPAIR = 0.15
"""A rival takes the first reading's place only where the pixels alone give it this much."""

JUMP_SHARE = 0.02
"""How often a true jump is expected: the weight of the heavy tail (common practice, no source)."""

_NO_VALUE = frozenset({Flag.HIDDEN, Flag.LOST, Flag.NO_FRAME})


@dataclass(frozen=True)
class Settled:
    """What a reading became: `reading` is the reader's own, untouched; `value`, `flag` and `confidence` count."""

    reading: Reading
    value: float | None
    flag: Flag
    confidence: float


def settle(readings: Sequence[Reading], elapsed_min: Sequence[float], display: Display, doubtful_below: float) -> list[Settled]:
    """Judge a night's readings of one display.

    Parameters
    ----------
    readings : one per frame, in the order of time
    elapsed_min : when each was taken; NaN where unknown (then every step counts as one interval) [min]
    doubtful_below : a probability below this is a doubt, 0 to 1
    """
    readings = whole_night_lost(readings)
    readings = [_unlit_all(reading, _usual_sharpness(readings)) for reading in readings]
    steps = _steps(elapsed_min)
    scale = step_scale(readings, steps, display)
    posteriors = neighbours_say(readings, steps, scale, display)
    return [_judge(reading, posterior, doubtful_below) for reading, posterior in zip(readings, posteriors, strict=True)]


def whole_night_lost(readings: Sequence[Reading]) -> list[Reading]:
    """Turn "hidden" until the end of the night into "lost": what never comes back was moved or taken away, not covered."""
    last_seen = max((i for i, reading in enumerate(readings) if reading.flag not in _NO_VALUE), default=-1)
    return [
        replace(reading, flag=Flag.LOST) if index > last_seen and reading.flag is Flag.HIDDEN else reading
        for index, reading in enumerate(readings)
    ]


def _usual_sharpness(readings: Sequence[Reading]) -> float:
    clear = [reading.sharpness for reading in readings if reading.flag is Flag.OK and reading.confidence >= CONFIDENT]
    return float(np.median(clear)) if len(clear) >= 5 else 0.0


def _unlit_all(reading: Reading, usual: float) -> Reading:
    """Take a reading of nothing but eights that stands out far less than usual for what it is: the unlit bars of a display that is off."""
    eights = reading.text and not set(reading.text) - set("8.")
    if eights and reading.flag in (Flag.OK, Flag.DOUBTFUL) and reading.sharpness < 0.35 * usual:
        return replace(reading, flag=Flag.BLANK)
    return reading


def _steps(elapsed_min: Sequence[float]) -> np.ndarray:
    """Give how many usual intervals lie before each frame: shape (frames,), at least 1; the first is 1."""
    times = np.asarray(elapsed_min, float)
    pauses = np.diff(times, prepend=np.nan)
    known = pauses[np.isfinite(pauses) & (pauses > 0)]
    usual = float(np.median(known)) if known.size else 1.0
    return np.where(np.isfinite(pauses), np.clip(pauses / usual, 1.0, 1000.0), 1.0)


def step_scale(readings: Sequence[Reading], steps: np.ndarray, display: Display) -> float:
    """Learn from the night how far this quantity moves in one interval: the mean step of clear neighbours, jumps left out."""
    least = display.resolution or _last_place(display)
    clear = np.array(
        [r.value if r.flag is Flag.OK and r.value is not None and r.confidence >= CONFIDENT else np.nan for r in readings]
    )
    moves = np.abs(np.diff(clear)) / np.sqrt(steps[1:])
    moves = moves[np.isfinite(moves)]
    if moves.size < 8:
        return 3 * least
    usual = moves[moves <= np.quantile(moves, 0.95)]
    return max(float(usual.mean()), least)


def _last_place(display: Display) -> float:
    mask = display.masks[0]
    return 10.0 ** -(len(mask) - mask.index(".") - 1) if "." in mask else 1.0


def neighbours_say(readings: Sequence[Reading], steps: np.ndarray, scale: float, display: Display) -> list[np.ndarray]:
    """Give, for every reading, the probability of each of its rivals given all frames (forward and backward pass).

    The rivals' own probabilities come from the pixels; what they leave open is an "unknown" that may be anywhere, as after
    a jump. From one frame to the next a value moves by a Laplace-distributed step of the learned scale, or, rarely, jumps
    anywhere. The last entry of each answer is the unknown's.
    """
    least = display.resolution or _last_place(display)
    span = (display.range[1] - display.range[0]) if display.range else 10.0 ** len(display.masks[0].replace(".", "")) * least
    count = max(span / least, 10.0)
    values = [np.array([r.value if r.value is not None else np.nan for r in reading.rivals] + [np.nan]) for reading in readings]
    pixels = [_pixel_chances(reading) for reading in readings]
    forward = _pass(values, pixels, steps, scale, least, count)
    backward = _pass(values[::-1], pixels[::-1], np.append(steps[1:], 1.0)[::-1], scale, least, count)[::-1]
    posteriors = []
    for chance, before, after in zip(pixels, forward, backward, strict=True):
        joint = chance * before * after
        posteriors.append(joint / joint.sum())
    return posteriors


def _pixel_chances(reading: Reading) -> np.ndarray:
    known = np.array([max(rival.probability, 1e-9) for rival in reading.rivals])
    return np.append(known, max(1.0 - float(known.sum()), 1e-6))


def _pass(
    values: list[np.ndarray], pixels: list[np.ndarray], steps: np.ndarray, scale: float, least: float, count: float
) -> list[np.ndarray]:
    """Give what the frames before each frame say of its rivals, up to a common factor."""
    messages = [np.ones(len(values[0]))] if values else []
    for index in range(1, len(values)):
        belief = pixels[index - 1] * messages[-1]
        belief = belief / belief.sum()
        moved = np.abs(values[index][None, :] - values[index - 1][:, None])
        width = scale * np.sqrt(steps[index])
        near = least / (2 * width) * np.exp(-moved / width)
        chance = (1 - JUMP_SHARE) * np.nan_to_num(near, nan=0.0) + JUMP_SHARE / count
        messages.append(belief @ chance)
    return messages


def _judge(reading: Reading, posterior: np.ndarray, doubtful_below: float) -> Settled:
    if reading.flag in _NO_VALUE or reading.flag in (Flag.BLANK, Flag.UNREADABLE):
        return Settled(reading, None, reading.flag, reading.confidence)
    if reading.value is None:
        sure = reading.confidence >= min(doubtful_below, 0.9)
        return Settled(reading, None, reading.flag if sure else Flag.UNREADABLE, reading.confidence)
    best = int(posterior[:-1].argmax())
    rival = reading.rivals[best]
    if best == 0:
        sure = posterior[0] >= doubtful_below and rival.probability >= PIXELS_AT_LEAST
        flag = reading.flag if sure else Flag.DOUBTFUL
        return Settled(reading, reading.value, flag, min(float(posterior[0]), 1.0))
    supported = rival.value is not None and rival.probability >= PIXELS_FOR_REPAIR and reading.confidence < CONFIDENT
    if supported and posterior[best] >= max(doubtful_below, 0.99):
        return Settled(reading, rival.value, Flag.REPAIRED, float(posterior[best]))
    return Settled(reading, reading.value, Flag.DOUBTFUL, float(posterior[0]))
