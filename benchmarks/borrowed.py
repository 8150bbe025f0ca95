"""Takes the name of a module of the tests; gives it: what scores a night and draws others' digits is written once, there."""

from __future__ import annotations

import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parent.parent


def borrow(path: str) -> ModuleType:
    """Load a module from its file, `path` being relative to the repository's top, like "tests/night_score.py"."""
    name = "borrowed_" + Path(path).stem
    spec = spec_from_file_location(name, ROOT / path)
    if spec is None or spec.loader is None:
        raise ImportError(f"{ROOT / path} is not a Python module")
    module = module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their module up by its name
    spec.loader.exec_module(module)
    return module
