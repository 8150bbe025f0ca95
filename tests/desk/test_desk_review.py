"""The page that settles doubtful readings, by its routes: what is shown, what is kept and where, and who may."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from desk_pages import BASE, Visitor, desk
from desk_results import audit_of, raw_columns, rows

from frametally.corrections import AS_READ, COLUMNS, load_corrections
from frametally.desk.door import KEY_HEADER, Door
from frametally.desk.remake import Remaker, draw_charts
from frametally.desk.review import ALL_FLAGS, Bench, make_review, review
from frametally.desk.server import Where
from frametally.errors import BadInput
from frametally.results import Results
from frametally.run import finish

GLARE = "cabin_0060.jpg"
"""A mirrored lamp stands before its temperature and humidity."""

Desk = tuple[Bench, Visitor]
Open = Callable[..., Desk]


@pytest.fixture
def open_desk(results: Path) -> Open:
    def open_it(frames: Path | None = None) -> Desk:
        bench, door = Bench(Results(results, frames), frames, ALL_FLAGS, "Night Watch"), Door()
        return bench, Visitor(make_review(bench, door), door)

    return open_it


@pytest.fixture(scope="module")
def untouched(_small_night: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visitor]:
    """A visitor of a desk on which nothing is ever changed, whatever is asked of it."""
    results = Path(shutil.copytree(_small_night, tmp_path_factory.mktemp("untouched") / "results"))
    before = {path: path.read_bytes() for path in results.rglob("*") if path.is_file()}
    door = Door()
    yield Visitor(make_review(Bench(Results(results), None, ALL_FLAGS, "Night Watch"), door), door)
    assert {path: path.read_bytes() for path in results.rglob("*") if path.is_file()} == before


def where(bench: Bench, frame: str, key: str) -> str:
    return f"{bench.photos.number_of(frame)}/{bench.place(key)}"


def said(visitor: Visitor, path: str, text: str, **more: object) -> dict[str, object]:
    answer = visitor.send("POST", f"/decide/{path}", {"said": text, **more})
    assert answer.status_code == 200, answer.text
    return dict(answer.json or {})


def wait_until(happened: Callable[[], bool], seconds: float = 120) -> None:
    end = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def test_queue_begins_with_what_could_change_a_finding(open_desk: Open) -> None:
    _, visitor = open_desk()
    queue = visitor.get("/queue").json["queue"]
    reasons = [bool(one["reasons"]) for one in queue]
    assert any(reasons)
    assert reasons == sorted(reasons, reverse=True)
    assert len(queue) >= 10


def test_reading_comes_with_rivals_pictures_and_neighbours(open_desk: Open) -> None:
    bench, visitor = open_desk()
    place = where(bench, GLARE, "temp_c")
    reading = visitor.get(f"/reading/{place}").json
    assert (reading["quantity"], reading["unit"], reading["flag"]) == ("air temperature", "°C", "doubtful")
    assert [rival["text"] for rival in reading["rivals"]]
    assert reading["text"] not in [rival["text"] for rival in reading["rivals"]]
    assert len(reading["beside"]) == 7
    for kind in ("raw", "evened", "tile"):
        answer = visitor.get(f"/picture/{kind}/{place}.jpg")
        assert answer.status_code == 200
        picture = cv2.imdecode(np.frombuffer(answer.data, np.uint8), cv2.IMREAD_COLOR)
        assert picture.shape[0] >= 48
        assert picture.std() > 5


def test_correction_is_kept_at_once_with_who_when_from_and_to(open_desk: Open, results: Path) -> None:
    bench, visitor = open_desk()
    before = datetime.now().astimezone().replace(microsecond=0)
    shown = said(visitor, where(bench, GLARE, "rh_pct"), "38")["reading"]
    assert (shown["text"], shown["flag"]) == ("38", "corrected")  # type: ignore[index]
    header, row = (results / "corrections.csv").read_text(encoding="utf-8").splitlines()
    assert header == ",".join(COLUMNS)
    assert row.startswith(f"{GLARE},rh_pct,")
    (kept,) = load_corrections(results / "corrections.csv")
    assert (kept.to_text, kept.who) == ("38", "Night Watch")
    assert kept.from_text == audit_of(results, GLARE, "rh_pct")["value"]
    assert kept.when is not None
    assert kept.when >= before


def test_corrections_reach_the_tables_and_never_the_raw_columns(
    open_desk: Open, results: Path, leave_out_charts: Callable[[], None]
) -> None:
    leave_out_charts()
    bench, visitor = open_desk()
    raw = raw_columns(results)
    said(visitor, where(bench, GLARE, "rh_pct"), "38")
    said(visitor, where(bench, GLARE, "temp_c"), "unreadable")
    outcome = finish(Results(results))
    assert raw_columns(results) == raw
    assert audit_of(results, GLARE, "rh_pct")["value"] == "38"
    assert audit_of(results, GLARE, "rh_pct")["flag"] == "corrected"
    assert audit_of(results, GLARE, "temp_c")["flag"] == "unreadable"
    assert not [notice for notice in outcome.notices if notice.code in ("correction-from", "correction-unused")]


def test_undo_takes_back_one_after_the_other(open_desk: Open, results: Path, leave_out_charts: Callable[[], None]) -> None:
    leave_out_charts()
    bench, visitor = open_desk()
    place = where(bench, GLARE, "temp_c")
    first = visitor.get(f"/reading/{place}").json
    said(visitor, place, "18.4")
    said(visitor, place, "18,6")
    assert visitor.get(f"/reading/{place}").json["text"] == "18.6"
    assert visitor.send("POST", "/undo", {}).json["reading"]["text"] == "18.4"
    assert visitor.send("POST", "/undo", {}).json["reading"] == first
    assert visitor.send("POST", "/undo", {}).json == {"undone": False}
    assert [row.to_text for row in load_corrections(results / "corrections.csv")] == ["18.4", "18.6", "18.4", AS_READ]
    finish(Results(results))
    assert audit_of(results, GLARE, "temp_c")["flag"] == "doubtful"


def test_undo_gives_back_a_correction_of_another_day(open_desk: Open) -> None:
    bench, visitor = open_desk()
    place = where(bench, GLARE, "temp_c")
    said(visitor, place, "18.4")
    _, later = open_desk()
    said(later, place, "18.9")
    assert later.send("POST", "/undo", {}).json["reading"]["text"] == "18.4"


def test_number_out_of_range_is_asked_again_and_words_are_understood(open_desk: Open, results: Path) -> None:
    bench, visitor = open_desk()
    place = where(bench, GLARE, "rh_pct")
    answer = visitor.send("POST", f"/decide/{place}", {"said": "380"})
    assert answer.status_code == 400
    assert "this display shows" in answer.json["fault"]
    assert not (results / "corrections.csv").exists()
    said(visitor, place, "380", sure=True)
    assert said(visitor, where(bench, "cabin_0118.jpg", "wall_co_ppm"), "OL")["reading"]["flag"] == "over range"  # type: ignore[index]
    for wrong in ("", "three", "1e3", "nan", "=1+1", "as_read", "1\n2", "ok"):
        assert visitor.send("POST", f"/decide/{place}", {"said": wrong}).status_code == 400, wrong
    assert [row.to_text for row in load_corrections(results / "corrections.csv")] == ["380", "over_range"]


def test_photos_that_are_gone_leave_the_pictures_that_were_kept(open_desk: Open, results: Path, tmp_path: Path) -> None:
    bench, visitor = open_desk()
    place = where(bench, GLARE, "temp_c")
    frames, moved = bench.photos.night.frames[0].path.parent, tmp_path / "elsewhere"
    shutil.copytree(frames, moved)
    text = (results / "night.json").read_text(encoding="utf-8")
    (results / "night.json").write_text(text.replace(str(frames), str(tmp_path / "gone")), encoding="utf-8")

    _, visitor = open_desk()
    reading = visitor.get(f"/reading/{place}").json
    assert reading["picture"] == "evidence"
    assert "no longer where it was" in reading["picture_words"]
    assert visitor.get(f"/picture/raw/{place}.jpg").status_code == 200
    assert "no longer where it was" in visitor.get(f"/picture/evened/{place}.jpg").json["fault"]
    assert "no longer where it was" in visitor.get("/view/6.jpg").json["fault"]
    shutil.rmtree(results / "evidence")
    _, visitor = open_desk()
    assert visitor.get(f"/reading/{place}").json["picture"] == "none"

    _, visitor = open_desk(moved)
    assert visitor.get(f"/reading/{place}").json["picture"] == "photo"
    assert visitor.get(f"/picture/evened/{place}.jpg").status_code == 200
    with pytest.raises(BadInput, match="none of the photos"):
        open_desk(results)


def test_another_photo_of_the_same_name_is_not_shown_as_the_one_that_was_read(open_desk: Open, tmp_path: Path) -> None:
    bench, _ = open_desk()
    frames, moved = bench.photos.night.frames[0].path.parent, tmp_path / "elsewhere"
    shutil.copytree(frames, moved)
    shutil.copy(frames / "cabin_0001.jpg", moved / GLARE)
    bench, visitor = open_desk(moved)
    answer = visitor.get(f"/picture/raw/{where(bench, GLARE, 'temp_c')}.jpg")
    assert answer.status_code == 400
    assert "not the one that was read" in answer.json["fault"]


@pytest.mark.parametrize(
    ("path", "codes"),
    [
        ("/reading/999/0", {400}),
        ("/reading/0/99", {404}),
        ("/reading/-1/0", {404}),
        ("/picture/other/0/0.jpg", {404}),
        ("/picture/raw/0/..%2f..%2fnight.json", {404}),
        ("/picture/..%2f..%2f/0/0.jpg", {404}),
        ("/view/../../results/night.json", {404}),
        ("/view/99.jpg", {400}),
        ("/static/../templates/review.html", {404}),
        ("/corrections.csv", {404}),
    ],
)
def test_nothing_but_what_is_meant_can_be_asked_for(untouched: Visitor, path: str, codes: set[int]) -> None:
    assert untouched.get(path).status_code in codes


@pytest.mark.parametrize(
    "path", ["/", "/night", "/queue", "/reading/0/0", "/charts", "/chart.js", "/status", "/picture/raw/0/0.jpg", "/view/0.jpg"]
)
def test_every_page_asks_for_the_token_and_the_host(untouched: Visitor, path: str) -> None:
    assert untouched.get(path).status_code == 200
    stranger = untouched.client.application.test_client()
    assert stranger.get(path, base_url=BASE).status_code == 403
    assert untouched.client.get(path, base_url="http://evil.example:8000").status_code == 403
    assert "default-src 'none'" in untouched.get(path).headers["Content-Security-Policy"]


@pytest.mark.parametrize("path", ["/decide/6/0", "/undo"])
@pytest.mark.parametrize("wrong", [{KEY_HEADER: "guess"}, {"Origin": "http://evil.example"}, {"Sec-Fetch-Site": "cross-site"}])
def test_only_the_page_itself_may_change_anything(untouched: Visitor, path: str, wrong: dict[str, str]) -> None:
    assert untouched.send("POST", path, {"said": "3"}, **wrong).status_code == 403
    assert untouched.get(path).status_code == 405


def test_hostile_names_are_text_on_both_pages(open_desk: Open, results: Path) -> None:
    text = (results / "calibration.toml").read_text(encoding="utf-8")
    evil = '<img src=x onerror=\\"alert(1)\\">'
    (results / "calibration.toml").write_text(text.replace("hand-held gas monitor", evil), encoding="utf-8")
    _, visitor = open_desk()
    for page in ("/", "/night"):
        assert "<img src=x" not in visitor.get(page).text
    assert "&lt;img src=x" in visitor.get("/night").text


def test_second_desk_on_the_same_results_says_so(results: Path) -> None:
    with desk("review", results), pytest.raises(BadInput, match=r"another desk .* is open on"):
        review(results, Where(browser=False))


@pytest.mark.parametrize("damage", ["missing", "corrections"])
def test_folder_that_cannot_be_reviewed_says_why(results: Path, damage: str) -> None:
    if damage == "missing":
        (results / "night.json").unlink()
    else:
        (results / "corrections.csv").write_text("what,ever\n", encoding="utf-8")
    with pytest.raises(BadInput, match="stopped while it read" if damage == "missing" else "columns should be"):
        review(results, Where(browser=False))


def test_findings_and_report_are_made_again_and_give_the_charts(open_desk: Open, results: Path) -> None:
    bench, visitor = open_desk()
    said(visitor, where(bench, GLARE, "rh_pct"), "38")
    assert bench.remaker.status()["state"] == "waiting"
    assert visitor.get("/charts").json["waiting"] is True
    bench.remaker.start()
    wait_until(lambda: bench.remaker.status()["state"] == "current")
    assert audit_of(results, GLARE, "rh_pct")["flag"] == "corrected"
    assert {row["frame"] for row in rows(results / "readings.csv")} >= {GLARE}
    charts = visitor.get("/charts").json
    assert charts["data"]["format"] == 1
    assert all(" style=" not in chart["wide"] for chart in charts["charts"])
    assert (results / "report.html").stat().st_mtime_ns > (results / "corrections.csv").stat().st_mtime_ns


def test_report_that_cannot_be_made_is_told_and_not_hidden(results: Path) -> None:
    (results / "journal.jsonl").unlink()
    remaker = Remaker(results, None, is_behind=True)
    remaker.start()
    wait_until(lambda: remaker.status()["state"] == "failed")
    assert "could not be made again" in remaker.end()


def test_ending_makes_what_is_behind_and_no_charts(open_desk: Open, results: Path) -> None:
    bench, visitor = open_desk()
    said(visitor, where(bench, GLARE, "rh_pct"), "38")
    bench.remaker.start()
    assert "1 reading was settled" in bench.farewell()
    assert audit_of(results, GLARE, "rh_pct")["flag"] == "corrected"
    assert bench.remaker.status()["state"] == "current"


def test_corrections_newer_than_the_report_are_caught_up_with(open_desk: Open) -> None:
    bench, visitor = open_desk()
    said(visitor, where(bench, GLARE, "rh_pct"), "38")
    again, _ = open_desk()
    assert again.remaker.status()["state"] == "waiting"


def test_charts_alone_change_nothing_in_the_folder(results: Path) -> None:
    before = {path: path.read_bytes() for path in results.rglob("*") if path.is_file()}
    draw_charts(Results(results))
    assert {path: path.read_bytes() for path in results.rglob("*") if path.is_file()} == before
