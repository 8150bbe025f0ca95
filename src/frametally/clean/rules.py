"""Takes one display's readings through the night; gives what neighbouring frames and the whole night say of each doubt.

Nothing here sees pixels: the readers' rivals, with their probabilities, stand for them. A value is changed only to a rival
that the pixels themselves support; the neighbours alone never make a value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from frametally.model import Display, Flag, Reading
from frametally.pace import usual_pause

CONFIDENT = 0.98
"""A first reading this probable from its pixels is never exchanged for another."""

PIXELS_AT_LEAST = 0.6
"""A value counts as settled only where the pixels alone give it this much."""

PIXELS_FOR_REPAIR = 0.15
"""A rival takes the first reading's place only where the pixels alone give it this much."""

GUESSED_BELOW, PIXELS_FOR_GUESS, NEIGHBOURS_FOR_GUESS = 0.5, 0.1, 0.9
"""A first reading that the pixels give less than the first is a guess among several. Of these a doubt shows the one that the
neighbours make as probable as the third, where the pixels alone give it the second, and a third of what they give the first."""

WORTH_SHOWING = 0.25
"""A value less probable than this, from its pixels and with its neighbours, is no doubt but no reading at all."""

JUMP_SHARE, EVENT_SHARE = 0.02, 0.5
"""How often a true jump is expected: at any step, and where another display jumps too (common practice, no source)."""

JUMP_STEPS = 12.0
"""Half of the jumps go about this many usual steps far, the others anywhere."""

LOCAL = 4
"""Frames before and after that tell how fast things move just now."""

EVENT_STEPS = 5.0
"""A clear reading that moves further than this many usual steps makes an event for the other displays."""

_NO_VALUE = frozenset({Flag.HIDDEN, Flag.LOST, Flag.NO_FRAME})


@dataclass(frozen=True)
class Settled:
    """What a reading became: `reading` is the reader's own, untouched; `value`, `flag` and `confidence` count. `taught` says that
    they come from a second reading, made with what the night taught; `elsewhere` that the place showed another display then."""

    reading: Reading
    value: float | None
    flag: Flag
    confidence: float
    taught: bool = False
    elsewhere: bool = False


def settle(
    readings: Sequence[Reading],
    elapsed_min: Sequence[float],
    display: Display,
    doubtful_below: float,
    events: np.ndarray | None = None,
) -> list[Settled]:
    """Judge a night's readings of one display.

    Parameters
    ----------
    readings : one per frame, in the order of time
    elapsed_min : when each was taken; NaN where unknown (then every step counts as one interval) [min]
    doubtful_below : a probability below this is a doubt, 0 to 1
    events : bool, (frames,): whether other displays jump on the way to this frame, as `find_events` says of each
    """
    readings = unbelieved_words(whole_night_lost(readings))
    steps = _steps(elapsed_min)
    scale = step_scale(readings, steps, display)
    jump_share = np.where(events, EVENT_SHARE, JUMP_SHARE) if events is not None else np.full(len(readings), JUMP_SHARE)
    posteriors = neighbours_say(readings, steps, scale, jump_share, display)
    anchored = _near_clear(readings)
    judged = [_judge(*given, doubtful_below) for given in zip(readings, posteriors, anchored, strict=True)]
    return doubt_dark_digits(judged, scale, display)


def doubt_dark_digits(judged: Sequence[Settled], scale: np.ndarray, display: Display) -> list[Settled]:
    """Doubt a number that is what is left of its neighbours' when their first digits are dark, as 13 is of 113.

    Digits that are lit one after another can be dark to a short shutter, and what is left is read as clearly as any number. So
    much and no more must lack, before and behind, within LOCAL frames; at the night's end before alone.
    """
    values = [item.value if item.flag in (Flag.OK, Flag.REPAIRED) else None for item in judged]
    clear = _clear_values([item.reading for item in judged])
    seen = [
        value if value is not None else None if np.isnan(plain) else plain for value, plain in zip(values, clear, strict=True)
    ]
    least = display.resolution or _last_place(display)
    last = max((i for i, value in enumerate(values) if value is not None), default=-1)
    result = []
    for i, (item, value) in enumerate(zip(judged, values, strict=True)):
        if value is not None and value >= 0:
            slack = max(3 * float(scale[i]), 2 * least)
            before = any(_is_left(value, other, slack) for other in seen[max(0, i - LOCAL) : i])
            behind = any(_is_left(value, other, slack) for other in seen[i + 1 : i + 1 + LOCAL])
            if before and (behind or i == last):
                item = replace(item, flag=Flag.DOUBTFUL)
        result.append(item)
    return result


def _is_left(value: float, whole: float | None, slack: float) -> bool:
    """Tell whether a value is what is left of a larger one, but for the usual steps, when one or more first digits lack."""
    if whole is None:
        return False
    unit = 10.0 ** len(str(int(value)))
    lacking = round((whole - value) / unit)
    return lacking >= 1 and abs(whole - value - lacking * unit) <= min(slack, unit / 4)


