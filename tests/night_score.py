"""Takes a night's clean table and the truth beside it; gives how many readings are right, doubtful, misflagged or silently wrong.

The truth names, for every display in every frame, the text shown: "" where it was off, HIDDEN where something stood in front of
it, OL where it was over its range, "?" where no one could read it, and a word ("Lo") as it stands.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

NOT_DISPLAYS = ("frame", "time", "note")

VOUCHED_FOR = frozenset({"ok", "repaired", "corrected"})
"""Flags that say: this value may be used as it stands."""

FLAGS_FOR: dict[str, frozenset[str]] = {
    "": frozenset({"blank"}),
    "HIDDEN": frozenset({"hidden"}),
    "OL": frozenset({"over_range"}),
    "?": frozenset({"unreadable", "doubtful", "no_frame"}),
}
"""The right flags for what is not a number; any word has "status"."""

STATES = frozenset({"blank", "over_range", "under_range", "status"})
"""Flags that state something of the display: where it showed a number, they state what is not so."""


@dataclass(frozen=True)
class Miss:
    """One reading that is not as it should be; `raw_text` and `confidence` are "" where no audit table was given."""

    frame: str
    display: str
    truth: str
    value: str
    flag: str
    raw_text: str = ""
    confidence: str = ""


@dataclass
class Score:
    """How a night, or several, were read.

    `readable` displays that showed a number which could be read; of them `exact` were read right and vouched for, `doubtful`
    left open, `given_up` shown without a value, and of those `misnamed` called off, over range or a word. `troubles` displays
    that showed none; of them `misflagged` with another flag than theirs. `silently_wrong`: vouched for, and not what the
    display showed.
    """

    readable: int = 0
    exact: int = 0
    doubtful: list[Miss] = field(default_factory=list)
    given_up: list[Miss] = field(default_factory=list)
    misnamed: list[Miss] = field(default_factory=list)
    troubles: int = 0
    misflagged: list[Miss] = field(default_factory=list)
    silently_wrong: list[Miss] = field(default_factory=list)

    @property
    def exact_share(self) -> float:
        """The share of readable displays that were read right, 0 to 1."""
        return self.exact / self.readable if self.readable else 0.0

    def add(self, other: Score) -> None:
        """Count another night in."""
        self.readable += other.readable
        self.exact += other.exact
        self.troubles += other.troubles
        for name in ("doubtful", "given_up", "misnamed", "misflagged", "silently_wrong"):
            getattr(self, name).extend(getattr(other, name))


def score_night(
    readings: Sequence[Mapping[str, str]], truth: Sequence[Mapping[str, str]], audit: Sequence[Mapping[str, str]] = ()
) -> Score:
    """Compare the rows of `readings.csv` with those of `truth.csv`, frame by frame; `audit`, the rows of `readings_audit.csv`,
    adds raw texts and confidences to what is not as it should be. Raises KeyError where a frame has no row."""
    known = {(row["frame"], row["display"]): (row["raw_text"], row["confidence"]) for row in audit if row["frame"]}
    by_frame = {row["frame"]: row for row in readings if row["frame"]}
    score = Score()
    for wanted in truth:
        found = by_frame[wanted["frame"]]
        for display in (name for name in wanted if name not in NOT_DISPLAYS):
            value, flag = found[display], found[f"{display}_flag"]
            more = known.get((wanted["frame"], display), ())
            _count(score, Miss(wanted["frame"], display, wanted[display], value, flag, *more))
    return score


def _count(score: Score, one: Miss) -> None:
    number = _number(one.truth)
    if number is None:
        score.troubles += 1
        if one.flag in VOUCHED_FOR:
            score.silently_wrong.append(one)
        elif one.flag not in FLAGS_FOR.get(one.truth, frozenset({"status"})):
            score.misflagged.append(one)
        return
    score.readable += 1
    if one.flag in VOUCHED_FOR:
        if _number(one.value) == number:
            score.exact += 1
        else:
            score.silently_wrong.append(one)
    elif one.flag == "doubtful":
        score.doubtful.append(one)
    else:
        score.given_up.append(one)
        if one.flag in STATES:
            score.misnamed.append(one)


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
