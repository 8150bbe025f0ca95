"""A small comparison by hand, with every kind of figure, for the tests of its page and table."""

from __future__ import annotations

from datetime import UTC, datetime

from frametally.compared import Change, ComparedNight, Comparison, Condition, Course, Figure, Line, Row

NASTY = '=HYPERLINK("http://x")'


def small_comparison(second: str = "vent open") -> Comparison:
    """Two nights; the second one's name is given."""
    moment = datetime(2026, 10, 30, 21, 32, tzinfo=UTC)
    nights = (
        ComparedNight("vent shut", "Gas ring, vent shut", "trial", moment, -32.0, 508.0, True),
        ComparedNight(second, NASTY, "rise", moment, -20.0, 400.0, False),
    )
    peak = Row(
        "highest",
        "Carbon monoxide",
        "Highest",
        "ppm",
        0,
        (Figure(147, 132.3, 161.7, "at 02:00"), Figure(999, 899.1, None, "beyond")),
        (Change(852.0, 737.4, None, "higher"),),
        "read on different instruments (a / b), which may differ by themselves",
    )
    time = Row(
        "time-beyond",
        "Carbon monoxide",
        "Time above 50 ppm (OSHA)",
        "min",
        0,
        (Figure(349.0, 336.0, 368.0), Figure(0.0, 0.0, 48.0)),
        (Change(-349.0, -368.0, -288.0, "lower"),),
    )
    air = Row(
        "air-change",
        "The air of the space",
        "Air changes",
        "per hour",
        2,
        (Figure(note="cannot be told"), Figure(1.47, 1.45, 1.5)),
        (Change(None, None, None, "not known"),),
    )
    damp = Row(
        "mean", "Relative humidity", "Mean", "%", 1, (Figure(60.0), Figure(58.0)), (Change(-2.0, None, None, "not known"),)
    )
    minutes = tuple(4.0 * number for number in range(-8, 60))
    values = tuple(max(0.0, minute / 2) for minute in minutes)
    states = "s" * 20 + "dd" + "s" * 20 + "ooo" + "s" * 23
    lines = (Line(0, "a", minutes, values, "s" * 68, 4.0), Line(1, "b", minutes, values[::-1], states, 4.0))
    return Comparison(
        nights,
        ("The nights differ in 2 conditions at once.",),
        ("vent", "outdoor air"),
        (
            Condition("vent", "state", ("shut", "open"), "differs"),
            Condition("outdoor air", "temperature", ("4 °C", ""), "not stated"),
        ),
        ("space, volume: 30 m³",),
        (peak, time, damp, air),
        (Course("Carbon monoxide", "ppm", lines, (("OSHA limit", 50.0), ("NIOSH far off", 1200.0))),),
        (0.0, 508.0),
        ("A notice.",),
    )
