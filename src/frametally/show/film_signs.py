"""Takes one reading's value and flag; gives what a film writes for it, and in which shape: never by colour alone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from frametally.model import Display, Flag
from frametally.show.tables import format_value

Kind = Literal["settled", "doubtful", "none"]

_WORDS = {
    Flag.OVER_RANGE: "▲ over range",
    Flag.UNDER_RANGE: "▼ under range",
    Flag.BLANK: "display off",
    Flag.HIDDEN: "hidden",
    Flag.LOST: "not found",
    Flag.UNREADABLE: "unreadable",
    Flag.NO_FRAME: "no photo",
}
"""What stands in place of a number."""

_NOTES = {Flag.REPAIRED: "repaired", Flag.CORRECTED: "set by hand", Flag.DOUBTFUL: "doubtful"}
"""What stands under a number."""


@dataclass(frozen=True)
class Sign:
    """What stands for one reading: `text` large, `note` small below it ("" where nothing is to be said).

    `kind`: a settled value stands in a closed frame, a doubtful one, with its question mark, in a broken one, and words in
    place of a number in a thin one.
    """

    text: str
    note: str
    kind: Kind


def sign_of(display: Display, value: float, flag: str, raw_text: str = "") -> Sign:
    """Give the sign of a reading; `value` is NaN where it has none, `raw_text` the word that a display with a status showed."""
    known = Flag(flag) if flag in set(Flag) else Flag.UNREADABLE
    number = format_value(value, display.resolution)
    if known is Flag.STATUS:
        return Sign(f"“{raw_text}”" if raw_text else "a word", "status", "none")
    if known in _WORDS or not number:
        return Sign(_WORDS.get(known, "no value"), "", "none")
    unit = "" if display.unit in ("", "1") else f" {display.unit}"
    if known is Flag.DOUBTFUL:
        return Sign(f"{number}{unit} ?", _NOTES[known], "doubtful")
    return Sign(f"{number}{unit}", _NOTES.get(known, ""), "settled")


KEY = (
    ((Flag.DOUBTFUL,), "hollow", "doubtful: not settled, look at the photo"),
    ((Flag.REPAIRED,), "", "repaired: pixels and neighbouring photos agree"),
    ((Flag.CORRECTED,), "", "set by hand: corrected by a person"),
    ((Flag.OVER_RANGE,), "▲", "above what the display can show"),
    ((Flag.UNDER_RANGE,), "▼", "below what the display can show"),
    ((Flag.STATUS, Flag.BLANK, Flag.HIDDEN, Flag.LOST, Flag.UNREADABLE), "×", "a photo, but no value"),
    ((Flag.NO_FRAME,), "hatched", "no photo: nothing is filled in"),
)
"""What a film explains of its signs: for which flags, the sign, the words."""


def key_of(flags: Iterable[str]) -> list[tuple[str, str]]:
    """Give sign and words of what has to be explained in a night with these flags."""
    there = set(flags)
    return [(sign, words) for needing, sign, words in KEY if there & set(needing)]
