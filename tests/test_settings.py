"""Settings files: what is right loads, what is wrong is told in plain words with its place, what is saved comes back."""

from __future__ import annotations

import json
import os
import re
import stat
import tomllib
from copy import deepcopy
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from frametally.errors import BadInput
from frametally.faults import EXAMPLES
from frametally.model import Accuracy, Calibration, Display, Instrument, Manifest, Method, Trial
from frametally.settings import (
    LARGEST_FILE_BYTES,
    fingerprint,
    load_calibration,
    load_method,
    load_trial,
    save_calibration,
)

JARGON = re.compile(
    r"pydantic|https?://|validation error|type=|Input should|NoneType|Traceback|<class|dict\b|tuple\b|str\b|datetime\."
)


def refused(path: Path, load: Any = load_calibration) -> str:
    with pytest.raises(BadInput) as caught:
        load(path)
    return in_plain_words(path, caught.value)


def is_told(path: Path, load: Any = load_calibration) -> bool:
    """Whether the file is refused; if it is, then in plain words."""
    try:
        load(path)
    except BadInput as fault:
        return bool(in_plain_words(path, fault))
    return False


def in_plain_words(path: Path, fault: BadInput) -> str:
    message = str(fault)
    assert path.name in message
    assert not JARGON.search(message.replace(str(path), "")), message
    return message


@pytest.fixture
def altered(tmp_path: Path, calibration_path: Path) -> Any:
    """Give a maker of copies of the demo calibration, each with pieces of its text replaced."""

    def make(*pairs: tuple[str, str], source: Path = calibration_path) -> Path:
        text = source.read_text(encoding="utf-8")
        for old, new in pairs:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "altered.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return make


# --- what is right ---------------------------------------------------------------------------------------------------


def test_demo_calibration_loads_with_every_display_and_its_instrument(calibration_path: Path) -> None:
    calibration = load_calibration(calibration_path)
    named = [(display.instrument, display.key) for display in calibration.displays]
    assert named == [
        ("hand-held gas monitor", "co_ppm"),
        ("hand-held gas monitor", "o2_pct"),
        ("wall unit", "temp_c"),
        ("wall unit", "rh_pct"),
        ("wall unit", "wall_co_ppm"),
    ]
    assert calibration.displays[0].corners[1] == (886.0, 391.0)
    assert calibration.displays[1].accuracy == Accuracy(absolute=0.3)


def test_demo_trial_loads_with_its_times(trial_path: Path) -> None:
    trial = load_trial(trial_path)
    assert trial.start == datetime(2026, 10, 30, 21, 40, tzinfo=UTC)
    assert trial.instrument[1].response_t90_s == {"co": 360, "rh": 550, "temp": 690}


def test_method_file_needs_only_its_format(tmp_path: Path) -> None:
    path = tmp_path / "method.toml"
    path.write_text("format = 1\ngap_after = 3\n", encoding="utf-8")
    assert load_method(path) == Method(gap_after=3)


def test_byte_order_mark_windows_line_ends_and_umlauts_are_read(tmp_path: Path, calibration_path: Path) -> None:
    text = calibration_path.read_text(encoding="utf-8").replace("wall unit", "Wandgerät Küche")
    path = tmp_path / "Küche ä.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode("utf-8"))
    assert load_calibration(path).instrument[1].name == "Wandgerät Küche"


# --- the file itself -------------------------------------------------------------------------------------------------


def test_missing_file_names_a_near_one(tmp_path: Path) -> None:
    (tmp_path / "canal_boat.toml").touch()
    assert "did you mean" in refused(tmp_path / "canal_bot.toml")
    assert "there is no such file" in refused(tmp_path / "nowhere" / "x.toml")


def test_folder_is_refused(tmp_path: Path) -> None:
    assert "is a folder" in refused(tmp_path)


def test_file_that_is_not_utf8_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "latin.toml"
    path.write_bytes('format = 1\ntitle = "Küche"\n'.encode("latin-1"))
    assert "line 2: this is not UTF-8" in refused(path)


