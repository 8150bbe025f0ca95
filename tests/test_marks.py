"""A mark that leaves out a digit is told of: by a run, in the report's findings; a right one is not."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from frametally.frames import open_night
from frametally.marks import mark_findings, tight_marks
from frametally.model import Calibration, Display, Notice
from frametally.practice import NightFiles, draw_night
from frametally.run import Options, run
from frametally.settings import load_calibration, save_calibration


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> NightFiles:
    return draw_night(tmp_path_factory.mktemp("marks") / "night", seed=31, frames=3, style="lcd-plain", troubles=())


def narrowed(calibration: Calibration, key: str, share: float) -> Calibration:
    """Give a calibration in which the mark of one display lacks a share of its width on the right."""

    def narrow(display: Display) -> Display:
        if display.key != key:
            return display
        a, b, c, d = display.corners
        right = tuple((x + (left - x) * share, y + (up - y) * share) for (x, y), (left, up) in ((b, a), (c, d)))
        return display.model_copy(update={"corners": (a, *right, d)})

    instruments = tuple(
        one.model_copy(update={"display": tuple(narrow(display) for display in one.display)}) for one in calibration.instrument
    )
    return calibration.model_copy(update={"instrument": instruments})


def test_right_marks_are_not_told_of(drawn: NightFiles) -> None:
    assert tight_marks(open_night(drawn.frames), load_calibration(drawn.calibration)) == []


def test_the_demo_nights_marks_are_not_told_of(sample_frames: Path, calibration_path: Path) -> None:
    assert tight_marks(open_night(sample_frames), load_calibration(calibration_path)) == []


@pytest.mark.parametrize("share", [0.27, 0.33, 0.4])
def test_a_mark_without_its_last_digit_is_told_of(drawn: NightFiles, share: float) -> None:
    calibration = narrowed(load_calibration(drawn.calibration), "o2_pct", share)
    (notice,) = tight_marks(open_night(drawn.frames), calibration)
    assert notice.where == calibration.reference_frame
    assert notice.text.startswith("o2_pct: Its mark seems to leave out a part of the number")
    assert "right" in notice.text


def test_it_is_among_the_first_findings_of_a_run(drawn: NightFiles, leave_out_charts: Callable[[], None], tmp_path: Path) -> None:
    leave_out_charts()
    path = tmp_path / "cut.toml"
    save_calibration(narrowed(load_calibration(drawn.calibration), "o2_pct", 0.33), path)

    outcome = run(drawn.frames, path, tmp_path / "results", options=Options())

    assert any(notice.code == "mark-cuts-digits" for notice in outcome.notices)
    assert outcome.assessment is not None
    finding = next(one for one in outcome.assessment.findings if one.slug == "mark-cuts-digits")
    assert (finding.key, finding.tone) == ("o2_pct", "warning")
    assert "may cut its numbers" in (tmp_path / "results" / "report.html").read_text(encoding="utf-8")


def test_other_notices_are_no_findings_of_marks() -> None:
    assert mark_findings([Notice("no-times", "", "The photos carry no times.")]) == []
