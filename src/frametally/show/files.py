"""Takes bytes or plain data and leaves whole files: written beside their place first, then put there in one step."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import threading
from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from datetime import date, datetime
from enum import Enum
from pathlib import Path, PurePath
from typing import Any

import numpy as np
from pydantic import BaseModel

from frametally.errors import BadInput


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that anyone who looks sees the old one or the new one, never half of one.

    Raises `BadInput` where the folder cannot be written or another program holds the file.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            part.write_bytes(data)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        reason = error.strerror or str(error)
        raise BadInput(
            f"{path}: this file cannot be written ({reason}). "
            "Close any program that has it open, see that there is room on the disk, or choose another results folder."
        ) from error


def encode_text(text: str) -> bytes:
    """Give UTF-8; bytes of a file name that are no UTF-8 come out as \\udcXX, so that the file as a whole stays valid."""
    return text.encode("utf-8", errors="backslashreplace")


def write_json(obj: object, path: Path) -> None:
    """Write plain data, dataclasses, pydantic models and what is inside them as JSON; same object, same bytes.

    Keys keep their order (a dataclass's is that of its fields), sets are sorted, NaN and infinite numbers become null,
    times are ISO 8601. Raises `TypeError` for what has no plain form.
    """
    text = json.dumps(as_plain(obj), ensure_ascii=False, indent=2, allow_nan=False)
    write_whole(path, encode_text(text + "\n"))


def as_plain(obj: object) -> Any:
    """Turn an object into what JSON knows: dict, list, str, int, float, bool, None."""
    if isinstance(obj, Enum):
        return as_plain(obj.value)
    if obj is None or isinstance(obj, bool | str | int):
        return obj
    if isinstance(obj, np.generic):
        return as_plain(obj.item())
    if isinstance(obj, float):
        return obj if math.isfinite(obj) else None
    if isinstance(obj, datetime | date):
        return obj.isoformat()
    if isinstance(obj, PurePath):
        return obj.as_posix()
    return _containers(obj)


def _containers(obj: object) -> Any:
    if isinstance(obj, BaseModel):
        return as_plain(obj.model_dump())
    if dataclasses.is_dataclass(obj) and not isinstance(obj, type):
        return {f.name: as_plain(getattr(obj, f.name)) for f in dataclasses.fields(obj)}
    if isinstance(obj, Mapping):
        return {str(as_plain(key)): as_plain(value) for key, value in obj.items()}
    if isinstance(obj, AbstractSet):
        return sorted((as_plain(item) for item in obj), key=lambda item: (str(type(item)), item))
    if isinstance(obj, list | tuple):
        return [as_plain(item) for item in obj]
    if isinstance(obj, np.ndarray):
        return as_plain(obj.tolist())
    raise TypeError(f"{type(obj).__name__} has no plain form for JSON")
