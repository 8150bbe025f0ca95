"""What the network plainly sees is shown as a doubt where the bars leave one or nothing; it settles and unsettles no reading."""

from __future__ import annotations

from dataclasses import replace

import pytest

from frametally.model import Display, Flag, Reading, Rival
from frametally.read.judging import DOUBTED, DOUBTED_ALONE, HARDLY, PLAIN_SIGHT, in_plain_sight

DISPLAY = Display(
    key="co_ppm", quantity="carbon monoxide", unit="ppm", corners=((0, 0), (90, 0), (90, 40), (0, 40)), digits="##", range=(0, 60)
)
RIVALS = (Rival("47", 47.0, 0.9), Rival("17", 17.0, 0.1))
SETTLED = Reading("47", 47.0, 0.9, Flag.OK, RIVALS, "segments", 9.0)
NOTHING = Reading("", None, 0.0, Flag.UNREADABLE, RIVALS, "segments", 9.0)
DOUBT = replace(SETTLED, flag=Flag.DOUBTFUL)
HARDLY_READ = replace(SETTLED, confidence=HARDLY - 0.01)
SIGHT = [("41", PLAIN_SIGHT), ("47", 0.01)]


@pytest.mark.parametrize("doubted", [DOUBTED, DOUBTED_ALONE])
@pytest.mark.parametrize("reading", [NOTHING, DOUBT, HARDLY_READ])
def test_it_is_shown_as_a_doubt_where_one_or_nothing_is_left(reading: Reading, doubted: float) -> None:
    found = in_plain_sight(reading, SIGHT, DISPLAY, doubted)

    assert (found.text, found.value, found.flag, found.confidence) == ("41", 41.0, Flag.DOUBTFUL, doubted)
    assert [rival.text for rival in found.rivals] == ["41", "47", "17"]
    assert sum(rival.probability for rival in found.rivals) <= 1
    assert (found.reader, found.sharpness) == (reading.reader, reading.sharpness)


@pytest.mark.parametrize("flag", [Flag.OK, Flag.BLANK, Flag.OVER_RANGE, Flag.STATUS, Flag.HIDDEN])
def test_everything_else_is_left_as_it_is(flag: Flag) -> None:
    reading = replace(SETTLED, flag=flag)

    assert in_plain_sight(reading, SIGHT, DISPLAY, DOUBTED) is reading


@pytest.mark.parametrize(
    "network", [[("41", PLAIN_SIGHT - 0.01)], [("88", 0.99)], [("OL", 0.99)], [("61", 0.99)], [("", 0.99)], []]
)
def test_what_is_not_plain_or_no_number_that_the_display_can_show_is_not_shown(network: list[tuple[str, float]]) -> None:
    assert in_plain_sight(NOTHING, network, DISPLAY, DOUBTED) is NOTHING


def test_a_doubt_about_the_same_number_keeps_its_own_chance() -> None:
    assert in_plain_sight(DOUBT, [("47", 0.99)], DISPLAY, DOUBTED) is DOUBT
