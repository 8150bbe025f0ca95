"""Takes `check` with its photos and options; prints for every display what to expect and what to change, or all of it as JSON."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from frametally.cli.loudness import Command
from frametally.errors import BadInput

if TYPE_CHECKING:
    from frametally.assess.cadence import Cadence
    from frametally.checking import Check, Endurance, Photo, Sighting
    from frametally.read.legibility import Legibility
    from frametally.show.annotate import Mark

_PATH = click.Path(path_type=Path)
_WIDTH = 100
_SECONDS = {"s": 1.0, "sec": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0, "": 1.0}
_MARKS = {"good": "ok", "borderline": "! ", "not legible": "!!"}


class Duration(click.ParamType):
    """A time from photo to photo, like 60s, 2min or 60; gives seconds."""

    name = "time"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Give the seconds."""
        match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(s|sec|m|min|h)?\s*", str(value))
        if match is None or float(match[1]) <= 0:
            self.fail(f"{value!r} is no time from photo to photo; write it like 60s, 2min or 1h", param, ctx)
        return float(match[1]) * _SECONDS[match[2] or ""]


def _moment(context: click.Context, option: click.Parameter, value: str | None) -> datetime:
    """Read --now; without it, give the computer's own time with its offset."""
    if value is None:
        return datetime.now().astimezone()
    try:
        return datetime.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is no date and time; write it like 2026-10-30T21:40:00+00:00") from None


