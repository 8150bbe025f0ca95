"""Takes the pictures of a film one by one and leaves it as a file, or as a folder of pictures, whole or not at all.

MP4 with H.264 for browsers and editors; where the ground is to stay clear, a MOV with ProRes 4444 or a folder of PNG files.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import ModuleType
from typing import Any, Protocol

import cv2
import numpy as np

from frametally.errors import BadInput, ProgramMissing
from frametally.show.film_text import Picture

H264 = {"preset": "ultrafast", "qp": "20"}
"""How hard the encoder tries (`benchmarks/film.py` tells what other presets cost) and how coarsely it writes, from 0 to 51.
That is fixed: to choose it anew for every picture takes as long as all the rest of the encoding."""

PNG_NAME = re.compile(r"frame_\d{6}\.png\Z")
_THREADS = 1  # photos are decoded meanwhile; and fixed, as the encoder's bytes may depend on how many work
_BT709 = 1  # colours, curve and matrix of ITU-R BT.709 under their number in ITU-T H.273
_NARROW = 1  # brightness from 16 to 235


class FilmFile(Protocol):
    """What takes a film's pictures (height, width, 4), each shown `times` film frames long."""

    def add(self, picture: Picture, times: int) -> None:
        """Append a picture."""


@contextmanager
def open_film(path: Path, size: tuple[int, int], fps: int, title: str, *, transparent: bool) -> Iterator[FilmFile]:
    """Write a film of width and height [px] and give what takes its pictures; whatever stops it, no half film is left.

    `path` ends in .mp4, or with `transparent` in .mov; without an ending it becomes a folder of PNG files. What stands there
    already is replaced at the end. Raises `ProgramMissing` without PyAV or an encoder, `BadInput` where nothing can be written.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    encoder: _Encoder | _Pictures | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        encoder = _Encoder(part, size, fps, title, transparent=transparent) if path.suffix else _Pictures(part)
        yield encoder
        encoder.close()
        _put_in_place(part, path)
    except OSError as error:
        raise BadInput(
            f"{path}: the film cannot be written ({error.strerror or error});"
            " see that there is room on the disk and that no program has it open, or choose another place with -o"
        ) from None
    finally:
        if isinstance(encoder, _Encoder):
            encoder.abandon()
        _remove(part)


def load_av() -> ModuleType:
    """Give PyAV. Raises `ProgramMissing` where it is not installed."""
    try:
        import av
    except ImportError:
        raise ProgramMissing("a film needs the package av; install it: python -m pip install 'frametally[film]'") from None
    return av  # type: ignore[no-any-return, unused-ignore]


class _Encoder:
    """A film file: H.264 in MP4 with its index in front, or ProRes 4444 in MOV with what is clear."""

    def __init__(self, path: Path, size: tuple[int, int], fps: int, title: str, *, transparent: bool) -> None:
        self._av: Any = load_av()
        self._transparent = transparent
        self._format = "yuva444p10le" if transparent else "yuv420p"
        name, kind = ("prores_ks", "mov") if transparent else ("libx264", "mp4")
        options = {"profile": "4444", "alpha_bits": "16"} if transparent else {**H264, "g": str(2 * fps)}
        self._reformatter = self._av.video.reformatter.VideoReformatter()  # one for all pictures: to make it takes time
        self._count, self._is_open = 0, True
        self._container = self._av.open(str(path), "w", format=kind, options={"movflags": "+faststart", "fflags": "+bitexact"})
        try:
            self._stream = self._container.add_stream(name, rate=fps, options=options)
        except (ValueError, LookupError):
            self.abandon()
            raise ProgramMissing(
                f"this build of av has no encoder {name}; install the one made for your system:"
                " python -m pip install --force-reinstall --only-binary av 'frametally[film]'"
            ) from None
        self._stream.width, self._stream.height = size
        self._stream.pix_fmt = self._format
        codec = self._stream.codec_context
        codec.thread_count = _THREADS
        codec.color_primaries = codec.color_trc = codec.colorspace = _BT709
        codec.color_range = _NARROW
        if title:
            self._container.metadata["title"] = title

    def add(self, picture: Picture, times: int) -> None:
        """Encode a picture so many times."""
        whole = straight(picture) if self._transparent else picture
        frame = self._av.VideoFrame.from_numpy_buffer(whole, format="bgra")
        # By their names: PyAV 14 takes no numbers here.
        frame = self._reformatter.reformat(frame, format=self._format, dst_colorspace="ITU709", dst_color_range="MPEG")
        for _ in range(times):
            frame.pts, frame.time_base = self._count, 1 / self._stream.codec_context.framerate
            self._container.mux(self._stream.encode(frame))
            self._count += 1

    def close(self) -> None:
        """Encode what is still waiting, and end the file."""
        self._container.mux(self._stream.encode(None))
        self._is_open = False
        self._container.close()

    def abandon(self) -> None:
        """Let go of a file that is not finished."""
        if self._is_open:
            self._is_open = False
            with suppress(OSError, ValueError):  # it is thrown away: what it says does not count
                self._container.close()


class _Pictures:
    """A folder of PNG files, numbered from 1, one per film frame."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self._folder, self._count = folder, 0

    def add(self, picture: Picture, times: int) -> None:
        """Write a picture so many times."""
        _, data = cv2.imencode(".png", straight(picture), [cv2.IMWRITE_PNG_COMPRESSION, 3])
        for _ in range(times):
            self._count += 1
            (self._folder / f"frame_{self._count:06d}.png").write_bytes(data.tobytes())

    def close(self) -> None:
        """Nothing waits."""


def straight(picture: Picture) -> Picture:
    """Give a picture whose colours are not multiplied with how opaque they are, as PNG and editors have it (PNG, 12.3)."""
    opaque = picture[:, :, 3:].astype(np.uint16)
    colours = (picture[:, :, :3].astype(np.uint32) * 255 + opaque // 2) // np.maximum(opaque, 1)
    return np.concatenate([np.minimum(colours, 255).astype(np.uint8), picture[:, :, 3:]], axis=2)


def is_pictures(folder: Path) -> bool:
    """Tell whether a folder holds nothing but pictures of a film."""
    return all(PNG_NAME.match(path.name) for path in folder.iterdir())


def _put_in_place(part: Path, path: Path) -> None:
    if path.is_dir():  # a folder is not replaced in one step: the old one steps aside
        aside = path.with_name(f".{path.name}.{os.getpid()}.old")
        path.rename(aside)
        part.rename(path)
        shutil.rmtree(aside)
    else:
        part.replace(path)


def _remove(part: Path) -> None:
    shutil.rmtree(part, ignore_errors=True)
    with suppress(OSError):
        part.unlink()
