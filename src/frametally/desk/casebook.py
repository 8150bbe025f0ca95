"""Takes a results folder and gives what is to be looked at in it; keeps each decision in `corrections.csv`, and undoes it.

The readings themselves are never changed: a correction stands beside them, and taking one back is one more row.
"""

from __future__ import annotations

import getpass
import re
import threading
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from frametally.assess.limits import level_for, limits_for
from frametally.clean import Tables, make_tables
from frametally.clean.looks import judge_night
from frametally.clean.rules import Settled
from frametally.corrections import AS_READ, TO_FLAGS, Correction, append_correction
from frametally.desk.doubts import DOUBTS, WORTH_ASKING, Doubt, Level, Seen, order_doubts
from frametally.errors import BadInput
from frametally.eyes import Settings
from frametally.model import FLAG_MEANING, VALUED, Display, Flag, FrameRecord, Night, Reading, Rival, key_kind
from frametally.results import Results
from frametally.run import load_settings
from frametally.show.tables import flag_name, format_value
from frametally.show.traces import read_axis

MOST_RIVALS = 5
LONGEST_TEXT = 40

_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")
_STATUS = {"over range": Flag.OVER_RANGE, "under range": Flag.UNDER_RANGE}


@dataclass(frozen=True)
class Decision:
    """What a person said of one reading, and what stood there before: the texts of the columns `to` and `from`."""

    number: int
    key: str
    to_text: str
    before: str


