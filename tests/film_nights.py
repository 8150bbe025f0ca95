"""A night with every kind of reading whose displays have places in a photo, and films read again with OpenCV's own decoder."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pandas as pd

from frametally.model import Corners, Display
from frametally.show.film_frames import FilmNight, Painter

FRAME_SIZE = (1280, 960)
PLACES: tuple[Corners, ...] = (
    ((420, 300), (560, 302), (558, 360), (418, 358)),
    ((420, 380), (560, 382), (558, 440), (418, 438)),
    ((800, 330), (960, 330), (960, 400), (800, 400)),
)


def film_night(table: pd.DataFrame, displays: tuple[Display, ...], title: str = "A night in the cabin") -> FilmNight:
    """The small night of the charts' tests, its displays in a photo, with each flag there is."""
    table = table.copy()
    table.loc[25, ["co_ppm_flag", "o2_pct_flag", "wall_co_ppm_flag"]] = ["doubtful", "corrected", "repaired"]
    table.loc[25, "co_ppm"] = 90.0
    table.loc[26, "co_ppm_flag"], table.loc[26, "co_ppm"] = "status", np.nan
    table.loc[27, "o2_pct_flag"], table.loc[27, "o2_pct"] = "lost", np.nan
    table.loc[28, "o2_pct_flag"], table.loc[28, "o2_pct"] = "under_range", np.nan
    placed = tuple(one.model_copy(update={"corners": place}) for one, place in zip(displays, PLACES, strict=True))
    limits = {"co_ppm": [("WHO 8 h", 8.73), ("OSHA 8 h", 50.0)]}
    return FilmNight(title, table, placed, FRAME_SIZE, limits, {(26, "co_ppm"): "bAt"})


def plain_photo(painter: Painter, grey: int = 140) -> npt.NDArray[np.uint8]:
    """A photo without anything on it, as large as its place in the film."""
    left, top, right, bottom = painter.layout.photo
    photo = np.full((bottom - top, right - left, 4), grey, np.uint8)
    photo[:, :, 3] = 255
    return photo


def read_film(path: Path) -> tuple[list[npt.NDArray[np.uint8]], float]:
    """Decode a film with OpenCV: its pictures (BGR) and its frames per second."""
    video = cv2.VideoCapture(str(path))
    pictures = []
    while True:
        is_there, picture = video.read()
        if not is_there:
            break
        pictures.append(np.asarray(picture, np.uint8))
    rate = float(video.get(cv2.CAP_PROP_FPS))
    video.release()
    return pictures, rate
