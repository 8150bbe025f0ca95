"""Takes the number of frames and the wanted troubles; gives which frames each of them befalls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from frametally.errors import BadInput

TROUBLES: dict[str, str] = {
    "nudge": "someone knocks the camera: the view moves up to 60 px and turns up to 2 degrees, and stays so",
    "instrument-moved": "one instrument is slid 10 to 40 px along the shelf and turned a little, and stays so",
    "dim": "the lamp is turned down to 25 to 35 % for a while; the photos get noisy",
    "glare": "a light is mirrored in one instrument's window; where it hides what a number needs, nobody can read it",
    "timeout": "one instrument's display is off for a few frames",
    "covered": "a mug, a book or a towel stands in front of one instrument",
    "spike": "a puff of smoke drives one CO display over its range; the true peak lasts only a few frames",
    "gap": "photos are missing twice; their numbers too",
    "truncated": "one photo's file is cut off at about 60 % of its bytes",
    "low-battery": "one display shows Lo instead of its number for a few frames",
    "blink": "one display blinks, as alarms do, and is caught dark in every other photo",
}
"""Every trouble of a practice night, by name."""

DEFAULT_TROUBLES = tuple(name for name in TROUBLES if name != "blink")
"""What befalls a night when nobody says: everything but the blinking."""

LASTING = ("nudge", "instrument-moved")
SHARES: dict[str, tuple[float, int, int]] = {
    "dim": (0.14, 1, 40), "glare": (0.06, 1, 9), "timeout": (0.03, 1, 5), "covered": (0.025, 1, 5), "spike": (0.04, 1, 6),
    "gap": (0.02, 1, 4), "truncated": (0.0, 1, 1), "low-battery": (0.03, 1, 4), "blink": (0.06, 2, 10),
}  # fmt: skip
"""How long each passing trouble lasts: share of the frames, fewest, most."""


@dataclass(frozen=True)
class Stretch:
    """One trouble from frame `first` to frame `last`, counted from 0, both included."""

    trouble: str
    first: int
    last: int

    def __contains__(self, frame: int) -> bool:
        return self.first <= frame <= self.last


def check_troubles(troubles: Sequence[str] | None) -> tuple[str, ...]:
    """Give the wanted troubles in the order of `TROUBLES`, each once; raises BadInput for an unknown name."""
    if troubles is None:
        return DEFAULT_TROUBLES
    unknown = sorted(set(troubles) - set(TROUBLES))
    if unknown:
        raise BadInput(f"unknown trouble {unknown[0]!r}; choose from: {', '.join(TROUBLES)}")
    return tuple(name for name in TROUBLES if name in troubles)


def _wanted_lengths(passing: list[str], frames: int, shares: Mapping[str, tuple[float, int, int]]) -> dict[str, int]:
    lengths = {}
    for name in passing:
        share, fewest, most = shares[name.split("/")[0]]
        lengths[name] = int(np.clip(round(share * frames), fewest, most))
    return lengths


def schedule(
    frames: int,
    troubles: tuple[str, ...],
    rng: np.random.Generator,
    shares: Mapping[str, tuple[float, int, int]] = SHARES,
) -> tuple[Stretch, ...]:
    """Place each trouble in its own part of the night, in an order of the generator's; the first frame stays clean.

    Raises BadInput where the night is too short for them.
    """
    passing = [name for name in troubles if name not in LASTING]
    if "gap" in passing:
        passing.append("gap/2")
    lengths = _wanted_lengths(passing, frames, shares)
    # Between two troubles lies one clean frame at least, so that each can be told from the next.
    room = frames - 1 - len(passing)
    if sum(lengths.values()) > room:
        lengths = {name: shares[name.split("/")[0]][1] for name in passing}
    if sum(lengths.values()) > room or (troubles and frames < 3):
        needed = max(3, 1 + len(passing) + sum(lengths.values()))
        raise BadInput(f"{frames} frames are too few for these troubles; ask for {needed} or more, or for fewer troubles")
    order = [passing[i] for i in rng.permutation(len(passing))]
    spare = room - sum(lengths.values())
    cuts = np.sort(rng.integers(0, spare + 1, len(order)))
    stretches, used = [], 1
    for name, cut in zip(order, cuts, strict=True):
        first = used + int(cut)
        stretches.append(Stretch(name.split("/")[0], first, first + lengths[name] - 1))
        used += lengths[name] + 1
    for name in (n for n in troubles if n in LASTING):
        low, high = (0.25, 0.55) if name == "nudge" else (0.5, 0.85)
        stretches.append(Stretch(name, max(1, int(frames * rng.uniform(low, high))), frames - 1))
    return tuple(sorted(stretches, key=lambda s: (s.first, s.trouble)))