@dataclass
class Casebook:
    """What is known of a night that was read, and what a person has said of it since. Safe to share between threads."""

    folder: Results
    night: Night
    settings: Settings
    records: Sequence[FrameRecord]
    judged: dict[str, list[Settled]]
    latest: dict[tuple[str, str], Correction]
    when: list[str]
    who: str
    decisions: list[Decision] = field(default_factory=list)
    lock: threading.RLock = field(default_factory=threading.RLock)

    @classmethod
    def open(cls, folder: Results, who: str = "") -> Casebook:
        """Read a results folder. Raises `BadInput` where it holds no run or a file in it is damaged."""
        night, _ = folder.night()
        settings = load_settings(folder.calibration, folder.trial, folder.method)
        displays = settings.calibration.displays
        records = folder.records(night, settings.calibration, settings.method)
        latest, _ = folder.hand_corrections(night, displays)
        judged = judge_night(records, displays, settings.method)
        table = make_tables(records, displays, settings.method, latest).readings
        axis = read_axis(table)
        when = [axis.text_at(row) for row, name in enumerate(table["frame"].tolist()) if name]  # the rest are gaps
        return cls(folder, night, settings, records, judged, latest, when, who or _user())

    @property
    def displays(self) -> tuple[Display, ...]:
        """The displays of the calibration, in its order."""
        return self.settings.calibration.displays

    def tables(self) -> Tables:
        """Give both tables as the corrections of this moment make them."""
        with self.lock:
            latest = dict(self.latest)
        return make_tables(self.records, self.displays, self.settings.method, latest)

    def doubts(self, flags: Collection[Flag] = DOUBTS) -> list[Doubt]:
        """Give the readings with one of these flags, in the order in which to look at them."""
        night = {display.key: [self._seen(number, display) for number in range(len(self.records))] for display in self.displays}
        levels = {display.key: _levels(display) for display in self.displays}
        return order_doubts(night, self.displays, levels, flags)

    def now(self, number: int, display: Display) -> tuple[str, Flag]:
        """Give what counts for a reading now: its text ("" where there is no number) and its flag."""
        name = self.night.frames[number].name
        with self.lock:
            correction = self.latest.get((name, display.key))
        if correction is not None and correction.flag is not None:
            return (correction.to_text if correction.value is not None else "", correction.flag)
        item = self.judged[display.key][number]
        return (format_value(item.value, display.resolution) if item.flag in VALUED else "", item.flag)

    def describe(self, number: int, display: Display) -> dict[str, Any]:
        """Give one reading for the page: what counts, what was read, its rivals, how sure."""
        item = self.judged[display.key][number]
        text, flag = self.now(number, display)
        read_text = format_value(item.value, display.resolution) if item.flag in VALUED else ""
        with self.lock:
            correction = self.latest.get((self.night.frames[number].name, display.key))
        return {
            **self.brief(number, display),
            "quantity": display.quantity,
            "instrument": display.instrument,
            "unit": display.unit,
            "frame": self.night.frames[number].name,
            "why": FLAG_MEANING[item.flag][0],
            "read": read_text,
            "read_as": flag_name(item.flag),
            "confidence": round(item.confidence, 4),
            "can_accept": item.flag in VALUED and bool(read_text),
            "rivals": [
                {"text": rival.text, "probability": round(rival.probability, 4)}
                for rival in self._rivals(number, display, read_text)
            ],
            "decided": "" if correction is None else text or flag_name(flag),
            "problem": self.records[number].problem,
        }

    def brief(self, number: int, display: Display) -> dict[str, Any]:
        """Give one reading in few words: when, what counts, and its flag."""
        text, flag = self.now(number, display)
        return {"number": number, "key": display.key, "when": self.when[number], "text": text, "flag": flag_name(flag)}

    # --- decisions --------------------------------------------------------------------------------------------------------

    def decide(self, number: int, display: Display, said: str, *, sure: bool = False) -> Decision:
        """Keep what a person says that a display showed: a number, a word of the display, or the word of a flag.

        Raises `BadInput` where it is none of these; where a number lies outside the display's range, unless `sure`.
        """
        to_text = self._meant(display, said, sure=sure)
        with self.lock:
            before = self._stands(number, display)
            self._append(number, display.key, before, to_text, "")
            decision = Decision(number, display.key, to_text, before)
            self.decisions.append(decision)
            return decision

    def undo(self) -> Decision | None:
        """Take the last decision of this sitting back; give it, None where there is none."""
        with self.lock:
            if not self.decisions:
                return None
            last = self.decisions[-1]
            earlier = [one.to_text for one in self.decisions[:-1] if (one.number, one.key) == (last.number, last.key)]
            back_to = earlier[-1] if earlier else self._first.get((last.number, last.key), AS_READ)
            self._append(last.number, last.key, last.to_text, back_to, "taken back")
            return self.decisions.pop()

    def __post_init__(self) -> None:
        numbers = {frame.name: number for number, frame in enumerate(self.night.frames)}
        self._first = {
            (numbers[name], key): correction.to_text for (name, key), correction in self.latest.items() if name in numbers
        }

    def _append(self, number: int, key: str, from_text: str, to_text: str, note: str) -> None:
        name = self.night.frames[number].name
        when = datetime.now().astimezone().replace(microsecond=0)
        row = Correction(name, key, from_text, to_text, self.who, when, note)
        append_correction(self.folder.corrections, row)
        if to_text == AS_READ:
            self.latest.pop((name, key), None)
        else:
            self.latest[name, key] = row

    def _stands(self, number: int, display: Display) -> str:
        """Give the text of the column `from`: the correction before, the value that counts, what was read, or a flag."""
        correction = self.latest.get((self.night.frames[number].name, display.key))
        if correction is not None:
            return correction.to_text
        text, flag = self.now(number, display)
        return text or self.judged[display.key][number].reading.text.strip() or flag.value

    def _meant(self, display: Display, said: str, *, sure: bool) -> str:
        text = said.strip()[:LONGEST_TEXT]
        if text in {flag.value for flag in TO_FLAGS}:
            return text
        number = text.replace("\u2212", "-").replace(",", ".", 1)
        if _NUMBER.fullmatch(number):
            span = display.range
            if span is not None and not span[0] <= float(number) <= span[1] and not sure:
                raise BadInput(
                    f"this display shows {span[0]:g} to {span[1]:g} by the calibration; enter {number} again if it is so"
                )
            return number
        meaning = display.meaning_of(text)
        if meaning is not None:
            return _STATUS.get(meaning, Flag.STATUS).value
        raise BadInput(f"{text[:20]!r} is no number; write it like 20.9" if text else "write what the display shows, like 20.9")

    # --- what is known ----------------------------------------------------------------------------------------------------

    def _seen(self, number: int, display: Display) -> Seen:
        text, flag = self.now(number, display)
        rivals = [rival for rival in self._all_rivals(number, display.key) if rival.probability >= WORTH_ASKING]
        return Seen(float(text) if text else None, flag, tuple(rival.value for rival in rivals if rival.value is not None))

    def _all_rivals(self, number: int, key: str) -> list[Rival]:
        record = self.records[number]
        looks: list[Reading] = [found[key] for found in (record.readings, record.again) if key in found]
        best: dict[str, Rival] = {}
        for rival in sorted((one for look in looks for one in look.rivals), key=lambda one: -one.probability):
            best.setdefault(rival.text.strip(), rival)
        return list(best.values())

    def _rivals(self, number: int, display: Display, read_text: str) -> list[Rival]:
        """Give what else the display may show, likeliest first: numbers, and words that it knows."""
        shown = []
        for rival in self._all_rivals(number, display.key):
            text = rival.text.strip()
            is_number = bool(_NUMBER.fullmatch(text)) and rival.value is not None
            if text and text != read_text and (is_number or display.meaning_of(text) is not None):
                shown.append(Rival(text, rival.value, rival.probability))
        return shown[:MOST_RIVALS]


def _levels(display: Display) -> list[Level]:
    found = []
    for limit in limits_for(key_kind(display.key)):
        if limit.is_of_one_night:
            value = level_for(limit, display.unit)
            found.append(Level(value, f"{limit.label}, {value:.3g} {display.unit}".strip()))
    return sorted(found, key=lambda level: level.value)


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no name is known to the system
        return ""
