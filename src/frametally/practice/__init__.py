"""Draws practice nights with known truth, for the demo, for learning and for tests."""

from frametally.practice.night import NightFiles, draw_night
from frametally.practice.number import Hardness, draw_number
from frametally.practice.story import simulate
from frametally.practice.styles import STYLES, DisplayStyle, Style, random_style
from frametally.practice.troubles import TROUBLES

__all__ = [
    "STYLES",
    "TROUBLES",
    "DisplayStyle",
    "Hardness",
    "NightFiles",
    "Style",
    "draw_night",
    "draw_number",
    "random_style",
    "simulate",
]
