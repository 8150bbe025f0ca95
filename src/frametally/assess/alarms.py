"""The carbon monoxide displays' curves and the alarm standards to one topic: when an alarm would have sounded this night.

A standard says, for a few steady levels, how long an alarm must stay silent and by when it must have sounded. A night is not
steady, so two moments are reckoned. *May have sounded from*: every minute uses up a share of the silence that the standard
demands at the next higher level (below the lowest level the shares fall with the concentration, above the highest one there is
no silence); the alarm may sound once the shares reach one. Unmeasured time counts at its upper bound. *Must have sounded by*:
the end of the first unbroken time at or above a level that is as long as the standard allows. Unmeasured time breaks it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from frametally.assess.exposure import Curve, Ramp, known
from frametally.assess.facts import QUANTITIES
from frametally.assess.limits import AlarmPoint, AlarmStandard, load_alarms
from frametally.assess.samples import Floats
from frametally.assess.study import Study, nearest_frames
from frametally.assess.topic import Topic
from frametally.assess.units import factor, tidy_unit
from frametally.assess.wording import capitalise, write_minutes, write_moment
from frametally.model import Finding, Trial

SHARES_SOURCE = "Shares of the silence that the standard demands, added up over a night that is not steady: own convention"
NOT_A_LIMIT = (
    "That an alarm built to this standard stays silent does not mean that the air keeps the limits for people at home: it "
    "is made to warn before strong poisoning, not of low levels."
)

_MUST, _MAY, _SILENT = 7, 27, 47
_KIND = "co_ppm"


@dataclass(frozen=True)
class Sounding:
    """When an alarm may have sounded first and must have sounded last [min elapsed]; infinite where not this night."""

    may_from_min: float
    must_by_min: float


def describe_alarms(studies: Sequence[Study], trial: Trial | None) -> Topic:
    """Say what an alarm of each standard would have done; empty where no carbon monoxide was measured over time."""
    watched = [study for study in studies if study.facts.kind == _KIND and study.curve.measured_min > 0]
    if not watched:
        return Topic()
    findings, rows = [], []
    for standard in load_alarms():
        each = [find_sounding(study.curve, standard, _ppm_in(study)) for study in watched]
        whole = Sounding(min(one.may_from_min for one in each), min(one.must_by_min for one in each))
        first = min(range(len(each)), key=lambda i: (each[i].must_by_min, each[i].may_from_min))
        findings.append(_describe(watched[first], standard, whole))
        rows.append(
            {
                "standard": standard.id,
                "may_sound_from_min": known(whole.may_from_min),
                "must_sound_by_min": known(whole.must_by_min),
            }
        )
    return Topic(tuple(findings), {"standards": rows})


def _ppm_in(study: Study) -> float:
    """What one of the display's unit is in ppm."""
    return factor(_KIND, tidy_unit(study.facts.unit) or QUANTITIES[_KIND][1], "ppm")


def find_sounding(curve: Curve, standard: AlarmStandard, ppm_in_unit: float = 1.0) -> Sounding:
    """Give the two moments for one display.

    Parameters
    ----------
    curve : Curve
    standard : AlarmStandard
    ppm_in_unit : float
        What one of the display's unit is in ppm.
    """
    must = [_end_of_hold(curve, point, ppm_in_unit) for point in standard.point if point.sounds_by_min is not None]
    return Sounding(_first_possible(curve, standard.point, ppm_in_unit), min(must, default=math.inf))


def _end_of_hold(curve: Curve, point: AlarmPoint, ppm_in_unit: float) -> float:
    """End of the first time at or above a level that is as long as the standard allows; infinite where there is none."""
    begins, ends = _stretches_at_or_above(curve, point.ppm / ppm_in_unit)
    allowed = point.sounds_by_min or math.inf
    long = np.flatnonzero(ends - begins >= allowed * (1 - 1e-9))
    return float(begins[long[0]]) + allowed if long.size else math.inf


def _stretches_at_or_above(curve: Curve, level: float) -> tuple[Floats, Floats]:
    """Begin and end of every unbroken time in which the lowest possible course is at or above a level. [min]"""
    ramp, measured = curve.lower, curve.measured.start > 0
    left, right = ramp.knots[:-1], ramp.knots[1:]
    starts, stops = _crossing(ramp, level)
    there = measured & (curve.length_min > 0) & (np.maximum(ramp.start, ramp.stop) >= level) & (stops > starts)
    begin, end = np.where(there, starts, right), np.where(there, stops, left)
    begin, end = begin[there], end[there]
    if not begin.size:
        return begin, end
    broken = begin[1:] > end[:-1] + 1e-9
    return begin[np.r_[True, broken]], end[np.r_[broken, True]]


