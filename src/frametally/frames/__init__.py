"""Folder or video to ordered frames with times; pixels on demand."""

from frametally.frames.clocks import describe_time_source
from frametally.frames.decode import Picture, fingerprint, load, size_of
from frametally.frames.sources import open_night

__all__ = ["Picture", "describe_time_source", "fingerprint", "load", "open_night", "size_of"]
