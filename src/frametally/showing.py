"""The stage from tables and findings to what people look at: CSV files, evidence crops, assessment.json and the report."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import datetime
from importlib.metadata import version

import cv2
import numpy as np
import numpy.typing as npt
import pandas as pd

from frametally.assess import Limit, assessment_to_dict, limits_for, load_limits
from frametally.clean import Tables
from frametally.errors import BadFrame, CalibrationMisfit
from frametally.frames import describe_time_source, load
from frametally.model import SETTLED, Assessment, Corners, Display, Finding, Flag, Night, Notice, Trial, TrialInstrument, key_kind
from frametally.reading import Eyes, Settings, one_thread_each
from frametally.results import Results
from frametally.show.evidence import safe_name, write_evidence
from frametally.show.files import write_json
from frametally.show.package import write_datapackage
from frametally.show.report import Crop, LimitNote, write_report
from frametally.show.tables import write_audit, write_readings
from frametally.show.wording import day_text, ordinal_text

log = logging.getLogger("frametally")


def show_readings(folder: Results, settings: Settings, tables: Tables) -> None:
    """Write both tables and what describes them."""
    displays = settings.calibration.displays
    write_readings(tables.readings, displays, folder.readings)
    write_audit(tables.audit, folder.audit, displays)
    write_datapackage(folder.path, displays, title=settings.calibration.title)


def show_findings(
    folder: Results, settings: Settings, night: Night, tables: Tables, assessment: Assessment, notices: Sequence[Notice]
) -> None:
    """Write the assessment, the evidence crops and the report."""
    write_assessment(folder, assessment)
    displays = settings.calibration.displays
    crops = keep_evidence(folder, assessment.findings, night, settings, tables.readings)
    limits = load_limits()
    write_report(
        folder.report,
        title=_title(settings),
        assessment=assessment,
        table=tables.readings,
        displays=displays,
        limits={display.key: _chart_limits(display) for display in displays},
        crops=crops,
        notices=notices,
        method=_method_words(settings, night),
        limit_notes={limit.id: _limit_note(limit) for limit in limits},
        conditions=_conditions(settings.trial, night),
    )


def write_assessment(folder: Results, assessment: Assessment) -> None:
    """Write `assessment.json`."""
    write_json(assessment_to_dict(assessment), folder.assessment)


def _title(settings: Settings) -> str:
    trial = settings.trial.title if settings.trial is not None else ""
    return trial or settings.calibration.title


def keep_evidence(
    folder: Results, findings: Sequence[Finding], night: Night, settings: Settings, table: pd.DataFrame
) -> list[Crop]:
    """Leave the pictures that prove a highest or lowest value in `evidence/`, and none that proves another run's.

    Where a photo is no longer there, the picture that an earlier run has cut from it stands; else there is none.
    """
    wanted = [(finding, frame) for finding in findings if finding.slug in ("highest", "lowest") for frame in finding.evidence[:2]]
    with one_thread_each():
        cut = cut_evidence(wanted, night, settings)
    pictures = {_evidence_name(finding, frame): cut.get((finding.key, frame)) for finding, frame in wanted}
    files = {name: folder.evidence / safe_name(name) for name in pictures}
    files |= write_evidence(folder.evidence, {name: picture for name, picture in pictures.items() if picture is not None})
    for left_over in set(folder.crops()) - set(files.values()):
        left_over.unlink(missing_ok=True)
    times = {frame.name: frame.time for frame in night.frames}
    crops = []
    for finding, frame in wanted:
        path = files[_evidence_name(finding, frame)]
        if path.exists():
            when = which_photo(finding, frame, times.get(frame), table)
            crops.append(Crop(finding.title, frame, finding.key, path.read_bytes(), finding.verified, when))
    return crops


def which_photo(finding: Finding, frame: str, time: datetime | None, table: pd.DataFrame) -> str:
    """Say which of the photos that show a highest or lowest reading this is, and from when: "1st of 9 photos, 22:52"."""
    flags, values = table[f"{finding.key}_flag"], table[finding.key]
    beyond = Flag.OVER_RANGE if finding.slug == "highest" else Flag.UNDER_RANGE
    rows = flags == beyond
    if not rows.any():
        rows = (values == finding.value) & flags.isin(SETTLED if finding.verified else [Flag.DOUBTFUL])
    names = table["frame"][rows].tolist()
    here = table["frame"] == frame
    if frame not in names:
        known = [value for value in values[here].tolist() if value == value]
        verb = "corrected by hand to" if (flags[here] == Flag.CORRECTED).any() else "shows"
        place = f"{verb} {known[0]:g} {finding.unit}".rstrip() if known else ""
    elif len(names) == 1:
        place = "the only photo of it"
    else:
        place = f"{ordinal_text(names.index(frame) + 1)} of {len(names)} photos"
    return ", ".join(part for part in (place, f"{time:%H:%M}" if time else "") if part)


def cut_evidence(
    wanted: Sequence[tuple[Finding, str]], night: Night, settings: Settings
) -> dict[tuple[str, str], npt.NDArray[np.uint8]]:
    """Cut displays out of photos, by the display's key and the frame; a photo that is gone or damaged gives none."""
    frames = {frame.name: frame for frame in night.frames}
    crops: dict[tuple[str, str], npt.NDArray[np.uint8]] = {}
    if not wanted:
        return crops
    gone = [frame.path.parent for frame in night.frames if not frame.path.exists()]
    if gone and len(gone) == len(night.frames):
        log.warning(
            "The photos are no longer in %s. Put the folder back to renew the pictures; those of the last run stay.", gone[0]
        )
        return crops
    try:
        eyes = Eyes.open(night, settings)
    except CalibrationMisfit as problem:
        log.warning("No pictures can be cut out of the photos now; those of an earlier run stay. %s", problem)
        return crops
    keys = {display.key for display in settings.calibration.displays}
    for name in dict.fromkeys(frame for _, frame in wanted if frame in frames):
        try:
            picture = load(frames[name])
            corners = eyes.registrar.locate(picture.pixels).corners
        except (BadFrame, CalibrationMisfit):
            continue
        for key in {finding.key for finding, frame in wanted if frame == name} & keys & set(corners):
            crops[key, name] = cut_display(picture.pixels, corners[key])
    return crops