def whole_night_lost(readings: Sequence[Reading]) -> list[Reading]:
    """Turn "hidden" until the end of the night into "lost": what never comes back was moved or taken away, not covered."""
    last_seen = max((i for i, reading in enumerate(readings) if reading.flag not in _NO_VALUE), default=-1)
    return [
        replace(reading, flag=Flag.LOST) if index > last_seen and reading.flag is Flag.HIDDEN else reading
        for index, reading in enumerate(readings)
    ]


def unbelieved_words(readings: Sequence[Reading]) -> list[Reading]:
    """Take the words of a display on which next to nothing else can be read for what they are: bad fits of a wrong mark.

    A display that is over its range all night shows little but its word, and is believed.
    """
    looked = [reading for reading in readings if reading.flag not in _NO_VALUE and reading.flag is not Flag.BLANK]
    numbers = sum(reading.flag is Flag.OK and reading.confidence >= PIXELS_AT_LEAST for reading in looked)
    unread = sum(reading.flag in (Flag.UNREADABLE, Flag.OK, Flag.DOUBTFUL) for reading in looked) - numbers
    if len(looked) < 8 or numbers > 0.1 * len(looked) or unread < 0.5 * len(looked):
        return list(readings)
    words = (Flag.OVER_RANGE, Flag.UNDER_RANGE, Flag.STATUS)
    return [replace(reading, flag=Flag.UNREADABLE) if reading.flag in words else reading for reading in readings]


def _steps(elapsed_min: Sequence[float]) -> np.ndarray:
    """Give how many usual intervals lie before each frame: shape (frames,), at least 1; the first is 1."""
    times = np.asarray(elapsed_min, float)
    pauses = np.diff(times, prepend=np.nan)
    usual = usual_pause(pauses)
    usual = usual if np.isfinite(usual) else 1.0
    return np.where(np.isfinite(pauses), np.clip(pauses / usual, 1.0, 1000.0), 1.0)


def step_scale(readings: Sequence[Reading], steps: np.ndarray, display: Display) -> np.ndarray:
    """Learn from the night how far this quantity moves in one interval, on the way to each frame: shape (frames,).

    It is the mean step of clear neighbours over the night, jumps left out, or the median step in the hour of frames around,
    where that is more: a heater that has just been lit moves everything faster.
    """
    least = display.resolution or _last_place(display)
    moves = np.abs(np.diff(_clear_values(readings), prepend=np.nan)) / np.sqrt(steps)
    known = moves[np.isfinite(moves)]
    if known.size < 8:
        return np.full(len(readings), 3 * least)
    usual = max(float(known[known <= np.quantile(known, 0.95)].mean()), least)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(moves, LOCAL, constant_values=np.nan), 2 * LOCAL + 1)
    enough = np.isfinite(around).sum(axis=1) >= LOCAL
    local = np.array([float(np.nanmedian(row)) if there else 0.0 for row, there in zip(around, enough, strict=True)])
    return np.maximum(local, usual)


def find_events(readings: Sequence[Reading], elapsed_min: Sequence[float], display: Display) -> np.ndarray:
    """Tell at which frames this display clearly jumped, or went over its range, since the frame before: bool, (frames,).

    All displays hang in the same air: what is an event for one makes a jump likelier for the others.
    """
    steps = _steps(elapsed_min)
    clear = _clear_values(readings)
    moves = np.abs(np.diff(clear, prepend=np.nan)) / np.sqrt(steps)
    over = np.array([r.flag is Flag.OVER_RANGE and r.confidence >= CONFIDENT for r in readings], bool)
    turned = over != np.roll(over, 1)
    turned[:1] = False
    return (np.nan_to_num(moves) > EVENT_STEPS * step_scale(readings, steps, display)) | turned


def _clear_values(readings: Sequence[Reading]) -> np.ndarray:
    """Give the values that the pixels alone settle, NaN elsewhere: (frames,)."""
    clear = [r.value if r.flag is Flag.OK and r.confidence >= CONFIDENT else None for r in readings]
    return np.array([np.nan if value is None else value for value in clear], float)


def _last_place(display: Display) -> float:
    mask = display.masks[0]
    return 10.0 ** -(len(mask) - mask.index(".") - 1) if "." in mask else 1.0


