"""A table of readings, the displays and the trial to the whole assessment of a night, and that to plain JSON values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict

import pandas as pd

from frametally.assess.airchange import describe_air_change
from frametally.assess.alarms import describe_alarms
from frametally.assess.carboxyhaemoglobin import describe_carboxyhaemoglobin
from frametally.assess.cautions import ask_for_facts, explain_limits, give_cautions
from frametally.assess.combustion import describe_combustion
from frametally.assess.comparisons import Comparison, by_family, compare_all, summarise_comparisons
from frametally.assess.facts import GASES, DisplayFacts, gather_facts
from frametally.assess.findings import describe_mean, describe_quality, describe_time_beyond, find_extremes
from frametally.assess.instruments import describe_instruments
from frametally.assess.limits import Limit, limits_for, load_limits
from frametally.assess.mixture import describe_mixture
from frametally.assess.moisture import describe_moisture
from frametally.assess.oxygen import describe_oxygen
from frametally.assess.phases import describe_phases
from frametally.assess.samples import Timeline, read_samples
from frametally.assess.study import Study, study_display, summarise
from frametally.assess.topic import Describe
from frametally.assess.verdicts import judge
from frametally.model import FORMAT, Assessment, Display, Finding, Trial

ROUND_TO = 4
"""Decimal places kept in the JSON form: finer than any display, coarser than the rounding of sums."""

TOPICS: dict[str, Describe] = {
    "alarms": describe_alarms,
    "oxygen": describe_oxygen,
    "carboxyhaemoglobin": describe_carboxyhaemoglobin,
    "moisture": describe_moisture,
    "combustion": describe_combustion,
    "air_change": describe_air_change,
    "instruments": describe_instruments,
    "phases": describe_phases,
}
"""What is said beyond each display's own figures, by the name under which its figures stand in the JSON form."""


def assess(
    table: pd.DataFrame,
    displays: Sequence[Display | DisplayFacts] = (),
    trial: Trial | None = None,
    limits: tuple[Limit, ...] | None = None,
) -> Assessment:
    """Say what a night's air meant.

    Parameters
    ----------
    table : DataFrame
        As `readings.csv`: `time`, `elapsed_min`, `frame`, then per display `<key>` and `<key>_flag`; any of the first
        three and the flags may be missing. It is not changed.
    displays : sequence of Display or DisplayFacts, optional
        From the calibration; none given: guessed from the table's headers (then without range, error or instrument).
    trial : Trial, optional
        The conditions; what they lack is asked for.
    limits : tuple of Limit, optional
        A catalogue in place of the packaged one.

    Returns
    -------
    Assessment
        Findings, what matters most to a life first; `summary[key]` the figures of each display.

    Raises
    ------
    BadInput
        The table has nothing to assess, or a cell that is no time, number or flag.
    """
    catalogue = load_limits() if limits is None else limits
    facts = gather_facts(table, displays)
    timeline, samples = read_samples(table, facts)
    studies = [study_display(timeline, one, limits_for(one.facts.kind, catalogue)) for one in samples]
    topics = {name: describe(studies, trial) for name, describe in TOPICS.items()}
    comparisons = compare_all(studies, catalogue)
    findings = [
        *(judge(group) for group in by_family(comparisons)),
        *describe_mixture(comparisons),
        *(finding for study in studies for finding in _describe(study, catalogue, _alarm_points(study, trial))),
        *(finding for topic in topics.values() for finding in topic.findings),
        *_note_times(timeline),
        *_ask(studies, catalogue, trial),
    ]
    findings.sort(key=lambda finding: finding.weight)
    return Assessment(
        tuple(findings),
        {one.facts.key: _summarise(one, catalogue, comparisons) for one in studies},
        {name: topic.figures for name, topic in topics.items() if topic.figures},
    )


def _summarise(study: Study, catalogue: tuple[Limit, ...], comparisons: list[Comparison]) -> dict[str, object]:
    own = [one for one in comparisons if one.study is study]
    return {**summarise(study, limits_for(study.facts.kind, catalogue)), "limits": summarise_comparisons(own)}


def _alarm_points(study: Study, trial: Trial | None) -> tuple[float, ...]:
    """The carbon monoxide alarm points that the trial states for this display's instrument."""
    if trial is None or study.facts.kind != "co_ppm":
        return ()
    return next((one.co_alarm_ppm for one in trial.instrument if one.name == study.facts.instrument), ())


def _describe(study: Study, catalogue: tuple[Limit, ...], alarms: Sequence[float]) -> list[Finding]:
    limits = limits_for(study.facts.kind, catalogue)
    optional = (describe_time_beyond(study, limits), describe_mean(study))
    return [*find_extremes(study, limits, alarms), *(one for one in optional if one is not None), describe_quality(study)]


def _note_times(timeline: Timeline) -> list[Finding]:
    """Say that rows have no place in time, where some have none."""
    total, timed = len(timeline.frames), timeline.timed
    if total == 0:
        return [
            Finding(
                "no-readings", "Nothing was read", "The table has no rows, so nothing can be said about this night.", 0, "warning"
            )
        ]
    if timed == total:
        return []
    text = (
        f"For {total - timed} of {total} rows the time is not known. Their readings count for the highest and the lowest, "
        "but not for averages and durations. Give the photos' times (for instance a start and an interval) to have them counted."
    )
    return [Finding("no-times", "Times are missing", text, 24, "warning")]


def _ask(studies: list[Study], catalogue: tuple[Limit, ...], trial: Trial | None) -> list[Finding]:
    kinds = {study.facts.kind for study in studies if study.highest is not None}
    used = tuple(limit for limit in catalogue if limit.kind in kinds and limit.is_of_one_night)
    names = [study.facts.instrument for study in studies if study.facts.kind in GASES and study.facts.instrument]
    optional = (explain_limits(used), ask_for_facts(trial, list(dict.fromkeys(names))))
    return [*give_cautions(), *(one for one in optional if one is not None)]


def assessment_to_dict(assessment: Assessment) -> dict[str, object]:
    """Give an assessment as plain values for JSON: same assessment, same bytes; no NaN or infinity, None instead."""
    return {
        "format": FORMAT,
        "findings": [_plain(asdict(finding)) for finding in assessment.findings],
        "summary": {key: _plain(figures) for key, figures in assessment.summary.items()},
        "topics": {name: _plain(figures) for name, figures in assessment.topics.items()},
    }


def _plain(value: object) -> object:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        rounded = round(value, ROUND_TO)
        return 0.0 if rounded == 0 else rounded
    return value
