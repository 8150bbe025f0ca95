"""What one topic of the assessment gives: its findings, and the figures they and the charts rest on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from frametally.assess.samples import Floats
from frametally.assess.study import Study
from frametally.model import Finding, Trial


@dataclass(frozen=True)
class Topic:
    """The findings of one topic and its `figures`: plain numbers, words, lists and dicts for `assessment.json`."""

    findings: tuple[Finding, ...] = ()
    figures: dict[str, object] = field(default_factory=dict)


Describe = Callable[[Sequence[Study], Trial | None], Topic]
"""From the studies of all displays and the trial to one topic; an empty Topic where the night says nothing of it."""


def of_kind(studies: Sequence[Study], *kinds: str) -> list[Study]:
    """Give the studies of displays of these kinds that showed any settled number, in the order of the table."""
    return [study for study in studies if study.facts.kind in kinds and study.samples.settled.any()]


def settled_series(study: Study) -> tuple[Floats, Floats]:
    """Give the settled readings whose time is known: elapsed [min] and value [the display's unit], in the order of time."""
    elapsed = study.timeline.elapsed_min
    rows = study.samples.settled & np.isfinite(elapsed)
    return elapsed[rows], study.samples.values[rows]
