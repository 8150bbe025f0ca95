"""Takes what the user gave with a night (corrections, trial, calibration); gives notices of what does not fit the night, and of
what befell the camera and the instruments in it."""

from __future__ import annotations

import difflib
import math
from collections.abc import Hashable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from frametally.corrections import Correction
from frametally.model import VALUED, Display, Finding, Flag, Notice, Trial, key_kind

if TYPE_CHECKING:
    import pandas as pd

FARTHEST = timedelta(days=1)
"""What a trial tells may lie so far outside the times of the photos."""

WIDEST_OFFSET = timedelta(hours=14)
"""Clocks of two places differ by no more (common practice: UTC+14 is the easternmost zone in use)."""

_FILE = "corrections.csv"


# --- corrections -----------------------------------------------------------------------------------------------------


def correction_notices(
    rows: Sequence[Correction], displays: Sequence[Display], before: pd.DataFrame, after: pd.DataFrame
) -> list[Notice]:
    """Give notices of corrections that contradict what was read or what the display can show, and of corrected extremes.

    Parameters
    ----------
    rows : all of the file, in its order
    before, after : the audit tables without and with the corrections
    """
    was = {(row["frame"], row["display"]): row for row in before.to_dict("records") if row["frame"]}
    latest = {(row.frame, row.display): row for row in rows}
    used = {place: row for place, row in latest.items() if place in was and row.flag is not None}
    spans = {display.key: display.range for display in displays}
    notices = []
    for place, row in used.items():
        earlier = [other.to_text for other in rows if (other.frame, other.display) == place and other is not row]
        if not _is_as_read(row.from_text, was[place], earlier):
            read = str(was[place]["raw_text"]) or str(was[place]["flag"])
            notices.append(Notice("correction-from", row.frame, (
                f"{_FILE} says that {row.display} showed {row.from_text.strip()!r} in {row.frame}, but {read!r} was read there."
                " Check that this row means this photo; its correction counts."
            )))  # fmt: skip
        span = spans[row.display]
        if row.value is not None and span is not None and not span[0] <= row.value <= span[1]:
            notices.append(Notice("correction-range", row.frame, (
                f"{_FILE} sets {row.display} in {row.frame} to {row.to_text}, but the calibration says that this display shows"
                f" {span[0]:g} to {span[1]:g}. Check the row; its correction counts."
            )))  # fmt: skip
    for display in displays:
        notices += _extremes(display.key, used, before, after)
    return notices


def _is_as_read(said: str, line: Mapping[Hashable, Any], earlier: Sequence[str]) -> bool:
    """Whether the column `from` agrees with the first or the cleaned reading, or with an earlier correction; empty does."""
    said = said.strip()
    known = {str(line["raw_text"]).strip().casefold(), str(line["flag"]), *(text.casefold() for text in earlier)}
    if not said or said.casefold() in known:
        return True
    number = _number(said)
    others = [line["raw_value"], line["value"], *earlier]
    return number is not None and any(_number(other) == number for other in others)


def _number(value: object) -> float | None:
    try:
        number = float(str(value))
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _extremes(
    key: str, used: Mapping[tuple[str, str], Correction], before: pd.DataFrame, after: pd.DataFrame
) -> Iterator[Notice]:
    """Say where a correction took the highest or the lowest reading of the night away, or made it."""
    for word, pick in (("highest", "idxmax"), ("lowest", "idxmin")):
        old, new = _extreme(key, before, pick), _extreme(key, after, pick)
        if old is None or old == new:
            continue
        now = f"{new[1]:g} in {new[0]}" if new is not None else "none"
        row = used.get((old[0], key))
        if row is not None and (new is None or new[0] != old[0] or row.value != old[1]):
            text = f"{key}: the {word} reading, {old[1]:g} in {old[0]}, was corrected by hand to {row.to_text}"
            yield Notice("correction-extreme", old[0], f"{text}; the {word} is now {now}.")
        elif new is not None and (new[0], key) in used:
            text = f"{key}: the {word} of the night, {now}, was set by hand; without it, it is {old[1]:g} in {old[0]}."
            yield Notice("correction-extreme", new[0], text)


