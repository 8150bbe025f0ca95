"""Reads instrument displays in time-lapse photos and says what the night's air meant.

For notebooks and scripts: `read_display` reads one display in one picture, `read_frames` a whole folder of photos into a
pandas DataFrame, and `load` takes up the tables and findings that a run has left. Names are loaded when they are first asked
for, so that `import frametally` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from frametally.loading import LoadedNight, load
    from frametally.model import Flag, Reading
    from frametally.read import read_display
    from frametally.run import read_frames
    from frametally.settings import load_calibration

    __version__: str

__all__ = ["Flag", "LoadedNight", "Reading", "__version__", "load", "load_calibration", "read_display", "read_frames"]

_HOMES = {
    "Flag": "frametally.model",
    "LoadedNight": "frametally.loading",
    "Reading": "frametally.model",
    "load": "frametally.loading",
    "load_calibration": "frametally.settings",
    "read_display": "frametally.read",
    "read_frames": "frametally.run",
}


def __getattr__(name: str) -> object:
    """Load a public name on first use (PEP 562)."""
    value: object
    if name == "__version__":
        value = import_module("importlib.metadata").version("frametally")
    elif name in _HOMES:
        value = getattr(import_module(_HOMES[name]), name)
    else:
        raise AttributeError(f"module 'frametally' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
