"""The stage from tables and findings to what people look at: evidence crops, assessment.json and the report."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from frametally.assess import Limit, assessment_to_dict, level_for, limits_for, load_limits
from frametally.assess.limits import SETTINGS
from frametally.clean import Tables
from frametally.crops import cut_display, keep_evidence, keep_strips
from frametally.frames import describe_time_source
from frametally.model import Assessment, Display, FrameRecord, Night, Notice, Trial, TrialInstrument, key_kind
from frametally.reading import Settings
from frametally.results import Results
from frametally.show.files import write_json
from frametally.show.report import LimitNote, NightPage, Units, night_charts, write_night_figures, write_report
from frametally.show.traces import read_axis
from frametally.show.wording import count_text, day_text, duration_text

__all__ = ["cut_display", "draw_night", "show_findings", "write_assessment"]


def show_findings(
    folder: Results,
    settings: Settings,
    night: Night,
    tables: Tables,
    assessment: Assessment,
    notices: Sequence[Notice],
    *,
    records: Sequence[FrameRecord] = (),
    units: Units = "metric",
    figures: Path | None = None,
) -> None:
    """Write the assessment, the evidence crops and the report; with `figures` its charts into that folder as well.

    `units` are those of the report and the figures; tables and assessment are always metric.
    """
    write_assessment(folder, assessment)
    displays = settings.calibration.displays
    notes = {limit.id: _limit_note(limit) for limit in load_limits()}
    crops = keep_evidence(folder, assessment.findings, night, settings, tables.readings)
    proofs = [frame for finding in assessment.findings for frame in finding.evidence]
    strips = keep_strips(folder, night, settings, records, tables.readings, list(dict.fromkeys(proofs)))
    page = NightPage(
        title=_title(settings),
        assessment=assessment,
        table=tables.readings,
        audit=tables.audit,
        displays=displays,
        limits={display.key: _chart_limits(display) for display in displays},
        crops=crops,
        strips=strips,
        notices=notices,
        method=_method_words(settings, night),
        limit_notes=notes,
        tested=_tested(settings.trial),
        conditions=_conditions(settings.trial, night),
        events=_events(settings.trial, tables.readings),
        units=units,
    )
    write_report(folder.report, page)
    if figures is not None:
        write_night_figures(figures, page)


def draw_night(settings: Settings, tables: Tables, assessment: Assessment) -> dict[str, Any]:
    """Give the charts of the readings as the report has them: `charts` (id, title, `wide` and `narrow` as SVG text), and `data`,
    what their script needs to know, without pictures."""
    displays = settings.calibration.displays
    page = NightPage(
        title=_title(settings),
        assessment=assessment,
        table=tables.readings,
        displays=displays,
        limits={display.key: _chart_limits(display) for display in displays},
        events=_events(settings.trial, tables.readings),
    )
    charts, data = night_charts(page)
    return {
        "charts": [{name: str(chart[name]) for name in ("id", "title", "wide", "narrow")} for chart in charts],
        "data": json.loads(data),
    }


def write_assessment(folder: Results, assessment: Assessment) -> None:
    """Write `assessment.json`."""
    write_json(assessment_to_dict(assessment), folder.assessment)


def _title(settings: Settings) -> str:
    trial = settings.trial.title if settings.trial is not None else ""
    return trial or settings.calibration.title


def _chart_limits(display: Display) -> list[tuple[str, float]]:
    """Give the limits to draw into a display's chart: the few that the catalogue has for charts, in the display's own unit."""
    limits = limits_for(key_kind(display.key))
    return [(_short(limit), float(f"{level_for(limit, display.unit):.3g}")) for limit in limits if limit.in_chart]


def _short(limit: Limit) -> str:
    window = f", {limit.averaging_min / 60:g} h" if limit.averaging_min else ""
    name = limit.name.split("(")[-1].rstrip(")") if "(" in limit.name else limit.name
    return f"{limit.issuer} {name}{window}"


def _limit_note(limit: Limit) -> LimitNote:
    level = limit.level_in(limit.display_unit)
    converted = "" if limit.unit == limit.display_unit else f" ({level:.3g} {limit.display_unit})"
    return LimitNote(
        limit.label,
        limit.value,
        limit.unit,
        limit.rule,
        limit.citation,
        limit.protects,
        limit.note,
        setting=limit.setting,
        made_for=SETTINGS[limit.setting],
        for_sleepers=limit.is_for_sleepers,
        amount=f"{limit.amount}{converted}",
        level=level,
        average=duration_text(limit.averaging_min) if limit.averaging_min else "",
        low_side=limit.is_low_side,
    )


def _method_words(settings: Settings, night: Night) -> dict[str, str]:
    return {
        "Program": f"frametally {version('frametally')}",
        "Calibration": f"{settings.calibration.title or 'untitled'}, marked on {settings.calibration.reference_frame}",
        "Times": describe_time_source(night.time_source),
        "Doubt": f"A reading less probable than {settings.method.doubtful_below:g} is called doubtful.",
    }


def _tested(trial: Trial | None) -> dict[str, str]:
    """Give what was tested in few words, for the head of the page; what is not known is left out."""
    if trial is None:
        return {}
    space = trial.space
    burners = [
        ", ".join(part for part in (one.name, one.fuel, f"{one.heat_input_kw:g} kW" if one.heat_input_kw else "") if part)
        for one in trial.appliance
    ]
    open_vents = sum(vent.open is True for vent in trial.vent)
    words = {
        "Space": ", ".join(part for part in (space.name, f"{space.volume_m3:g} m³" if space.volume_m3 else "") if part),
        "Burner" if len(burners) == 1 else "Burners": "; ".join(one for one in burners if one),
        "Vents": f"{open_vents} of {count_text(len(trial.vent), 'vent')} open" if trial.vent else "",
        "Asleep inside": {None: "", 0: "nobody"}.get(trial.people.sleeping, f"{trial.people.sleeping}"),
    }
    return {name: text for name, text in words.items() if text}


def _events(trial: Trial | None, table: pd.DataFrame) -> list[tuple[float, str]]:
    """Give what the trial says happened while the photos were taken: minutes since the first photo, clock time and words."""
    axis = read_axis(table)
    known = [(x, moment) for x, moment in zip(axis.x.tolist(), axis.clock, strict=True) if moment is not None and x == x]
    if trial is None or not known:
        return []
    told = [(event.time, event.what) for event in trial.event]
    for one in trial.appliance:
        name = one.name or "the appliance"
        told += [(when, f"{name} {word}") for when, word in ((one.on, "lit"), (one.off, "put out")) if when is not None]
    found = []
    for moment, what in told:
        start_min, start = known[0]
        if (start.utcoffset() is None) != (moment.utcoffset() is None):
            start, moment = start.replace(tzinfo=None), moment.replace(tzinfo=None)
        at = start_min + (moment - start).total_seconds() / 60
        if known[0][0] < at < known[-1][0]:
            found.append((round(at, 4), f"{moment:%H:%M} {what}"))
    return sorted(found)


def _conditions(trial: Trial | None, night: Night) -> dict[str, str]:
    """Give the trial's conditions in words, in the file's order; what is not known is left out."""
    if trial is None:
        return {}
    words: dict[str, str] = {}
    space = trial.space
    parts = [
        space.name,
        f"{space.volume_m3:g} m³" if space.volume_m3 else "",
        f"{space.altitude_m:g} m altitude" if space.altitude_m is not None else "",
    ]
    words["Space"] = ", ".join(part for part in parts if part)
    for appliance in trial.appliance:
        heat = f"{appliance.heat_input_kw:g} kW {appliance.heat_basis or ''}".strip() if appliance.heat_input_kw else ""
        words[f"Appliance: {appliance.name}" if appliance.name else "Appliance"] = ", ".join(
            part for part in (appliance.fuel, heat, appliance.notes) if part
        )
    for vent in trial.vent:
        area = f"{vent.free_area_cm2:g} cm² free" if vent.free_area_cm2 is not None else ""
        state = {True: "open", False: "shut", None: ""}[vent.open]
        words[f"Vent: {vent.name}" if vent.name else "Vent"] = ", ".join(part for part in (state, area) if part)
    for event in trial.event:
        words[_event_head(event.time, night)] = event.what
    if trial.people.sleeping is not None:
        words["People asleep inside"] = ". ".join(part for part in (f"{trial.people.sleeping}", trial.people.notes) if part)
    outdoor = [
        f"{trial.outdoor.temp_c:g} °C" if trial.outdoor.temp_c is not None else "",
        f"{trial.outdoor.rh_pct:g} % relative humidity" if trial.outdoor.rh_pct is not None else "",
    ]
    words["Outdoors"] = ", ".join(part for part in outdoor if part)
    words |= {f"Instrument: {one.name}": _instrument_words(one) for one in trial.instrument}
    return {name: text for name, text in words.items() if text}


def _event_head(moment: datetime, night: Night) -> str:
    """Say when an event was; with its date where it lies outside the time of the photos."""
    known = [frame.time for frame in night.frames if frame.time is not None]
    if any(time.utcoffset() is None for time in (*known, moment)):
        known, moment = [time.replace(tzinfo=None) for time in known], moment.replace(tzinfo=None)
    if known and min(known) <= moment <= max(known):
        return f"At {moment:%H:%M}"
    return f"At {moment:%H:%M} on {day_text(moment)}" + (" (not during these photos)" if known else "")


def _instrument_words(one: TrialInstrument) -> str:
    """Give what the trial says of an instrument: alarm points, last test with gas, response times, and what it is made for."""
    alarms = " and ".join(f"{point:g}" for point in one.co_alarm_ppm)
    response = ", ".join(f"{name} {seconds:g} s" for name, seconds in one.response_t90_s.items())
    parts = [
        f"carbon monoxide alarm at {alarms} ppm" if alarms else "",
        f"last tested with gas on {day_text(one.last_bump_test)}" if one.last_bump_test else "no test with gas stated",
        f"time to show 90 % of a change: {response}" if response else "",
        f"made for {one.working_temp_c[0]:g} to {one.working_temp_c[1]:g} °C" if one.working_temp_c else "",
        f"zeroed at {one.zeroed_at_altitude_m:g} m altitude" if one.zeroed_at_altitude_m is not None else "",
    ]
    return "; ".join(part for part in parts if part)
