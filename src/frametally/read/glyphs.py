"""Takes nothing; gives which of the seven bars make which sign: the table that reading a seven-segment display rests on."""

from __future__ import annotations

import numpy as np

from frametally.read.layout import BARS

SHAPES = {
    "0": ("abcdef",), "1": ("bc",), "2": ("abdeg",), "3": ("abcdg",), "4": ("bcfg",),
    "5": ("acdfg",), "6": ("acdefg", "cdefg"), "7": ("abc", "abcf"), "8": ("abcdefg",), "9": ("abcdfg", "abcfg"),
    " ": ("",), "-": ("g",), "_": ("d",),
    "A": ("abcefg",), "B": ("cdefg",), "C": ("adef", "deg"), "D": ("bcdeg",), "E": ("adefg",), "F": ("aefg",),
    "H": ("bcefg", "cefg"), "I": ("bc", "ef", "c"), "J": ("bcd", "bcde"), "L": ("def",), "N": ("abcef", "ceg"),
    "O": ("abcdef", "cdeg"), "P": ("abefg",), "R": ("eg", "aef"), "S": ("acdfg",), "T": ("defg",),
    "U": ("bcdef", "cde"), "Y": ("bcdfg",),
}  # fmt: skip
"""The bars of every sign, with the variants that instruments use (common practice, no source): 6, 7 and 9 with and without
their tails, letters as capitals or small letters."""

GLYPHS = tuple(SHAPES)
_VARIANTS = [(glyph, shape) for glyph, shapes in SHAPES.items() for shape in shapes]

PATTERNS = np.array([[bar in shape for bar in BARS] for _, shape in _VARIANTS], bool)
"""The bars of every variant of every sign: (variants, 7)."""

OWNER = np.array([GLYPHS.index(glyph) for glyph, _ in _VARIANTS])
"""Whose variant each row of PATTERNS is: index into GLYPHS."""

SEARCHED = PATTERNS[[glyph in "0123456789 -L" for glyph, _ in _VARIANTS]]
"""The patterns that the search for digit places tries: few, so that they hold the layout fast."""

DISTINCT = np.array([index for index, glyph in enumerate(GLYPHS) if glyph not in "OSIB"])
"""Signs whose bars are not those of a digit already."""

USUAL = np.array([GLYPHS[index] in "0123456789 " for index in DISTINCT])
"""Which of DISTINCT make up numbers."""


_SHAPES_OF = {glyph: PATTERNS[GLYPHS.index(glyph) == OWNER] for glyph in GLYPHS}


def likeliest_shape(glyph: str, lit: np.ndarray) -> np.ndarray:
    """Give the variant of a sign that fits the measured bars (7,) best: bool, (7,)."""
    shapes = _SHAPES_OF[glyph]
    return shapes[int(((shapes - lit) ** 2).sum(axis=1).argmin())] if len(shapes) > 1 else shapes[0]