def _extreme(key: str, audit: pd.DataFrame, pick: str) -> tuple[str, float] | None:
    """Give frame and value of a display's extreme, None where nothing was read."""
    valued = [flag.value for flag in VALUED]
    rows = audit[(audit["display"] == key) & audit["flag"].isin(valued) & audit["value"].notna()]
    if rows.empty:
        return None
    row = rows.loc[getattr(rows["value"].astype(float), pick)()]
    return str(row["frame"]), float(row["value"])


# --- trial -----------------------------------------------------------------------------------------------------------


def trial_notices(trial: Trial, times: Sequence[datetime], instruments: Sequence[str] = ()) -> list[Notice]:
    """Give notices of a trial that seems to be another night's, and of instruments that the calibration does not have."""
    return [*_times_notice(trial, times), *(_instrument_notices(trial, instruments) if instruments else ())]


def _times_notice(trial: Trial, times: Sequence[datetime]) -> Iterator[Notice]:
    if not times:
        return
    first, last = min(times, key=_plain), max(times, key=_plain)
    within = (
        trial.start is not None and trial.end is not None and _is_not_after(trial.start, first) and _is_not_after(last, trial.end)
    )
    far = [
        f"{name} ({time:%Y-%m-%d %H:%M})"
        for name, time in _told_times(trial)
        if not (within and name in ("start", "end")) and (_is_far(time, first) or _is_far(last, time))
    ]
    if far:
        listed = ", ".join(far[:3]) + (f" and {len(far) - 3} more" if len(far) > 3 else "")
        yield Notice("trial-times", "", (
            f"The trial seems to be of another night: {listed} of the trial {'lies' if len(far) == 1 else 'lie'} more than a day"
            f" outside the times of the photos, {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}."
            " Give this night's trial, or check the camera's clock."
        ))  # fmt: skip


def _told_times(trial: Trial) -> Iterator[tuple[str, datetime]]:
    if trial.start is not None:
        yield "start", trial.start
    if trial.end is not None:
        yield "end", trial.end
    for event in trial.event:
        yield f'event "{event.what}"', event.time


def _plain(time: datetime) -> datetime:
    return time.replace(tzinfo=None)


def _is_not_after(time: datetime, other: datetime) -> bool:
    return _plain(time) <= _plain(other)


def _is_far(earlier: datetime, later: datetime) -> bool:
    """Whether the one is more than a day before the other; where only one has an offset, clocks may differ by that too."""
    if (earlier.tzinfo is None) == (later.tzinfo is None):
        return later - earlier > FARTHEST
    return _plain(later) - _plain(earlier) > FARTHEST + WIDEST_OFFSET


def _instrument_notices(trial: Trial, instruments: Sequence[str]) -> Iterator[Notice]:
    known = {name.strip().casefold() for name in instruments}
    listed = ", ".join(f'"{name}"' for name in dict.fromkeys(instruments))
    for instrument in trial.instrument:
        if instrument.name.strip().casefold() in known:
            continue
        near = difflib.get_close_matches(instrument.name, list(instruments), n=1, cutoff=0.6)
        hint = f'did you mean "{near[0]}"?' if near else f"its instruments are {listed}."
        yield Notice("trial-instrument", "", (
            f'The trial speaks of an instrument "{instrument.name}", which the calibration does not have; {hint}'
            " What the trial says of it does not count for any display."
        ))  # fmt: skip


# --- what will not be assessed -----------------------------------------------------------------------------------------