def cut_display(image: npt.NDArray[np.uint8], corners: Corners) -> npt.NDArray[np.uint8]:
    """Give the neighbourhood of a display, upright, about 240 px high, with the marked region outlined. uint8, BGR."""
    points = np.asarray(corners, float)
    size = points.max(axis=0) - points.min(axis=0)
    low = np.maximum(np.floor(points.min(axis=0) - 0.45 * size[1]), 0).astype(int)
    high = np.minimum(np.ceil(points.max(axis=0) + 0.45 * size[1]), (image.shape[1], image.shape[0])).astype(int)
    part = image[low[1] : high[1], low[0] : high[0]]
    factor = 240 / max(part.shape[0], 1)
    method = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    part = cv2.resize(part, None, fx=factor, fy=factor, interpolation=method)
    outline = np.rint((points - low) * factor).astype(np.int32)
    cv2.polylines(part, [outline], True, (40, 40, 40), 3, cv2.LINE_AA)
    cv2.polylines(part, [outline], True, (255, 255, 255), 1, cv2.LINE_AA)
    return part


def _evidence_name(finding: Finding, frame: str) -> str:
    name = f"{finding.key}_{finding.slug}_{frame}"
    return name if name.lower().endswith(".jpg") else f"{name}.jpg"


def _chart_limits(display: Display) -> list[tuple[str, float]]:
    """Give the limits to draw into a display's chart: those published in the display's own unit."""
    limits = limits_for(key_kind(display.key))
    return [(_short(limit), limit.value) for limit in limits if limit.unit == display.unit]


def _short(limit: Limit) -> str:
    window = f", {limit.averaging_min / 60:g} h" if limit.averaging_min else ""
    name = limit.name.split("(")[-1].rstrip(")") if "(" in limit.name else limit.name
    return f"{limit.issuer} {name}{window}"


def _limit_note(limit: Limit) -> LimitNote:
    return LimitNote(limit.label, limit.value, limit.unit, limit.rule, limit.citation, limit.protects, limit.note)


def _method_words(settings: Settings, night: Night) -> dict[str, str]:
    return {
        "Program": f"frametally {version('frametally')}",
        "Calibration": f"{settings.calibration.title or 'untitled'}, marked on {settings.calibration.reference_frame}",
        "Times": describe_time_source(night.time_source),
        "Doubt": f"A reading less probable than {settings.method.doubtful_below:g} is called doubtful.",
    }


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
