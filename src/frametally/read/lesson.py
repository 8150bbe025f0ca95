"""Takes what settled frames of a night show of one display; gives the lesson: its places, its light, its bars lit and unlit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from frametally.read.rectify import Strip

LEAST_SIGHTS = 6
"""Fewer settled frames than this teach nothing."""

SHRINK = 3.0
"""A bar's own level counts against that of all bars together as if these had been seen this many times."""

LEAST_STEP = 0.35
"""Least step from unlit to lit, in shares of the lit level, that a bar is believed to have."""

_DECIMALS = 5


@dataclass(frozen=True)
class Sight:
    """What one settled frame shows of a display.

    `strip` the display seen straight on; `text` what was read; `mask` the digits mask it was read with; `layout` and `gain` how
    its places lie and how much they explain; `dark`, `contrast`, `ground` as in `reader.Known`; `ratio` (places, 7) the bars' ink
    in shares of their place's lit level; `shape` (places, 7) which of them are lit, in the places that show a sign at all:
    `shown` (places,).
    """

    strip: Strip
    text: str
    mask: str
    layout: np.ndarray
    gain: float
    dark: bool
    contrast: float
    ground: float
    ratio: np.ndarray
    shape: np.ndarray
    shown: np.ndarray


@dataclass(frozen=True)
class Levels:
    """The ink of every bar, (places, 7), when it is `unlit` and when it is `lit`, in shares of its place's lit level, and how far
    it strays from that, `spread`, in the settled frames."""

    unlit: np.ndarray
    lit: np.ndarray
    spread: np.ndarray


@dataclass(frozen=True)
class Lesson:
    """What the night taught of one display, from `frames` settled frames: as `reader.Known`, the bars' own `levels` by mask."""

    frames: int
    layouts: Mapping[str, np.ndarray]
    gains: Mapping[str, float]
    levels: Mapping[str, Levels]
    contrast: float
    dark: bool
    ground: float

    def to_dict(self) -> dict[str, Any]:
        """Give the lesson as JSON can hold it; `from_dict` gives exactly the same back."""
        return {
            "frames": self.frames,
            "contrast": self.contrast,
            "dark": self.dark,
            "ground": self.ground,
            "masks": {
                mask: {
                    "layout": self.layouts[mask].tolist(),
                    "gain": self.gains[mask],
                    "unlit": self.levels[mask].unlit.tolist(),
                    "lit": self.levels[mask].lit.tolist(),
                    "spread": self.levels[mask].spread.tolist(),
                }
                for mask in self.layouts
            },
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Lesson:
        """Give the lesson that `to_dict` took apart. Raises KeyError, TypeError or ValueError where it is no such thing."""
        masks = data["masks"]
        return cls(
            int(data["frames"]),
            {mask: np.array(taught["layout"], float) for mask, taught in masks.items()},
            {mask: float(taught["gain"]) for mask, taught in masks.items()},
            {
                mask: Levels(*(np.array(taught[name], float) for name in ("unlit", "lit", "spread")))
                for mask, taught in masks.items()
            },
            float(data["contrast"]),
            bool(data["dark"]),
            float(data["ground"]),
        )


def conclude(sights: Sequence[Sight]) -> Lesson | None:
    """Give what the sights have in common; None where they are too few or do not agree which way the ink is.

    The order of the sights does not matter, and the numbers are rounded: a lesson from a journal is the one that was learned.
    """
    dark = sum(sight.dark for sight in sights) * 2 > len(sights)
    sights = [sight for sight in sights if sight.dark is dark]
    by_mask = {mask: [sight for sight in sights if sight.mask == mask] for mask in sorted({sight.mask for sight in sights})}
    by_mask = {mask: seen for mask, seen in by_mask.items() if len(seen) >= LEAST_SIGHTS}
    if not by_mask:
        return None
    kept = [sight for seen in by_mask.values() for sight in seen]
    return Lesson(
        len(kept),
        {mask: _rounded(np.median([sight.layout for sight in seen], axis=0)) for mask, seen in by_mask.items()},
        {mask: _median([sight.gain for sight in seen]) for mask, seen in by_mask.items()},
        {mask: _levels(seen) for mask, seen in by_mask.items()},
        _median([sight.contrast for sight in kept]),
        dark,
        _median([sight.ground for sight in kept]),
    )


def _levels(seen: Sequence[Sight]) -> Levels:
    """Give every bar's own levels; a bar that was rarely seen lit (or unlit) is believed to be much like the others."""
    ratio = np.array([sight.ratio for sight in seen])
    shape, shown = np.array([sight.shape for sight in seen]), np.array([sight.shown for sight in seen])
    lit, lit_strays = _level(ratio, shape & shown[:, :, None], 1.0)
    unlit, unlit_strays = _level(ratio, ~shape & shown[:, :, None], 0.0)
    return Levels(_rounded(np.minimum(unlit, lit - LEAST_STEP)), _rounded(lit), _rounded(np.maximum(lit_strays, unlit_strays)))


def _level(ratio: np.ndarray, chosen: np.ndarray, expected: float) -> tuple[np.ndarray, np.ndarray]:
    """Give the level of every bar, and how far it strays (as a standard deviation): (places, 7) each."""
    usual = float(np.median(ratio[chosen])) if chosen.any() else expected
    stray_of_all = 1.4826 * float(np.median(np.abs(ratio[chosen] - usual))) if chosen.any() else 0.0
    level, strays = np.full(ratio.shape[1:], usual), np.full(ratio.shape[1:], stray_of_all)
    for place, bar in np.argwhere(chosen.any(axis=0)):
        own = ratio[chosen[:, place, bar], place, bar]
        middle = float(np.median(own))
        level[place, bar] = (len(own) * middle + SHRINK * usual) / (len(own) + SHRINK)
        spread = 1.4826 * float(np.median(np.abs(own - middle)))
        strays[place, bar] = (len(own) * spread + SHRINK * stray_of_all) / (len(own) + SHRINK)
    return level, strays


def _median(values: Sequence[float]) -> float:
    return round(float(np.median(values)), _DECIMALS)


def _rounded(values: np.ndarray) -> np.ndarray:
    return np.asarray(np.round(values, _DECIMALS) + 0.0)
