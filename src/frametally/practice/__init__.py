"""Draws practice nights with known truth, for the demo, for learning and for tests."""

from frametally.practice.conditions import CONDITIONS
from frametally.practice.night import NightFiles, draw_night
from frametally.practice.number import Hardness, draw_number
from frametally.practice.story import simulate
from frametally.practice.styles import STYLES, TEXT_STYLES, DisplayStyle, Style, random_style
from frametally.practice.text import SCREENS, TextDisplay, draw_text
from frametally.practice.troubles import TROUBLES

__all__ = [
    "CONDITIONS",
    "SCREENS",
    "STYLES",
    "TEXT_STYLES",
    "TROUBLES",
    "DisplayStyle",
    "Hardness",
    "NightFiles",
    "Style",
    "TextDisplay",
    "draw_night",
    "draw_number",
    "draw_text",
    "random_style",
    "simulate",
]
