"""Takes the pauses from photo to photo; gives the usual one, for the night and around each photo: what makes a longer one a gap.

Cameras that take several photos at a time would have their bursts' pauses taken for the usual one; cameras whose interval drifts,
or was changed in the night, would have gaps where none are. Nothing here knows what the photos show.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

FEWEST = 4
"""Fewer pauses on one side of a photo tell no pace."""

REACH = 12
"""Pauses on each side of a photo that tell the pace there."""

_BURST_SHARE, _MOST_IN_BURST, _ALIKE, _USUALLY_SHORT = 0.1, 12, 0.25, 0.3


def usual_pause(pauses: Sequence[float] | np.ndarray) -> float:
    """Give the median pause, those within bursts left out; NaN where there is none. Pauses of 0 and below, and NaN, are none."""
    known = np.asarray(pauses, float)
    known = known[np.isfinite(known) & (known > 0)]
    if not known.size:
        return float("nan")
    return float(np.median(known[known >= _shortest(known)]))


def pace(pauses: Sequence[float] | np.ndarray) -> np.ndarray:
    """Give the usual pause around each pause: (pauses,), the slower of the medians before and behind it; the night's where on
    neither side enough are known. So a pause is a gap only where it is long for what was before it and for what comes.
    """
    values = np.asarray(pauses, float)
    known = np.isfinite(values) & (values > 0)
    result = np.full(values.shape, usual_pause(values))
    if not known.any():
        return result
    places = np.flatnonzero(known & (values >= _shortest(values[known])))
    for at in range(len(values)):
        middle = int(np.searchsorted(places, at))
        later = middle + int(middle < len(places) and places[middle] == at)
        sides = (places[max(0, middle - REACH) : middle], places[later : later + REACH])
        around = [float(np.median(values[side])) for side in sides if len(side) >= FEWEST]
        if around:
            result[at] = max(around)
    return result


def _shortest(known: np.ndarray) -> float:
    """Give the shortest pause that is none within a burst, where long and short ones mix and the long ones are alike; else 0."""
    short = float(np.quantile(known, _USUALLY_SHORT, method="lower"))
    long = known[known > short / _BURST_SHARE]
    if long.size < 3 or long.size * _MOST_IN_BURST < known.size:
        return 0.0
    low, usual, high = np.quantile(long, (0.25, 0.5, 0.75))
    return float(_BURST_SHARE * usual) if high - low <= _ALIKE * usual else 0.0
