"""From what photos say of their camera, and from their names, to one camera's roll: two cameras in one folder are told apart.

Tags: Make and Model (TIFF 6.0, section 8), BodySerialNumber (CIPA DC-008, Exif 2.3 and later).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import PurePosixPath

from frametally.errors import BadInput
from frametally.frames.clocks import count_of, some_of
from frametally.frames.exif import BODY_SERIAL, MAKE, MODEL, Tags
from frametally.model import Notice

FEWEST = 3
"""So many photos make a roll; fewer of another camera are strays."""

LEAST_SHARE = 0.1
"""Names of another form count for another camera's only from this share of the photos on."""


def camera_of(tags: Tags) -> str:
    """Give the camera in words, "" where the photo does not say: make, model and serial number."""
    make, model, serial = (" ".join(tags.texts.get(tag, "").split()) for tag in (MAKE, MODEL, BODY_SERIAL))
    name = model if model.casefold().startswith(make.casefold()) else f"{make} {model}".strip()
    return f"{name}, serial {serial}".removeprefix(", ") if serial else name


def pick_camera(
    names: Sequence[str], cameras: Mapping[str, str], wanted: str | None
) -> tuple[tuple[str, ...], tuple[Notice, ...]]:
    """Give the names of one camera's photos, in their order, and what there is to say.

    Parameters
    ----------
    names : of all photos
    cameras : each photo's camera by `camera_of`
    wanted : a camera in words or a part of them, or a pattern of file names such as "IMG_*"; None = the only one

    Raises BadInput where photos of several cameras are mixed and nobody said which is wanted, and where none is the wanted one.
    """
    rolls: dict[str, list[str]] = {}
    for name in names:
        rolls.setdefault(cameras[name], []).append(name)
    if wanted is not None:
        return _wanted(names, rolls, wanted)
    known = {camera: roll for camera, roll in rolls.items() if camera}
    large = {camera: roll for camera, roll in known.items() if len(roll) >= FEWEST}
    if len(large) > 1:
        raise BadInput(
            f"The photos are of {len(large)} cameras: {_listed(large)}. Each sees the displays elsewhere and has its own clock,"
            f" so they are not one night. Give --camera \"{next(iter(large))}\" to read that one's alone, or put each camera's"
            " photos into a folder of its own."
        )
    strays = [name for camera, roll in known.items() if large and camera not in large for name in roll]
    if strays:
        text = (
            f"{count_of(len(strays), 'photo')} of another camera than the others: {some_of(strays)}. They count as frames; take"
            " them away if they are no photos of this view."
        )
        return tuple(names), (Notice("other-camera", strays[0], text),)
    return tuple(names), _forms_of_names(names) if len(known) < 2 else ()


def _wanted(names: Sequence[str], rolls: Mapping[str, list[str]], wanted: str) -> tuple[tuple[str, ...], tuple[Notice, ...]]:
    word = wanted.strip().casefold()
    chosen = {name for camera, roll in rolls.items() if camera and word and word in camera.casefold() for name in roll}
    several = sorted({camera for camera, roll in rolls.items() if camera and chosen & set(roll)} - {""})
    if len(several) > 1 and word not in {camera.casefold() for camera in several}:
        raise BadInput(f'--camera "{wanted}" fits several cameras: {_listed(rolls)}. Give more of the name.')
    if len(several) > 1:
        chosen = set(next(roll for camera, roll in rolls.items() if camera.casefold() == word))
    if not chosen:
        chosen = {name for name in names if any(fnmatchcase(text.casefold(), word) for text in (name, PurePosixPath(name).name))}
    if not chosen:
        raise BadInput(
            f'--camera "{wanted}" fits no photo; the photos are of: {_listed(rolls)}. Give one of these, or a pattern such as'
            ' "IMG_*".'
        )
    # What says nothing of its camera, as a damaged file, belongs to the roll whose names it shares.
    silent = set(rolls.get("", ()))
    others = {_form(name) for name in names if name not in chosen and name not in silent}
    own = {_form(name) for name in chosen} - others
    chosen |= {name for name in silent if _form(name) in own}
    left = [name for name in names if name not in chosen]
    text = f"Left out as another camera's: {count_of(len(left), 'photo')}, {some_of(left)}."
    return tuple(name for name in names if name in chosen), (Notice("left-out-camera", left[0], text),) if left else ()


def _form(name: str) -> str:
    """Give what is alike in the names that one camera gives: everything but the numbers and the folder."""
    return re.sub(r"\d+", "#", PurePosixPath(name).name.casefold())


def _forms_of_names(names: Sequence[str]) -> tuple[Notice, ...]:
    """Ask whether names of two forms are two cameras'."""
    forms: dict[str, list[str]] = {}
    for name in names:
        forms.setdefault(re.split(r"\d", PurePosixPath(name).name.casefold())[0], []).append(name)
    large = {form: some for form, some in forms.items() if len(some) >= max(FEWEST, LEAST_SHARE * len(names))}
    if len(large) < 2:
        return ()
    first, second, *_ = sorted(large.values(), key=lambda some: (-len(some), some[0]))
    text = (
        f"Are these photos of two cameras? Their names are of different forms ({first[0]} in {len(first)}, {second[0]} in"
        f' {len(second)}). If they are, give --camera with a pattern of names, such as "{_prefix(first[0])}*".'
    )
    return (Notice("two-cameras", second[0], text),)


def _prefix(name: str) -> str:
    return re.split(r"\d", PurePosixPath(name).name)[0]


def _listed(rolls: Mapping[str, list[str]]) -> str:
    return "; ".join(
        f'"{camera}" ({count_of(len(roll), "photo")}, {roll[0]} to {roll[-1]})'
        if camera
        else f"{count_of(len(roll), 'photo')} that do not say"
        for camera, roll in rolls.items()
    )