_ASSESSED: dict[str, tuple[tuple[str, ...], tuple[tuple[str, tuple[str, ...]], ...]]] = {
    "carbon monoxide": (("co", "carbon_monoxide"), (("co_ppm", ("ppm",)),)),
    "oxygen": (("o2", "oxygen"), (("o2_pct", ("%", "% vol", "vol %", "vol%", "%vol")),)),
    "carbon dioxide": (("co2", "carbon_dioxide"), (("co2_ppm", ("ppm",)),)),
    "nitrogen dioxide": (("no2", "nitrogen_dioxide"), (("no2_ppm", ("ppm",)),)),
    "temperature": (("temp", "temperature", "air temperature"), (("temp_c", ("°c", "c")), ("temp_f", ("°f", "f")))),
    "relative humidity": (("rh", "humidity", "relative_humidity"), (("rh_pct", ("%", "% rh", "%rh")),)),
}  # fmt: skip
"""For each quantity that is assessed: other words for it, and the endings of keys with the units that they stand for."""


def unassessed_notices(displays: Sequence[Display]) -> list[Notice]:
    """Give a notice of each display whose quantity could be assessed, but whose key does not say so."""
    notices = []
    for display in displays:
        endings = None if key_kind(display.key) else _endings(display.quantity) or _endings(display.key)
        if not endings:
            continue
        unit = display.unit.strip().casefold()
        key = next((ending for ending, units in endings if unit in units), None)
        remedy = f"end the key in {key}" if key else f"end the key in {' or '.join(e for e, _ in endings)} if that is its unit"
        notices.append(
            Notice("not-assessed", "", f"{display.key}: read and charted, but not assessed; {remedy} to have it assessed.")
        )
    return notices


def unassessed_columns(columns: Sequence[str]) -> list[Notice]:
    """Give a notice of each column of a table whose header names a quantity, but is no key that is assessed."""
    notices = []
    for column in columns:
        endings = None if key_kind(column) else _endings(column)
        if endings:
            key = " or ".join(ending for ending, _ in endings)
            notices.append(
                Notice("not-assessed", "", f"{column}: not assessed; give --column '{column}={key}' to have it assessed.")
            )
    return notices


def _endings(words: str) -> tuple[tuple[str, tuple[str, ...]], ...] | None:
    plain = words.strip().casefold()
    for quantity, (others, endings) in _ASSESSED.items():
        if plain == quantity or plain in others:
            return endings
    return None


# --- the camera's path -------------------------------------------------------------------------------------------------

NUDGED_PX, NUDGED_DEG = 4.0, 0.4
"""A view that jumps by more than this and stays there was nudged; trembling and sagging move it less from photo to photo."""

AROUND = 3
"""Photos before and behind a jump whose median says where the view stood."""

GONE_FOR = 3
"""A display that is not found in so many photos up to the last one was moved out of view."""

_MOST_NUDGES = 10
_VIEW_WEIGHT = 61
"""Just behind how well the displays were read."""


def view_notices(audit: pd.DataFrame, displays: Sequence[Display]) -> list[Notice]:
    """Give `view_findings` as notices, for where nothing is assessed."""
    return [Notice(finding.slug, finding.evidence[0], finding.text) for finding in view_findings(audit, displays)]


def view_findings(audit: pd.DataFrame, displays: Sequence[Display]) -> list[Finding]:
    """Give a finding of every time that the camera was nudged, and of every instrument that left the view for good.

    `audit` is as in `readings_audit.csv`; its shift columns are the view's path through the night.
    """
    if audit.empty:
        return []
    rows = audit[audit["frame"] != ""]
    frames = rows.drop_duplicates("frame")
    return [*_nudges(frames), *_departures(rows, frames, displays)]


