"""One display in one photo to one reading with its rivals."""

from frametally.read.lesson import LEAST_SIGHTS, Lesson, Sight, conclude
from frametally.read.reader import Reader, read_display
from frametally.read.rectify import rectify

__all__ = ["LEAST_SIGHTS", "Lesson", "Reader", "Sight", "conclude", "read_display", "rectify"]
