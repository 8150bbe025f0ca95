"""A display that was not found stands where the photos before and after had it, if they agree; else nobody guesses."""

from __future__ import annotations

import math

import numpy as np
import pytest

from frametally.aim import Stand, stands_between
from frametally.model import Corners, Placement, Shift

SIZE = (1280, 960)
STILL = Shift(0.0, 0.0, 0.0, 1.0, 0.95)
UNKNOWN = Shift(0.0, 0.0, 0.0, 1.0, 0.1)
BOX: Corners = ((300, 200), (400, 200), (400, 250), (300, 250))


def moved(corners: Corners, dx: float, dy: float = 0.0) -> Corners:
    first, second, third, fourth = ((x + dx, y + dy) for x, y in corners)
    return first, second, third, fourth


def seen(shift: Shift = STILL, **corners: Corners) -> Placement:
    return Placement(shift, dict(corners), {})


def test_place_that_both_neighbours_tell_is_taken() -> None:
    assert stands_between(Stand(STILL, BOX), Stand(STILL, moved(BOX, 1.0)), seen(), SIZE) == moved(BOX, 0.5)


def test_one_neighbour_will_do_where_the_night_ends() -> None:
    assert stands_between(Stand(STILL, BOX), None, seen(), SIZE) == BOX
    assert stands_between(None, Stand(STILL, BOX), seen(), SIZE) == BOX
    assert stands_between(None, None, seen(), SIZE) is None


def test_nothing_is_guessed_where_it_moved_meanwhile() -> None:
    assert stands_between(Stand(STILL, BOX), Stand(STILL, moved(BOX, 6.0)), seen(), SIZE) is None


def test_nothing_is_guessed_where_another_display_stands_there_now() -> None:
    before, after = Stand(STILL, BOX), Stand(STILL, BOX)

    assert stands_between(before, after, seen(other=moved(BOX, 80.0)), SIZE) is None
    assert stands_between(before, after, seen(other=moved(BOX, 120.0)), SIZE) == BOX


def test_the_camera_s_own_way_is_followed() -> None:
    """A point is turned about the middle of the view, scaled and moved, as `Shift` says: reckoned here with complex numbers."""
    before, now = Shift(6.0, -4.0, 1.5, 1.01, 0.9), Shift(-20.0, 9.0, -2.0, 0.99, 0.9)
    middle = complex((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2)

    def shown(view: Shift) -> Corners:
        turn = view.scale * np.exp(1j * math.radians(view.rotation_deg))
        places = [middle + complex(view.dx, view.dy) + turn * (complex(x, y) - middle) for x, y in BOX]
        first, second, third, fourth = ((place.real, place.imag) for place in places)
        return first, second, third, fourth

    found = stands_between(Stand(before, shown(before)), Stand(STILL, BOX), seen(now), SIZE)

    assert found is not None
    assert np.abs(np.subtract(found, shown(now))).max() < 0.01


@pytest.mark.parametrize("stand", [Stand(Shift(6.0, -4.0, 0.0, 1.0, 0.9), BOX), Stand(UNKNOWN, BOX)])
def test_view_that_was_not_recognised_is_taken_for_that_of_the_others(stand: Stand) -> None:
    assert stands_between(stand, None, seen(UNKNOWN), SIZE) == BOX