def _nudges(frames: pd.DataFrame) -> Iterator[Finding]:
    seen = frames[frames["shift_x_px"].notna()]
    moves = _jumps(seen[["shift_x_px", "shift_y_px", "rotation_deg"]].to_numpy(float))
    for at, move in moves[:_MOST_NUDGES]:
        when, far = _when(seen.iloc[at]), math.hypot(move[0], move[1])
        aside, down = ("right" if move[0] > 0 else "left"), ("down" if move[1] > 0 else "up")
        yield Finding(
            slug="camera-nudged",
            title=f"{when} the camera was nudged by {far:.0f} px",
            text=(
                f"{when} the camera was nudged: the view moved by {far:.0f} px"
                f" ({abs(move[0]):.0f} {aside}, {abs(move[1]):.0f} {down})"
                f" and turned by {move[2]:+.1f}°, from one photo to the next, and stayed so. The displays were looked for where"
                " they are since then."
            ),
            weight=_VIEW_WEIGHT,
            value=round(far, 1),
            unit="px",
            evidence=(str(seen["frame"].iloc[at]),),
        )
    rest = moves[_MOST_NUDGES:]
    if rest:
        first = str(seen["frame"].iloc[rest[0][0]])
        told = f"The camera was nudged {len(rest)} times more"
        yield Finding("camera-nudged", told, f"{told}, from {first} on.", _VIEW_WEIGHT, evidence=(first,))


def _jumps(path: np.ndarray) -> list[tuple[int, np.ndarray]]:
    """Give where the path jumps for good, and by how much: `path` (frames, 3) is x and y [px] and turn [degrees]."""
    jumps: list[tuple[int, np.ndarray]] = []
    start = 0  # behind the last jump: what stood before it says nothing of the next
    for at in (at for at, move in enumerate(np.diff(path, axis=0), start=1) if _is_nudge(move)):
        stood, stands = path[max(start, at - AROUND) : at], path[at : at + AROUND]
        old, new = np.median(stood, axis=0), np.median(stands, axis=0)
        to_and_fro = _is_ever_at(new, stood) or _is_ever_at(old, stands)
        if len(stands) > 1 and _is_nudge(new - old) and not to_and_fro:
            jumps.append((at, new - old))
            start = at
    return jumps


def _is_ever_at(place: np.ndarray, path: np.ndarray) -> bool:
    return any(not _is_nudge(2 * (point - place)) for point in path)


def _is_nudge(move: np.ndarray) -> bool:
    return bool(np.hypot(move[0], move[1]) > NUDGED_PX or abs(move[2]) > NUDGED_DEG)


def _departures(rows: pd.DataFrame, frames: pd.DataFrame, displays: Sequence[Display]) -> Iterator[Finding]:
    gone: dict[tuple[str, int], list[str]] = {}
    for display in displays:
        flags = list(rows[rows["display"] == display.key]["flag"])
        last = max((at for at, flag in enumerate(flags) if flag not in (Flag.LOST, Flag.NO_FRAME)), default=-1)
        lost = sum(flag == Flag.LOST for flag in flags[last + 1 :])
        if last >= 0 and lost >= GONE_FOR:
            first = next(at for at in range(last + 1, len(flags)) if flags[at] == Flag.LOST)
            gone.setdefault((display.instrument, first), []).append(display.key)
    for (instrument, first), keys in gone.items():
        when = _when(frames.iloc[first])
        yield Finding(
            slug="instrument-left",
            title=f"{when} the {instrument} left the view",
            text=(
                f"{when} {', '.join(keys)} of the {instrument} left the view and did not come back: lost in the"
                f" {len(frames) - first} photos from then on, nothing was guessed. If it still stands in these photos, mark it"
                " anew on one of them and read them as a night of their own."
            ),
            weight=_VIEW_WEIGHT,
            tone="warning",
            evidence=(str(frames["frame"].iloc[first]),),
        )


def _when(row: pd.Series) -> str:
    time = row["time"]
    clock = f"At {str(time)[:16].replace('T', ' ')}" if isinstance(time, str) and time else f"{row['elapsed_min']:.0f} min in"
    known = isinstance(time, str) or math.isfinite(float(row["elapsed_min"]))
    return f"{clock} ({row['frame']})" if known else f"From {row['frame']} on"
