"""The benchmarks still run, their tables have the shape they say, and what is wrong is counted as wrong."""

from __future__ import annotations

import importlib
import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from types import ModuleType

import pytest

from frametally.model import Flag, Reading

Bench = Callable[[str], ModuleType]

HALF_SURE = 0.5


@pytest.fixture
def bench(repository: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Gives a module of the benchmarks by its name."""
    monkeypatch.syspath_prepend(str(repository / "benchmarks"))
    return importlib.import_module


def tables(text: str) -> list[list[list[str]]]:
    """Give every Markdown table's rows of cells, the line under the heads left out."""
    found: list[list[list[str]]] = []
    within = False
    for line in text.splitlines():
        if line.startswith("| "):
            if not within:
                found.append([])
            found[-1].append([cell.strip() for cell in line.strip("|").split("|")])
        within = line.startswith("| ")
    return [[rows[0], *rows[2:]] for rows in found]


def number(cell: str) -> int:
    return int(cell.split(" ")[0])


def check_adds_up(rows: list[list[str]], groups: set[str], readers: set[str]) -> None:
    """Check a table of counts: every group and reader, and all readings sure, silently wrong or flagged."""
    heads, *lines = rows
    columns = {head: place for place, head in enumerate(heads)}
    assert {line[0] for line in lines} == groups
    assert readers <= {line[1] for line in lines}
    for line in lines:
        assert len(line) == len(heads)
        parts = ("of these sure", "silently wrong: value", "silently wrong: word or off", "flagged")
        if line[columns["exact"]] != "-":
            assert sum(number(line[columns[part]]) for part in parts) == number(line[columns["displays"]]) > 0


# --- what counts as what ------------------------------------------------------------------------------------------------


def read_as(text: str, confidence: float, flag: Flag = Flag.OK) -> Reading:
    value = float(text) if text.replace(".", "").isdigit() else None
    return Reading(text, value, confidence, flag)


@pytest.mark.parametrize(
    ("truth", "reading", "outcome"),
    [
        ("20.9", read_as("20.9", 0.999), "RIGHT"),
        ("20.9", read_as("20.9", HALF_SURE), "FLAGGED"),
        ("20.9", read_as("28.9", 0.999), "WRONG_VALUE"),
        ("20.9", read_as("28.9", HALF_SURE), "FLAGGED"),
        ("20.9", read_as("28.9", 0.999, Flag.DOUBTFUL), "FLAGGED"),
        ("20.9", read_as("", 0.99, Flag.BLANK), "WRONG_STATE"),
        ("20.9", read_as("OL", 0.99, Flag.OVER_RANGE), "WRONG_STATE"),
        ("20.9", read_as("", 0.0, Flag.UNREADABLE), "FLAGGED"),
        ("", read_as("", 0.99, Flag.BLANK), "RIGHT"),
        ("", read_as("8", 0.999), "WRONG_VALUE"),
    ],
)
def test_a_reading_is_judged(bench: Bench, truth: str, reading: Reading, outcome: str) -> None:
    counting = bench("measures.counting")

    assert counting.judge(truth, reading) is counting.Outcome[outcome]


def test_a_planted_wrong_reading_is_counted_as_silently_wrong(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that says of everything "8.88", and is sure of it, is silently wrong about every display."""
    singles, readers = bench("measures.singles"), bench("measures.readers")
    monkeypatch.setattr(readers, "read_strip", lambda *_: read_as("8.88", 0.9995))
    monkeypatch.setattr(readers, "opinions", lambda *_: ([("8.88", 0.9995)], [("8.88", HALF_SURE)]))
    monkeypatch.setattr(readers, "has_tesseract", lambda: False)

    counts = singles.count_drawn(singles.Task("failures", "ghost", 2, 0))

    both, network = (counts.of("ghost", reader) for reader in (readers.BOTH, readers.NETWORK))
    assert (both.count, both.exact, both.wrong_value, both.flagged, both.confusions) == (2, 0, 2, 0, 2)
    assert (network.wrong_value, network.flagged) == (0, 2)
    assert counts.verdicts == [(0.9995, False)] * 2


@pytest.mark.parametrize(
    ("kind", "truth", "read", "confused"),
    [
        ("lost point", "1.23", "123", True), ("lost point", "1.23", "1.24", False), ("lost point", "12.3", "1.23", True),
        ("ghost", "17.1", "17.7", True), ("ghost", "17.1", "11.1", False), ("ghost", "7.1", "77.1", True),
        ("1/7", "17.1", "11.1", True), ("1/7", "17.1", "18.1", False),
        ("5/6/9", "56.9", "59.9", True), ("5/6/9", "56.9", "58.9", False), ("0/8", "80.0", "88.0", True),
        ("sign", "-1.5", "1.5", True), ("sign", "-1.5", "-1.6", False), ("sign", "-1.5", "", False),
    ],
)  # fmt: skip
def test_a_confusion_is_of_its_kind(bench: Bench, kind: str, truth: str, read: str, confused: bool) -> None:
    assert bench("measures.singles").FAILURES[kind].confused(truth, read) is confused


def test_a_figure_of_calibration_is_what_its_definition_gives(bench: Bench) -> None:
    """Worked by hand: four readings of 0.97, half of them right, and one of 0.5, right: (4 * 0.47 + 1 * 0.5) / 5."""
    reliability = bench("measures.reliability")
    verdicts = [(0.97, True), (0.97, False), (0.97, True), (0.97, False), (0.5, True)]

    assert reliability.calibration_error(reliability.bins(verdicts)) == pytest.approx((4 * 0.47 + 0.5) / 5)
    assert reliability.bins([(1.0, True)])[-1].count == 1


# --- very many photos -----------------------------------------------------------------------------------------------------


def journal_of(path: Path, many: ModuleType, readings: list[str]) -> Path:
    """Write a journal whose photos, one after the other, have these readings."""
    records = [{"frame": many.name_of(number), "readings": {"co_ppm": text}} for number, text in enumerate(readings)]
    path.write_text("\n".join(json.dumps(line) for line in [{"kind": "head"}, *records, {"lessons": {}}]), encoding="utf-8")
    return path


def test_very_many_photos_are_as_many_as_asked_for_and_mostly_the_same_ones(bench: Bench, tmp_path: Path) -> None:
    many = bench("many")
    (tmp_path / "night").mkdir()

    calibration, different = many.draw_small(tmp_path / "night", 150)

    photos = sorted((tmp_path / "night").iterdir())
    assert len(photos) == 150
    assert len({photo.read_bytes() for photo in photos}) == different < 150
    assert calibration.exists()


def test_a_photo_that_was_left_out_or_read_unlike_its_copies_stops_the_count(bench: Bench, tmp_path: Path) -> None:
    many = bench("many")

    assert many.check(journal_of(tmp_path / "journal.jsonl", many, ["1", "2", "1", "2"]), 4, 2) == 4
    with pytest.raises(SystemExit, match="1 photos have no record"):
        many.check(journal_of(tmp_path / "journal.jsonl", many, ["1", "2", "1"]), 4, 2)
    with pytest.raises(SystemExit, match=r"1 another than their like.*small_000004"):
        many.check(journal_of(tmp_path / "journal.jsonl", many, ["1", "2", "1", "3"]), 4, 2)


# --- every section ------------------------------------------------------------------------------------------------------


@pytest.fixture
def sections(bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., dict[str, str]]:
    """Runs the benchmark with some arguments; gives the sections that it wrote, by title."""
    out = tmp_path / "RESULTS.md"
    monkeypatch.setattr(bench("measures.readers"), "has_tesseract", lambda: False)
    monkeypatch.setattr(bench("measures.timing"), "has_tesseract", lambda: False)

    def run(*arguments: str) -> dict[str, str]:
        bench("accuracy").main([*arguments, "--out", str(out)])
        parts = out.read_text(encoding="utf-8").split("\n## ")[1:]
        return {part.split("\n", 1)[0]: part.split("\n", 1)[1] for part in parts}

    return run


def test_single_displays_give_their_tables(
    sections: Callable[..., dict[str, str]],
    bench: Bench,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    require: Callable[[Path, str], Path],
) -> None:
    require(bench("borrowed").borrow("tests/read/dseg.py").font_file("Classic", "Regular"), "it takes the package fonts-dseg")
    readers, screens_read = {"segments alone", "network alone", "both"}, bench("measures.singles").text_groups()[::7]
    accuracy = bench("accuracy")
    monkeypatch.setattr(accuracy, "text_groups", lambda: screens_read)
    monkeypatch.setattr(accuracy, "TEXT_STYLES", list(accuracy.TEXT_STYLES)[:1])

    made = sections("--only", "dseg,failures,text,reliability", "--numbers", "1", "--pairs", "1", "--texts", "1", "--frames", "5")

    (levels,) = tables(made["Accuracy: DSEG7 digits"])
    check_adds_up(levels, {"clean", "moderate", "hard"}, readers)
    (failures,) = tables(made["Accuracy: one kind of failure at a time"])
    check_adds_up(failures, {"lost point", "ghost", "1/7", "5/6/9", "0/8", "sign", "any number"}, readers)
    assert failures[0][-1] == "confusions"
    screens, looks = tables(made["Accuracy: text displays"])
    check_adds_up(screens, set(screens_read), {"the whole reader"})
    check_adds_up(looks, set(accuracy.TEXT_STYLES), {"both, with the night and teaching"})
    (curve,) = tables(made["Accuracy: how far the confidence can be trusted"])
    assert sum(number(line[1]) for line in curve[1:]) == 3 + 7
    assert (tmp_path / "reliability.svg").read_text(encoding="utf-8").startswith("<?xml")


def test_photographs_give_their_table(sections: Callable[..., dict[str, str]], repository: Path, tmp_path: Path) -> None:
    """A photo of the demo night stands for a photograph: what its first display shows, truth.csv says."""
    labels = tmp_path / "labels.csv"
    picture = repository / "sample_frames" / "cabin_0001.jpg"
    heads = "image,x1,y1,x2,y2,x3,y3,x4,y4,text,kind\n"
    labels.write_text(f"{heads}{picture},10,10,90,10,90,50,10,50,12.3,wall\n{picture},1,1,9,1,9,9,1,9,no number,wall\n", "utf-8")

    made = sections("--only", "photos", "--photos", str(labels))

    (rows,) = tables(made["Accuracy: photographs"])
    check_adds_up(rows, {"wall", "all segment kinds"}, {"both"})
    assert all(line[2] == "1" for line in rows[1:])


def test_nights_give_their_tables(sections: Callable[..., dict[str, str]], bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    accuracy = bench("accuracy")
    monkeypatch.setattr(accuracy, "CONDITIONS", {"small in frame": accuracy.CONDITIONS["small in frame"]})
    monkeypatch.setattr(accuracy, "KINDS", {"LED": accuracy.KINDS["LED"]})

    made = sections("--only", "nights", "--frames", "6")

    by_condition, by_kind, grid = tables(made["Accuracy: practice nights in ten conditions"])
    readers = {"segments alone", "network alone", "both", "both, with the night", "both, with the night and teaching"}
    check_adds_up(by_condition, {"small in frame"}, readers)
    check_adds_up(by_kind, {"LED"}, readers)
    assert grid[0] == ["condition", "LED"]
    assert [line[0] for line in grid[1:]] == ["small in frame"]


def test_times_are_given_for_both_ways_of_reading(sections: Callable[..., dict[str, str]]) -> None:
    made = sections("--only", "time", "--timed", "2")

    (rows,) = tables(made["Time: one display"])
    names = [line[0] for line in rows[1:]]
    assert {"both readers, followed in a night", "both readers, searched", "network alone"} <= set(names)
    assert rows[1 + names.index("both readers, followed in a night")][-1] == "1.00"
    assert all(float(line[2]) >= 0 for line in rows[1:])


# --- the big count ------------------------------------------------------------------------------------------------------


def a_night(bench: Bench, seed: int, **more: object) -> object:
    """Give a night as it would be measured: ten readable displays, nine exact."""
    nights, readers = bench("measures.nights"), bench("measures.readers")
    empty: dict[str, object] = {name: [] for name in ("doubtful", "given_up", "misnamed", "misflagged", "silently_wrong")}
    score = {"readable": 10, "exact": 9, "troubles": 2, **empty, **more}
    return nights.Night(asdict(nights.of_seed(seed, 40)), 12, {readers.WITH_TEACHING: score})


def test_counts_of_several_runs_are_merged_and_what_is_wrong_is_named(
    bench: Bench, sections: Callable[..., dict[str, str]], tmp_path: Path
) -> None:
    wrong = {
        "frame": "night_0007.jpg", "display": "co_ppm", "truth": "17", "value": "11", "flag": "ok", "raw_text": "11",
        "confidence": "0.9991",
    }  # fmt: skip
    right = wrong | {"value": "17", "flag": "doubtful"}  # exact, though nobody vouches for it
    nights = [a_night(bench, 10_000, silently_wrong=[wrong]), a_night(bench, 10_001, doubtful=[right])]
    files = [tmp_path / "part1.jsonl", tmp_path / "part2.jsonl"]
    for path, night in zip(files, nights, strict=True):
        path.write_text(json.dumps(asdict(night)) + "\n{cut off", encoding="utf-8")  # type: ignore[call-overload]

    made = sections("--merge", *map(str, files))

    text = made["Accuracy: many nights"]
    (rows,) = tables(text)
    assert rows[-1] == ["**all**", "24", "20", "19 (95.000%)", "18 (90.000%)", "1", "0", "1 (5.0%)", "0 of 4"]
    wish = bench("measures.nights").of_seed(10_000, 40)
    for part in ("seed 10000", wish.style, wish.condition, "night_0007.jpg co_ppm", "shows '17'", "read '11'", "0.9991", "ok"):
        assert part in text


def test_a_night_of_the_count_is_measured_once(
    bench: Bench, sections: Callable[..., dict[str, str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nights, lines = bench("measures.nights"), tmp_path / "lines.jsonl"
    count = bench("measures.count")
    monkeypatch.setattr(count, "of_seed", lambda seed, frames: nights.Wish(seed, "led-red", "small in frame", frames))

    first = sections("--seeds", "7:8", "--frames", "5", "--lines", str(lines))
    written = lines.read_text(encoding="utf-8")
    monkeypatch.setattr(count, "measure", lambda wish: pytest.fail("it is in the file already"))
    second = sections("--seeds", "7:8", "--frames", "5", "--lines", str(lines))

    assert written.count("\n") == 1
    assert lines.read_text(encoding="utf-8") == written
    assert first == second
    assert number(tables(first["Accuracy: many nights"])[0][-1][1]) == 25


def test_a_night_that_fails_is_named_and_ends_the_command_with_an_error(
    bench: Bench, sections: Callable[..., dict[str, str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(wish: object) -> None:
        raise RuntimeError("planted")

    monkeypatch.setattr(bench("measures.count"), "measure", breaks)

    with pytest.raises(SystemExit, match="1 parts could not be measured"):
        sections("--seeds", "7:8")

    assert "Could not be measured, and is in no figure" in (tmp_path / "RESULTS.md").read_text(encoding="utf-8")


def test_every_style_meets_every_condition(bench: Bench) -> None:
    nights, count = bench("measures.nights"), bench("measures.count")
    wishes = [nights.of_seed(seed, 40) for seed in count.seeds_for(50_000)]

    assert len({(wish.style, wish.condition) for wish in wishes}) == len(nights.STYLES) * len(nights.CONDITIONS)
    assert count.READINGS_A_NIGHT * len(wishes) >= 50_000


# --- registration -------------------------------------------------------------------------------------------------------


def test_registration_gives_its_table(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    registration = bench("registration")
    kept = ("both", "both, one instrument covered")
    monkeypatch.setattr(registration, "CHANGES", {name: registration.CHANGES[name] for name in kept})
    found: dict[str, object] = {}
    registration.measure_scene(500, found)

    (rows,) = tables(registration.registration_text(found))

    assert [line[0] for line in rows[1:]] == [*kept, "**all**"]
    assert number(rows[1][1]) == 5
    assert all(len(line) == len(registration.HEADS) for line in rows)
    assert 0 <= float(rows[1][2]) <= float(rows[1][5]) < 40
