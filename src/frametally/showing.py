"""The stage from tables and findings to what people look at: CSV files, evidence crops, assessment.json and the report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.metadata import version

import cv2
import numpy as np

from frametally.assess import Limit, assessment_to_dict, limits_for, load_limits
from frametally.clean import Tables
from frametally.errors import BadFrame, CalibrationMisfit
from frametally.frames import describe_time_source, load
from frametally.model import Assessment, Corners, Display, Finding, Night, Notice, Trial, key_kind
from frametally.reading import Eyes, Settings
from frametally.results import Results
from frametally.show.evidence import encode_picture, write_evidence
from frametally.show.files import write_json
from frametally.show.package import write_datapackage
from frametally.show.report import Crop, LimitNote, write_report
from frametally.show.tables import write_audit, write_readings


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
    crops = cut_evidence(assessment.findings, night, settings)
    write_evidence(folder.evidence, {_evidence_name(finding, frame): crop for finding, frame, crop in crops})
    limits = load_limits()
    write_report(
        folder.report,
        title=_title(settings),
        assessment=assessment,
        table=tables.readings,
        displays=displays,
        limits={display.key: _chart_limits(display) for display in displays},
        crops=[
            Crop(finding.title, frame, finding.key, encode_picture(crop, ".jpg"), finding.verified)
            for finding, frame, crop in crops
        ],
        notices=notices,
        method=_method_words(settings, night),
        limit_notes={limit.id: _limit_note(limit) for limit in limits},
        conditions=_conditions(settings.trial),
    )


def write_assessment(folder: Results, assessment: Assessment) -> None:
    """Write `assessment.json`."""
    folder.path.mkdir(parents=True, exist_ok=True)
    write_json(assessment_to_dict(assessment), folder.assessment)


def _title(settings: Settings) -> str:
    trial = settings.trial.title if settings.trial is not None else ""
    return trial or settings.calibration.title


def cut_evidence(findings: Sequence[Finding], night: Night, settings: Settings) -> list[tuple[Finding, str, np.ndarray]]:
    """Cut the displays out of the photos that prove a highest or lowest value; a photo that is gone gives no crop."""
    wanted = [(finding, frame) for finding in findings if finding.slug in ("highest", "lowest") for frame in finding.evidence[:2]]
    if not wanted:
        return []
    frames = {frame.name: frame for frame in night.frames}
    try:
        eyes = Eyes.open(night, settings)
    except CalibrationMisfit:
        return []
    displays = {display.key: display for display in settings.calibration.displays}
    crops = []
    seen: dict[str, tuple[np.ndarray, Mapping[str, Corners]]] = {}
    for finding, name in wanted:
        if name not in seen and name in frames:
            try:
                picture = load(frames[name])
            except BadFrame:
                continue
            seen[name] = (picture.pixels, eyes.registrar.locate(picture.pixels).corners)
        if name in seen and finding.key in seen[name][1] and finding.key in displays:
            crops.append((finding, name, cut_display(seen[name][0], seen[name][1][finding.key])))
    return crops


def cut_display(image: np.ndarray, corners: Corners) -> np.ndarray:
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
    return f"{finding.key}_{finding.slug}_{frame.rsplit('/', 1)[-1].rsplit('.', 1)[0]}.jpg"


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


def _conditions(trial: Trial | None) -> dict[str, str]:
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
        words[f"At {event.time:%H:%M}"] = event.what
    if trial.people.sleeping is not None:
        words["People asleep inside"] = ". ".join(part for part in (f"{trial.people.sleeping}", trial.people.notes) if part)
    outdoor = [
        f"{trial.outdoor.temp_c:g} °C" if trial.outdoor.temp_c is not None else "",
        f"{trial.outdoor.rh_pct:g} % relative humidity" if trial.outdoor.rh_pct is not None else "",
    ]
    words["Outdoors"] = ", ".join(part for part in outdoor if part)
    return {name: text for name, text in words.items() if text}