@click.command(
    "check",
    cls=Command,
    short_help="Before the night: will the displays be legible, do clock and interval do?",
    example="check photo.jpg -c calibration.toml --interval 60s",
)
@click.argument("photos", nargs=-1, required=True, type=_PATH)
@click.option("-c", "--calibration", type=_PATH, required=True, help="Calibration file: where the displays are.")
@click.option("-t", "--trial", type=_PATH, help="Trial file: the meters' response times, when the night begins and ends.")
@click.option("--interval", "interval_s", type=Duration(), help="Time from photo to photo, like 60s or 2min.")
@click.option("--battery-h", type=float, metavar="HOURS", help="How long the camera's battery lasts, as you know it.")
@click.option("--card-gb", type=float, metavar="GB", help="Room on the memory card.")
@click.option("-o", "--picture", type=_PATH, help="Write the photos with everything marked to this .png or .jpg file.")
@click.option("--now", callback=_moment, metavar="TIME", help="Hold the photo's clock against this time, not the computer's.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@click.option("--strict", is_flag=True, help="End with code 5 where a display is not legible.")
def check_command(
    photos: tuple[Path, ...],
    calibration: Path,
    trial: Path | None,
    interval_s: float | None,
    battery_h: float | None,
    card_gb: float | None,
    picture: Path | None,
    now: datetime,
    as_json: bool,
    strict: bool,
) -> None:
    """Check PHOTOS, taken just now as the night's will be, against CALIBRATION, before the night.

    For each display: what is read, how sure, what share of readings to expect flagged, and what to change. Then the camera's
    clock, and with --interval whether the photos come often enough and how long card and battery last.
    """
    from frametally.checking import Plan, check, check_legible

    _check_picture(picture, photos)
    found = check(photos, calibration, trial=trial, plan=Plan(interval_s, battery_h, card_gb), now=now)
    if picture is not None:
        _write_picture(found, picture)
    if as_json:
        click.echo(json.dumps(as_data(found), ensure_ascii=False, indent=1))
    else:
        click.echo("\n".join(_lines(found)))
        if picture is not None:
            click.echo(f"\nPicture: {picture}")
    if strict:
        check_legible(found)


# --- words ----------------------------------------------------------------------------------------------------------------


def _lines(found: Check) -> Iterator[str]:
    for photo in found.photos:
        yield f"{photo.frame.name}"
        for one in photo.sightings:
            yield from _display_lines(one)
        yield ""
    if len(found.photos) > 1:
        yield f"All {len(found.photos)} photos together, the worst of each display:"
        for key, verdict in found.verdicts.items():
            yield f"  {_MARKS[verdict.value]} {key}: {verdict.value}"
        yield ""
    yield from _wrapped(f"Clock: {found.clock.text}", "")
    if found.interval_s is None:
        yield from _wrapped("Interval: give --interval (such as 60s) to see whether it will do, and how long the card lasts.", "")
    for cadence in found.cadences:
        yield from _wrapped(cadence_text(cadence, found.interval_s or 0.0), "")
    if found.endurance is not None:
        yield from _wrapped(endurance_text(found.endurance), "")
    for note in found.notes:
        yield from _wrapped(f"Note: {note}", "")
    yield from _wrapped(_CAUTION, "")


_CAUTION = (
    "That the photos can be read says nothing about the air. Keep a working carbon monoxide alarm where people sleep; the camera "
    "does not wake anybody."
)


def _display_lines(one: Sighting) -> Iterator[str]:
    name = f"{one.display.key} ({one.display.instrument})"
    yield from _wrapped(f"  {_MARKS[one.judgement.verdict.value]} {name}: {one.judgement.verdict.value}", "     ")
    for line in facts(one):
        yield from _wrapped(f"     {line}", "       ")
    for reason in one.judgement.reasons:
        yield from _wrapped(f"     - {reason.text}", "       ")
    for number, remedy in enumerate(one.judgement.remedies, start=1):
        yield from _wrapped(f"     {number}. {remedy}", "        ")


def facts(one: Sighting) -> list[str]:
    """Say what one display reads, what was measured and what is to be expected: one sentence each."""
    reading, seen = one.reading, one.seen
    lines = []
    if reading.text:
        lines.append(f'Reads "{reading.text}", {reading.confidence:.1%} sure.')
    if seen is None:
        return lines
    if seen.height_px is not None:
        soft = "" if seen.blur_px is None else f", edges spread over {seen.blur_px:.1f} px"
        lines.append(
            f"Digits {seen.height_px:.0f} px high (the smallest){soft}; contrast {seen.contrast:.0%}, which is"
            f" {seen.step:.0f} grey levels, noise {seen.noise:.1%} of that; {_light(seen)}."
        )
    if one.view is not None:
        lines.append(
            f"Seen {one.view.angle_deg:.0f}° (± {one.view.unsure_deg:.0f}°) off straight on, by the corners; turned"
            f" {one.view.turned_deg:+.0f}°."
        )
    expected = one.judgement.expected
    if expected is not None and reading.text:
        lines.append(
            f"Expect {expected.flagged:.0%} of its readings flagged ({expected.lower:.0%} to {expected.upper:.0%}; from"
            f" {expected.count:.0f} drawn displays like it, read one by one)."
        )
    return lines


def _light(seen: Legibility) -> str:
    if seen.glare < 0.005 and seen.clipped < 0.005:
        return "no glare"
    return f"glare over {seen.glare:.0%}, clipped to white {seen.clipped:.0%}"


def cadence_text(cadence: Cadence, interval_s: float) -> str:
    """Say whether the interval can catch what the limits for one display need."""
    parts = [f"Interval for {cadence.key}: {cadence.fit}."]
    if cadence.window_min is not None and cadence.photos is not None:
        parts.append(
            f"{cadence.photos} photos in {cadence.window_min:g} min, the shortest averaging time of its limits ({cadence.limit})."
        )
    else:
        parts.append("Its limits are held against every single reading.")
    if cadence.t90_s is None:
        parts.append("How fast the meter responds is not stated: give response_t90_s in the trial file.")
        return " ".join(parts)
    parts.append(
        f"The meter takes {cadence.t90_s:g} s to show 90 % of a change: of a short peak that it showed between two photos,"
        f" at least {cadence.left or 0.0:.0%} is left at the next."
    )
    if cadence.shown is not None and cadence.shown < 0.95:
        parts.append(f"Of gas that is there for just {cadence.window_min:g} min it shows {cadence.shown:.0%} on average.")
    if cadence.fit != "good":
        parts.append("Take photos more often.")
    return " ".join(parts)


def endurance_text(endurance: Endurance) -> str:
    """Say how long card and battery last."""
    parts = [f"Photos of {endurance.photo_bytes / 1e6:.1f} MB, {endurance.photos_an_hour:g} an hour."]
    if endurance.card_photos is not None and endurance.card_h is not None:
        parts.append(
            f"The card holds {endurance.card_photos} of them, {_hours(endurance.card_h)} (noisier photos are larger: leave room)."
        )
    if endurance.battery_h is not None:
        parts.append(f"The battery lasts {endurance.battery_h:g} h, as you say.")
    if endurance.lasts_h is None:
        parts.append("Give --card-gb and --battery-h to see how long the night can be.")
    elif endurance.enough is None:
        parts.append(f"The {endurance.limited_by} gives out first, after {_hours(endurance.lasts_h)}.")
    if endurance.trial_h is not None:
        room_mb = (endurance.trial_photos or 0) * endurance.photo_bytes / 1e6
        parts.append(f"The trial lasts {_hours(endurance.trial_h)}: {endurance.trial_photos} photos, {room_mb:.0f} MB.")
    if endurance.enough is False:
        parts.append(
            f"The {endurance.limited_by} gives out before the end, after {_hours(endurance.lasts_h or 0.0)}:"
            f" {_LONGER[endurance.limited_by]}."
        )
    return " ".join(parts)


_LONGER = {
    "card": "use a larger card, or a camera setting with smaller files that leaves the digits as high",
    "battery": "power the camera from outside, or change the battery in time without moving it",
}


def _hours(hours: float) -> str:
    return f"{hours:.1f} h" if hours < 100 else f"{hours:.0f} h"


def _wrapped(text: str, indent: str) -> list[str]:
    import textwrap

    lead = text[: len(text) - len(text.lstrip())]
    return textwrap.wrap(text.strip(), _WIDTH, initial_indent=lead, subsequent_indent=indent, break_on_hyphens=False)


# --- JSON and picture -----------------------------------------------------------------------------------------------------


def as_data(found: Check) -> Any:
    """Give everything as plain data with numbers of four figures."""
    return _plain(
        {
            "photos": [_photo_data(photo) for photo in found.photos],
            "verdicts": found.verdicts,
            "clock": asdict(found.clock),
            "interval_s": found.interval_s,
            "cadence": [asdict(cadence) for cadence in found.cadences],
            "endurance": None
            if found.endurance is None
            else {**asdict(found.endurance), "lasts_h": found.endurance.lasts_h, "enough": found.endurance.enough},
            "notes": found.notes,
        }
    )


def _photo_data(photo: Photo) -> dict[str, Any]:
    return {
        "photo": photo.frame.name,
        "bytes": photo.bytes,
        "placed": photo.placed,
        "displays": [
            {
                "key": one.display.key,
                "instrument": one.display.instrument,
                "verdict": one.judgement.verdict,
                "text": one.reading.text,
                "value": one.reading.value,
                "confidence": one.reading.confidence,
                "flag": one.reading.flag,
                "corners": one.corners,
                "measured": None if one.seen is None else asdict(one.seen),
                "view": None if one.view is None else asdict(one.view),
                "expected_flagged": None if one.judgement.expected is None else asdict(one.judgement.expected),
                "reasons": [
                    {"slug": reason.slug, "text": reason.text, "remedy": reason.remedy} for reason in one.judgement.reasons
                ],
                "remedies": one.judgement.remedies,
            }
            for one in photo.sightings
        ],
    }


def _plain(value: Any) -> Any:
    from frametally.show.files import as_plain

    def rounded(part: Any) -> Any:
        if isinstance(part, float):
            return float(f"{part:.4g}") if abs(part) < 1000 else round(part, 1)
        if isinstance(part, dict):
            return {key: rounded(inner) for key, inner in part.items()}
        return [rounded(inner) for inner in part] if isinstance(part, list) else part

    return rounded(as_plain(value))


def _check_picture(picture: Path | None, photos: tuple[Path, ...]) -> None:
    if picture is None:
        return
    if picture.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise BadInput(f"{picture}: the picture is written as .png or .jpg; give such a name with -o")
    if any(picture.resolve() == photo.resolve() for photo in photos):
        raise BadInput(f"{picture} is one of the photos, which are never written to; give another name with -o")


def _write_picture(found: Check, path: Path) -> None:
    from frametally.frames import load
    from frametally.show.annotate import draw_check, stack
    from frametally.show.evidence import encode_picture
    from frametally.show.files import write_whole

    sheets = [
        draw_check(load(photo.frame).pixels, f"{photo.frame.name}, before the night", [_mark(one) for one in photo.sightings])
        for photo in found.photos
    ]
    write_whole(path, encode_picture(stack(sheets), path.suffix))


def _mark(one: Sighting) -> Mark:
    from frametally.show.annotate import Mark

    words = facts(one)[:1] if one.reading.text else [reason.text for reason in one.judgement.reasons[:1]]
    if one.seen is not None and one.seen.height_px is not None:
        words.append(f"Digits {one.seen.height_px:.0f} px high, contrast {one.seen.contrast:.0%}.")
    expected = one.judgement.expected
    if expected is not None and one.reading.text:
        words.append(f"Expect {expected.flagged:.0%} of its readings flagged.")
    words += [f"> {remedy}" for remedy in one.judgement.remedies[:2]]
    corners = one.corners or one.display.corners
    boxes = () if one.seen is None else one.seen.boxes
    return Mark(one.display.key, one.judgement.verdict.value, corners, one.corners is not None, boxes, tuple(words))
