"""From a video file to its pictures by number and their timestamps; the same pixels whatever the order of asking.

The picture of a number is the one that decoding from the beginning gives. Seeking by number or time is exact in some containers
only, so going back opens the file anew; going on in order decodes each picture once, also when several threads ask.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from pathlib import Path

import cv2
import numpy as np

from frametally.errors import BadFrame

VIDEO_SUFFIXES = frozenset({".mp4", ".mov", ".avi", ".mkv", ".m4v"})
_KEPT_BYTES = 256 << 20  # pixels kept of the pictures passed on the way, for the threads that ask a little later
_KEPT_AHEAD = 32  # pictures; a longer way is skipped without fetching pixels


class VideoReader:
    """One open video: `read(index)` gives BGR `uint8` pixels, upright. Safe to share between threads.

    Raises BadFrame where the file cannot be opened or has no such picture.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._next = 0
        self._kept: OrderedDict[int, np.ndarray] = OrderedDict()
        self._capture = self._open()

    def _open(self) -> cv2.VideoCapture:
        # the backend is named, else a name with digits could be taken for a numbered series of stills
        capture = cv2.VideoCapture(str(self._path), cv2.CAP_FFMPEG)
        if not capture.isOpened():
            raise BadFrame(f"{self._path.name} cannot be opened as a video")
        return capture

    def read(self, index: int) -> np.ndarray:
        """Give picture `index` (from 0), HxWx3."""
        with self._lock:
            if index in self._kept:
                return self._kept[index].copy()
            if index < self._next:
                self._capture.release()
                self._capture, self._next = self._open(), 0
            while self._next < index:
                self._pass_one(fetch=index - self._next <= _KEPT_AHEAD)
            self._pass_one(fetch=True)
            return self._kept[index].copy()

    def _pass_one(self, fetch: bool) -> None:
        if not self._capture.grab():
            raise BadFrame(f"{self._path.name} ends or is damaged before picture {self._next}")
        if fetch:
            done, pixels = self._capture.retrieve()
            if not done or pixels is None:
                raise BadFrame(f"picture {self._next} of {self._path.name} cannot be decoded")
            self._keep(self._next, pixels)
        self._next += 1

    def _keep(self, index: int, pixels: np.ndarray) -> None:
        self._kept[index] = pixels
        self._kept.move_to_end(index)
        while len(self._kept) > 1 and len(self._kept) * pixels.nbytes > _KEPT_BYTES:
            self._kept.popitem(last=False)

    def size(self) -> tuple[int, int]:
        """Give width and height of the upright pictures [px]."""
        height, width = self.read(0).shape[:2]
        return width, height

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            self._capture.release()
            self._kept.clear()
            self._next = 1 << 62  # the next read opens anew


class VideoShelf:
    """The videos in use, a few at a time: opens each once, for all threads, and knows the hash of each file's bytes."""

    def __init__(self, most_open: int = 2) -> None:
        self._most_open = most_open
        self._lock = threading.Lock()
        self._readers: OrderedDict[tuple[str, int, int], VideoReader] = OrderedDict()
        self._hashes: dict[tuple[str, int, int], str] = {}

    def reader(self, path: Path) -> VideoReader:
        """Give the reader of a file; raises BadFrame where it cannot be opened."""
        key = self._key(path)
        with self._lock:
            if key not in self._readers:
                self._readers[key] = VideoReader(path)
                if len(self._readers) > self._most_open:
                    self._readers.popitem(last=False)[1].close()
            self._readers.move_to_end(key)
            return self._readers[key]

    def sha256(self, path: Path) -> str:
        """Give the SHA-256 of the file's bytes, counted once."""
        key = self._key(path)
        with self._lock:
            if key not in self._hashes:
                with path.open("rb") as stream:
                    self._hashes[key] = hashlib.file_digest(stream, "sha256").hexdigest()
            return self._hashes[key]

    @staticmethod
    def _key(path: Path) -> tuple[str, int, int]:
        try:
            stat = path.stat()
        except OSError as error:
            raise BadFrame(f"{path.name} cannot be read: {error.strerror or error}") from None
        return (str(path), stat.st_size, stat.st_mtime_ns)


def timestamps_s(path: Path) -> tuple[list[float], int]:
    """Give the container's timestamp of each picture that can be decoded, in order [s], and how many the header promises.

    No timestamps where the file is no video.

    Goes through the whole file once without converting pixels: the count in the header is an estimate in some containers.
    """
    capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    try:
        stamps: list[float] = []
        promised = max(int(capture.get(cv2.CAP_PROP_FRAME_COUNT)), 0)
        while capture.isOpened() and capture.grab():
            stamps.append(capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0)
        return stamps, promised
    finally:
        capture.release()