def neighbours_say(
    readings: Sequence[Reading], steps: np.ndarray, scale: np.ndarray, jump_share: np.ndarray, display: Display
) -> list[np.ndarray]:
    """Give, for every reading, the probability of each of its rivals given all frames (forward and backward pass).

    The rivals' own probabilities come from the pixels; what they leave open is an "unknown" that may be anywhere, as after
    a jump. From one frame to the next a value moves by a Laplace-distributed step of the learned scale; or, with the chance
    `jump_share` (frames,), it jumps: half of the jumps by a Laplace-distributed step JUMP_STEPS times as wide, the others
    anywhere in the display's range. The last entry of each answer is the unknown's.
    """
    least = display.resolution or _last_place(display)
    span = (display.range[1] - display.range[0]) if display.range else 10.0 ** len(display.masks[0].replace(".", "")) * least
    chain = _Chain(least, max(span / least, 10.0))
    widths = scale * np.sqrt(steps)
    values = [np.array([v if v is not None else np.nan for v, _ in _candidates(reading)] + [np.nan]) for reading in readings]
    pixels = [_pixel_chances(reading) for reading in readings]
    forward = chain.messages(values, pixels, widths, jump_share)
    later_widths, later_shares = np.append(widths[1:], 1.0), np.append(jump_share[1:], 0.0)
    backward = chain.messages(values[::-1], pixels[::-1], later_widths[::-1], later_shares[::-1])[::-1]
    posteriors = []
    for chance, before, after in zip(pixels, forward, backward, strict=True):
        joint = chance * before * after
        posteriors.append(joint / joint.sum())
    return posteriors


def _candidates(reading: Reading) -> list[tuple[float | None, float]]:
    """Give value and probability of a reading's rivals; none where there was no number to read."""
    if reading.flag in _NO_VALUE or reading.flag is Flag.BLANK:
        return []
    return [(rival.value, rival.probability) for rival in reading.rivals]


def _pixel_chances(reading: Reading) -> np.ndarray:
    known = np.array([max(probability, 1e-9) for _, probability in _candidates(reading)])
    return np.append(known, max(1.0 - float(known.sum()), 1e-6))


@dataclass(frozen=True)
class _Chain:
    """How a value moves from frame to frame on a display with the finest step `least` and a `count` of values it can show."""

    least: float
    count: float

    def messages(
        self, values: list[np.ndarray], pixels: list[np.ndarray], widths: np.ndarray, jump_share: np.ndarray
    ) -> list[np.ndarray]:
        """Give what the frames before each frame say of its rivals, up to a common factor."""
        messages = [np.ones(len(values[0]))] if values else []
        for index in range(1, len(values)):
            belief = pixels[index - 1] * messages[-1]
            moved = np.abs(values[index][None, :] - values[index - 1][:, None])
            messages.append((belief / belief.sum()) @ self._chance(moved, float(widths[index]), float(jump_share[index])))
        return messages

    def _chance(self, moved: np.ndarray, width: float, jump_share: float) -> np.ndarray:
        near = self.least / (2 * width) * np.exp(-moved / width)
        wide = JUMP_STEPS * width
        jump = 0.5 * self.least / (2 * wide) * np.exp(-moved / wide)
        return (1 - jump_share) * np.nan_to_num(near, nan=0.0) + jump_share * (np.nan_to_num(jump, nan=0.0) + 0.5 / self.count)


def _near_clear(readings: Sequence[Reading]) -> list[bool]:
    """Tell which frames have one nearby, LOCAL before or after, that the pixels alone settle: doubts settle no doubts."""
    clear = np.isfinite(_clear_values(readings))
    return [bool(clear[max(index - LOCAL, 0) : index + LOCAL + 1].any()) for index in range(len(clear))]


def _judge(reading: Reading, posterior: np.ndarray, anchored: bool, doubtful_below: float) -> Settled:
    if reading.flag in _NO_VALUE or reading.flag in (Flag.BLANK, Flag.UNREADABLE):
        return Settled(reading, None, reading.flag, reading.confidence)
    if reading.value is None:
        sure = reading.confidence >= min(doubtful_below, 0.9)
        return Settled(reading, None, reading.flag if sure else Flag.UNREADABLE, reading.confidence)
    best = int(posterior[:-1].argmax()) if reading.rivals else 0
    if max(reading.confidence, float(posterior[best])) < WORTH_SHOWING or not reading.rivals:
        return Settled(reading, None, Flag.UNREADABLE, reading.confidence)
    rival = reading.rivals[best]
    if best == 0:
        sure = posterior[0] >= doubtful_below and rival.probability >= PIXELS_AT_LEAST
        flag = reading.flag if sure else Flag.DOUBTFUL
        return Settled(reading, reading.value, flag, min(float(posterior[0]), 1.0))
    open_to_repair = reading.flag is Flag.OK and reading.confidence < CONFIDENT  # what glare hides is not for neighbours to say
    supported = rival.value is not None and rival.probability >= PIXELS_FOR_REPAIR and open_to_repair and anchored
    if supported and posterior[best] >= max(doubtful_below, 0.99):
        return Settled(reading, rival.value, Flag.REPAIRED, float(posterior[best]))
    among_guesses = reading.confidence < GUESSED_BELOW and rival.probability >= max(PIXELS_FOR_GUESS, reading.confidence / 3)
    if among_guesses and rival.value is not None and posterior[best] >= NEIGHBOURS_FOR_GUESS:
        return Settled(reading, rival.value, Flag.DOUBTFUL, float(posterior[best]))
    return Settled(reading, reading.value, Flag.DOUBTFUL, float(posterior[0]))