def _crossing(ramp: Ramp, level: float) -> tuple[Floats, Floats]:
    """Where each piece enters and leaves the region at or above a level, were it to reach it. [min]"""
    left, length, rise = ramp.knots[:-1], np.diff(ramp.knots), ramp.stop - ramp.start
    at = left + np.divide(level - ramp.start, rise, out=np.zeros_like(rise), where=np.abs(rise) > 0) * length
    return np.where(ramp.start >= level, left, at), np.where(ramp.stop >= level, left + length, at)


def _first_possible(curve: Curve, points: Sequence[AlarmPoint], ppm_in_unit: float) -> float:
    """First moment at which the shares of the demanded silence have come to one; infinite where they never do.

    Each piece counts with the higher of its two ends: earlier, never later.
    """
    length = curve.length_min
    highest = np.maximum(curve.upper.start, curve.upper.stop) * ppm_in_unit
    highest = np.where(curve.open_above, math.inf, highest)
    levels = np.array([point.ppm for point in points])
    silence = np.array([*(point.silent_min for point in points), 0.0])
    place = np.searchsorted(levels, highest, side="left")
    demanded = silence[place]
    demanded = np.where(
        highest < levels[0],
        np.divide(levels[0] * silence[0], highest, out=np.full_like(highest, math.inf), where=highest > 0),
        demanded,
    )
    shares = np.divide(length, demanded, out=np.where(length > 0, math.inf, 0.0), where=demanded > 0)
    total = np.cumsum(shares)
    reached = np.flatnonzero(total >= 1 - 1e-9)
    if not reached.size:
        return math.inf
    piece = int(reached[0])
    before = float(total[piece - 1]) if piece else 0.0
    return float(curve.upper.knots[piece]) + (1 - before) * float(demanded[piece])


def _describe(study: Study, standard: AlarmStandard, sounding: Sounding) -> Finding:
    name, timeline = standard.standard, study.timeline
    may, must = sounding.may_from_min, sounding.must_by_min
    if math.isfinite(must):
        at = write_moment(timeline, must)
        title = f"A carbon monoxide alarm to {name} must have sounded by {at}"
        text = f"By the readings, an alarm that is built to {name} and works must have sounded by {at}"
        text += f" and may have sounded from {write_moment(timeline, may)}." if may < must else "."
        text += " An alarm where people sleep would have been the last call to get out into fresh air."
    elif math.isfinite(may):
        at = write_moment(timeline, may)
        title = f"A carbon monoxide alarm to {name} may have sounded from {at}, and need not have"
        text = (
            f"An alarm that is built to {name} may have sounded from {at}; nothing in the readings obliged it to. {NOT_A_LIMIT}"
        )
    else:
        title = f"A carbon monoxide alarm to {name} would have stayed silent"
        text = f"By the readings, an alarm that is built to {name} would not have sounded this night. {NOT_A_LIMIT}"
    must_sound, may_sound = math.isfinite(must), math.isfinite(may)
    return Finding(
        slug="alarm-standard",
        title=title,
        text=f"{text} {_band_text(standard)}",
        weight=_MUST if must_sound else _MAY if may_sound else _SILENT,
        tone="danger" if must_sound else "warning" if may_sound else "note",
        key=study.facts.key,
        evidence=nearest_frames(study, *(moment for moment in (may, must) if math.isfinite(moment))),
        sources=(standard.citation, SHARES_SOURCE),
    )


def write_bands(standard: AlarmStandard) -> str:
    """Write a standard's bands: "at a steady 50 ppm silent for 1 h and sounding within 1 h 30 min; ..."."""
    parts = []
    for point in standard.point:
        silent = f"silent for {_write_long(point.silent_min)}" if point.silent_min else ""
        sounds = f"sounding within {write_minutes(point.sounds_by_min)}" if point.sounds_by_min else ""
        parts.append(f"at a steady {point.ppm:g} ppm {' and '.join(part for part in (silent, sounds) if part)}")
    return "; ".join(parts)


def _band_text(standard: AlarmStandard) -> str:
    note = f" {capitalise(standard.note)}" if standard.note else ""
    return f"The standard has an alarm {write_bands(standard)}.{note}"


def _write_long(minutes: float) -> str:
    days = minutes / 1440
    return f"{days:g} days" if days >= 2 else write_minutes(minutes)
