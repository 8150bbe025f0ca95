"""One display in one photo to one reading with its rivals."""

from frametally.read.reader import Reader, read_display
from frametally.read.rectify import rectify

__all__ = ["Reader", "read_display", "rectify"]