def test_huge_file_is_refused_without_reading_it(tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    with path.open("wb") as file:
        file.truncate(LARGEST_FILE_BYTES + 1)
    assert "far too large" in refused(path)


def test_unreadable_file_is_refused(altered: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def closed(path: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    path = altered()
    monkeypatch.setattr(Path, "read_bytes", closed)  # root may open anything, so a mode of 0 would prove nothing
    assert "cannot be read (Permission denied)" in refused(path)


def test_name_no_file_can_have_is_refused() -> None:
    with pytest.raises(BadInput, match="not the name of a file"):
        load_calibration(Path("a\0b.toml"))


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        ("format = 1\ntitle = canal boat\n", "line 2, column 9", "double quotes"),
        ("format = 1\ntitle \n", "line 2, column 7", "key = value"),
        ("format = 1\nformat = 1\n", "line 2", "a second time"),
        ("format = 1\nframe_size = [1, 2\n[x]\n", "line 3", "not closed"),
        ('format = 1\ntitle = "a', "line 2", "quot"),
        ("format = 1 title = 2\n", "line 1, column 12", "one key and value per line"),
        ("x = " + "[" * 5000, "", "too deeply"),
        ("x = " + "9" * 5000, "line 1", "too many digits"),
        ("start = 2026-13-45T00:00:00\n", "line 1", ""),
    ],
)
def test_toml_fault_has_line_and_column(tmp_path: Path, text: str, where: str, what: str) -> None:
    path = tmp_path / "broken.toml"
    path.write_text(text, encoding="utf-8")
    message = refused(path)
    assert where in message
    assert what in message


def test_format_absent_newer_or_wrong(altered: Any) -> None:
    assert "format is missing; put this into the first line: format = 1" in refused(altered(("format = 1\n", "")))
    assert "newer frametally" in refused(altered(("format = 1\n", "format = 2\n")))
    assert "format should be 1" in refused(altered(("format = 1\n", 'format = "1"\n')))
    assert "format should be 1" in refused(altered(("format = 1\n", "format = true\n")))


def test_files_given_in_each_others_place(calibration_path: Path, trial_path: Path) -> None:
    assert "looks like a trial file" in refused(trial_path)
    assert "looks like a calibration file" in refused(calibration_path, load_trial)


# --- keys ------------------------------------------------------------------------------------------------------------


def test_misspelt_key_is_told_once_with_what_was_meant(altered: Any) -> None:
    message = refused(altered(('digits = "###"\n  range = [0, 999]', 'digts = "###"\n  range = [0, 999]')))
    assert message.endswith('instrument "hand-held gas monitor", display co_ppm: there is no key digts; did you mean digits?')


def test_key_in_the_wrong_table_is_sent_home(altered: Any) -> None:
    message = refused(altered(("format = 1\n", "format = 1\nresolution = 1\n")))
    assert "there is no key resolution here; it belongs below [[instrument.display]]" in message


def test_key_that_is_filled_in_by_us_is_unknown_in_the_file(altered: Any) -> None:
    message = refused(altered(('  key = "rh_pct"\n', '  key = "rh_pct"\n  instrument = "other"\n')))
    assert "display rh_pct: there is no key instrument" in message


def test_missing_key_comes_with_a_line_to_add(altered: Any) -> None:
    message = refused(altered(('  unit = "%"\n  corners = [[757', "  corners = [[757")))
    assert message.endswith('display o2_pct: unit is missing; add a line like: unit = "ppm"')


def test_all_faults_are_told_at_once_one_per_line(altered: Any) -> None:
    message = refused(
        altered(
            ("[[343, 536], [421, 536]", "[[343, 5360], [421, 536]"),
            ('"segments"\n  status', '"segmented"\n  status'),
            ("range = [20, 95]", "range = [95, 20]"),
            ("resolution = 0.1\n  accuracy = { absolute = 0.3 }", "resolution = 0\n  accuracy = { absolute = -0.3 }"),
        )
    )
    first, *lines = message.split("\n")
    assert first.endswith("has 6 faults:")
    assert [line.strip() for line in lines] == [
        'instrument "hand-held gas monitor", display co_ppm: kind should be "segments" or "text", but is "segmented"',
        'instrument "hand-held gas monitor", display o2_pct: resolution should be above 0, but is 0; '
        "write it like: resolution = 0.1",
        'instrument "hand-held gas monitor", display o2_pct: accuracy, absolute should be 0 or more, but is -0.3; '
        "write it like: absolute = 3",
        'instrument "wall unit", display rh_pct: corners: [343, 5360] lies outside the frame of 1280 x 960; '
        "x comes first, then y",
        'instrument "wall unit", display rh_pct: range: the range [95.0, 20.0] should be [lowest, highest]',
        'instrument "wall unit", display wall_co_ppm: kind should be "segments" or "text", but is "segmented"',
    ]


def test_fault_between_keys_is_told_for_every_display_and_beside_others(altered: Any) -> None:
    message = refused(altered(("[[757, 484]", "[[757, -484]"), ("[441, 535]", "[441, -5]"), ("range = [20, 95]", "range = 5")))
    assert "o2_pct: the corner [757, -484] lies outside the frame of 1280 x 960" in message
    assert "wall_co_ppm: the corner [441, -5] lies outside the frame of 1280 x 960" in message
    assert "display rh_pct: range should be a list in square brackets, but is 5" in message


def test_two_displays_with_one_key(altered: Any) -> None:
    assert "put a prefix before one, like wall_temp_c" in refused(altered(('key = "rh_pct"', 'key = "temp_c"')))


def test_frame_size_of_nothing(altered: Any) -> None:
    assert "both above 0, but is [0, -1]" in refused(altered(("[1280, 960]", "[0, -1]")))


@pytest.mark.parametrize("number", ["nan", "inf", "-inf", "1" + "0" * 30])
def test_numbers_that_are_none(altered: Any, number: str) -> None:
    message = refused(altered(("range = [20, 95]", f"range = [20, {number}]")))
    assert "display rh_pct: range, entry 2" in message
    assert message.count("rh_pct") == 1


def test_times_of_a_trial_are_all_with_or_all_without_offset(altered: Any, trial_path: Path) -> None:
    message = refused(altered(("2026-10-30T21:40:00+00:00", "2026-10-30T21:40:00"), source=trial_path), load_trial)
    assert "start has no offset from UTC, but end has one" in message


def test_what_ends_must_have_begun(altered: Any, trial_path: Path) -> None:
    message = refused(altered(("2026-10-31T07:36:00+00:00", "2026-10-29T07:36:00+00:00"), source=trial_path), load_trial)
    assert "end (2026-10-29 07:36:00+00:00) should be later than start" in message
    assert 'appliance "small cast stove, with flue": off' in message


def test_time_in_quotes_is_told_to_lose_them(altered: Any, trial_path: Path) -> None:
    message = refused(altered(("start = 2026-10-30T21:40:00+00:00", 'start = "2026-10-30 21:40"'), source=trial_path), load_trial)
    assert 'start should be a date and time without quotes, but is "2026-10-30 21:40"' in message


def models(kind: type[BaseModel]) -> set[type[BaseModel]]:
    found = {kind}
    for field in kind.model_fields.values():
        text = str(field.annotation)
        found |= {inner for inner in _all_models() if re.search(rf"\.{inner.__name__}\b", text) for inner in models(inner)}
    return found


def _all_models() -> list[type[BaseModel]]:
    import frametally.model

    return [thing for thing in vars(frametally.model).values() if isinstance(thing, type) and issubclass(thing, BaseModel)]


def test_every_key_has_an_example_line_and_every_line_is_right() -> None:
    checked = set()
    for model in models(Calibration) | models(Trial) | models(Method) | models(Manifest):
        for name, field in model.model_fields.items():
            if model is Display and name == "instrument":
                continue
            line = EXAMPLES[name]
            checked.add(name)
            if " and below it " in line:
                inner = line.split(" and below it ")[1]
                assert tomllib.loads(inner)
                assert inner.split(" ")[0] in EXAMPLES
                continue
            value = tomllib.loads(line)[name]
            holder = type(f"Only_{name}", (BaseModel,), {"__annotations__": {name: field.annotation}})
            assert holder.model_validate({name: value}) is not None
    assert checked == set(EXAMPLES)


# --- a hole in each place --------------------------------------------------------------------------------------------


def places(value: Any, way: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    found = [way] if way else []
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            found += places(inner, (*way, key))
    return found


def as_toml(table: dict[str, Any], head: str = "") -> str:
    """Give a table as TOML, tables within it and lists of them under heads of their own, as people write them."""
    lines, below = [], []
    for key, value in table.items():
        name = head + (key if re.fullmatch(r"[\w-]+", key, re.ASCII) else json.dumps(key))
        if isinstance(value, dict):
            below.append(f"[{name}]\n{as_toml(value, name + '.')}")
        elif isinstance(value, list) and value and all(isinstance(one, dict) for one in value):
            below += [f"[[{name}]]\n{as_toml(one, name + '.')}" for one in value]
        else:
            lines.append(f"{name.removeprefix(head)} = {in_line(value)}\n")
    return "".join(lines + below)


def in_line(value: Any) -> str:
    match value:
        case dict():
            return "{" + ", ".join(f"{json.dumps(key)} = {in_line(one)}" for key, one in value.items()) + "}"
        case list():
            return "[" + ", ".join(map(in_line, value)) + "]"
        case str() | bool():
            return json.dumps(value)
        case date():
            return value.isoformat()
    return repr(value)


def with_hole(data: dict[str, Any], way: tuple[str | int, ...], filling: Any) -> str:
    document = deepcopy(data)
    holder: Any = document
    for step in way[:-1]:
        holder = holder[step]
    if filling is DELETED:
        del holder[way[-1]]
    else:
        holder[way[-1]] = filling
    return as_toml(document)


DELETED = object()
FILLINGS = [
    DELETED, "word", "", 7, -7, 0, 2.5, float("nan"), float("inf"), 10**25, True, [], {}, [[]], [1, "a"], {"x": 1},
    [{"x": 1}], datetime(2026, 10, 30, 21, 40, tzinfo=UTC), datetime(2026, 10, 30).date(), "\x00\u202e", "x" * 500,
]  # fmt: skip


@pytest.mark.parametrize("filling", FILLINGS, ids=lambda filling: "deleted" if filling is DELETED else repr(filling)[:20])
@pytest.mark.parametrize("sort", ["calibration", "trial", "method"])
def test_hole_in_each_place_is_valid_or_told(
    tmp_path: Path, calibration_path: Path, trial_path: Path, sort: str, filling: Any
) -> None:
    load: Any
    if sort == "method":
        data, load = tomllib.loads(tomlkit.dumps({"format": 1, **Method().model_dump()})), load_method
    else:
        load = {"calibration": load_calibration, "trial": load_trial}[sort]
        data = tomllib.loads({"calibration": calibration_path, "trial": trial_path}[sort].read_text(encoding="utf-8"))
    assert tomllib.loads(as_toml(data)) == data
    refusals = 0
    for way in places(data):
        path = tmp_path / "holed.toml"
        path.write_text(with_hole(data, way, filling), encoding="utf-8")
        refusals += is_told(path, load)
    assert refusals > 0


def test_each_line_deleted_is_valid_or_told(tmp_path: Path, calibration_path: Path) -> None:
    lines = calibration_path.read_text(encoding="utf-8").splitlines(keepends=True)
    told = 0
    for number in range(len(lines)):
        path = tmp_path / "holed.toml"
        path.write_text("".join(lines[:number] + lines[number + 1 :]), encoding="utf-8")
        told += is_told(path)
    assert told >= 5 * 5  # key, quantity, unit, corners and digits of five displays cannot be done without


@given(data=st.binary(max_size=300))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_are_valid_or_told(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "any.toml"
    path.write_bytes(data)
    with pytest.raises(BadInput, match=r"any\.toml"):
        load_calibration(path)


# --- save ------------------------------------------------------------------------------------------------------------

words = st.text(max_size=12).map(str.strip)
numbers = st.floats(-1e6, 1e6, allow_nan=False).map(lambda number: number + 0.0)


@st.composite
def corners(draw: st.DrawFn) -> tuple[tuple[float, float], ...]:
    x, y = draw(st.floats(0, 300)), draw(st.floats(0, 300))
    width, height = draw(st.floats(1, 100)), draw(st.floats(1, 100))
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


@st.composite
def displays(draw: st.DrawFn, key: str) -> Display:
    low, high = sorted(draw(st.tuples(numbers, numbers).filter(lambda pair: pair[0] != pair[1])))
    masks = st.sampled_from(["###", "##.#", "-##.#", "#.##", "##:##"])
    meanings = st.sampled_from(["over range", "under range", "error", "low battery", "status"])
    return Display(
        key=key,
        quantity=draw(words.filter(bool)),
        unit=draw(words),
        corners=draw(corners()),
        digits=draw(masks | st.lists(masks, min_size=1, max_size=3).map(tuple)),
        range=draw(st.none() | st.just((low, high))),
        resolution=draw(st.none() | st.floats(1e-6, 1e3)),
        accuracy=draw(st.none() | st.builds(Accuracy, absolute=st.floats(0, 100), relative=st.floats(0, 0.99))),
        kind=draw(st.sampled_from(["segments", "text"])),
        status=draw(st.dictionaries(words, meanings, max_size=3)),
    )


@st.composite
def calibrations(draw: st.DrawFn) -> Calibration:
    keys = draw(st.lists(st.from_regex(r"[a-z][a-z0-9]{0,6}", fullmatch=True), min_size=1, max_size=4, unique=True))
    keys = [f"x{key}" for key in keys]  # clear of the table's own columns
    cut = draw(st.integers(1, len(keys)))
    groups = [keys[:cut]] + ([keys[cut:]] if keys[cut:] else [])
    return Calibration(
        format=1,
        title=draw(words),
        reference_frame=draw(words.filter(bool)),
        frame_size=(400, 400),
        instrument=tuple(
            Instrument(name=draw(words.filter(bool)), display=tuple(draw(displays(key)) for key in group)) for group in groups
        ),
    )


@given(first=calibrations(), second=calibrations())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
def test_what_is_saved_comes_back(tmp_path: Path, first: Calibration, second: Calibration) -> None:
    path = tmp_path / "saved.toml"
    path.unlink(missing_ok=True)
    save_calibration(first, path)
    assert load_calibration(path) == first
    save_calibration(second, path)
    assert load_calibration(path) == second
    assert fingerprint(load_calibration(path)) == fingerprint(second)


def replaced(calibration: Calibration, key: str, **update: Any) -> Calibration:
    instruments = tuple(
        instrument.model_copy(
            update={
                "display": tuple(
                    display.model_copy(update=update) if display.key == key else display for display in instrument.display
                )
            }
        )
        for instrument in calibration.instrument
    )
    return calibration.model_copy(update={"instrument": instruments})


def test_unchanged_calibration_is_not_written(altered: Any) -> None:
    path = altered()
    before = path.read_bytes()
    save_calibration(load_calibration(path), path)
    assert path.read_bytes() == before
    assert [entry.name for entry in path.parent.iterdir()] == [path.name]


def test_comments_and_layout_stay_and_the_old_file_is_kept(altered: Any) -> None:
    path = altered()
    before = path.read_text(encoding="utf-8")
    moved = ((193.0, 523.0), (328.0, 528.0), (328.0, 608.5), (192.0, 601.0))
    changed = replaced(load_calibration(path), "temp_c", corners=moved, digits=("##.#", "###"))
    save_calibration(changed, path)
    expected = before.replace(
        "[[192, 522], [328, 528], [328, 608], [192, 601]]", "[[193, 523], [328, 528], [328, 608.5], [192, 601]]"
    )
    expected = expected.replace(
        'digits = "##.#"                    # the tenths', 'digits = ["##.#", "###"]                    # the tenths'
    )
    assert path.read_text(encoding="utf-8") == expected
    assert path.with_name("altered.toml.bak").read_text(encoding="utf-8") == before


def test_display_added_removed_and_reordered(altered: Any) -> None:
    path = altered()
    calibration = load_calibration(path)
    wall = calibration.instrument[1]
    new = wall.display[0].model_copy(update={"key": "surface_temp_c"})
    wall = wall.model_copy(update={"display": (wall.display[2], wall.display[0], new)})
    changed = calibration.model_copy(update={"instrument": (wall, calibration.instrument[0])})
    save_calibration(changed, path)
    text = path.read_text(encoding="utf-8")
    assert load_calibration(path) == changed
    assert "rh_pct" not in text
    assert "# the tenths digit is about half as tall" in text
    assert text.startswith("# Where the displays are in the demo night.")
    assert not re.search(r"[^\n]\n *\[\[", text), "each table has an empty line before it"


def test_broken_old_file_is_replaced_and_kept(tmp_path: Path, calibration_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_bytes(b"format = \xff[")
    calibration = load_calibration(calibration_path)
    save_calibration(calibration, path)
    assert load_calibration(path) == calibration
    assert path.with_name("c.toml.bak").read_bytes() == b"format = \xff["


def test_inline_tables_of_the_old_file_are_no_obstacle(tmp_path: Path, calibration_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_text(
        'format = 1\nreference_frame = "a.jpg"\nframe_size = [9, 9]\ninstrument = [{ name = "a", display = [] }]\n',
        encoding="utf-8",
    )
    calibration = load_calibration(calibration_path)
    save_calibration(calibration, path)
    assert load_calibration(path) == calibration


def test_failed_write_leaves_the_old_file_and_no_litter(altered: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    path = altered()
    before = path.read_bytes()

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(BadInput, match="No space left on device"):
        save_calibration(replaced(load_calibration(path), "temp_c", unit="K"), path)
    assert path.read_bytes() == before
    assert [entry.name for entry in path.parent.iterdir()] == [path.name]


def test_folder_that_is_not_there_is_told(tmp_path: Path, calibration_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be written"):
        save_calibration(load_calibration(calibration_path), tmp_path / "nowhere" / "c.toml")


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such permissions and seldom symbolic links")
def test_link_and_permissions_stay(altered: Any) -> None:
    path = altered()
    path.chmod(0o640)
    link = path.with_name("link.toml")
    link.symlink_to(path)
    save_calibration(replaced(load_calibration(path), "temp_c", unit="K"), link)
    assert link.is_symlink()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert load_calibration(path).displays[2].unit == "K"


# --- fingerprint -----------------------------------------------------------------------------------------------------


def test_fingerprint_does_not_see_how_the_file_is_written(altered: Any, calibration_path: Path) -> None:
    plain = fingerprint(load_calibration(calibration_path))
    assert re.fullmatch(r"[0-9a-f]{64}", plain)
    rewritten = altered(("[760, 389]", "[760.0, 389.00]"), ('kind = "segments"\n', ""), ("format = 1\n", "format = 1 # one\n"))
    assert fingerprint(load_calibration(rewritten)) == plain


def test_fingerprint_sees_every_change_of_a_value(calibration_path: Path) -> None:
    calibration = load_calibration(calibration_path)
    others = [
        replaced(calibration, "temp_c", unit="K"),
        replaced(calibration, "temp_c", status={"OL": "error"}),
        replaced(calibration, "temp_c", resolution=0.2),
        calibration.model_copy(update={"reference_frame": "other.jpg"}),
    ]
    assert len({fingerprint(model) for model in [calibration, *others]}) == 1 + len(others)
    assert fingerprint(Method()) != fingerprint(Method(gap_after=2))
