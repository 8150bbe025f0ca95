"""Takes the figures of the assessment on people asleep and gives the page's table: people down, air changes across."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from frametally.show.wording import count_text, number_text, with_unit


def sleeper_table(topics: Mapping[str, Mapping[str, Any]]) -> dict[str, Any] | None:
    """Give headings and rows of what one to four sleepers would add; None where the assessment reckoned none."""
    given = topics.get("air_change", {}).get("other_nights")
    figures = given.get("sleepers") if isinstance(given, dict) else None
    nights = figures.get("nights", []) if isinstance(figures, dict) else []
    if not isinstance(figures, dict) or not nights:
        return None
    rates = sorted({float(night["air_change_per_h"]) for night in nights})
    people = sorted({int(night["people"]) for night in nights})
    cells = {(int(night["people"]), float(night["air_change_per_h"])): _cell(night) for night in nights}
    return {
        "heads": [f"{number_text(rate)} air changes an hour" for rate in rates],
        "rows": [
            {"name": f"{count} {'person' if count == 1 else 'people'}", "cells": [cells.get((count, rate), []) for rate in rates]}
            for count in people
        ],
        "hours": number_text(float(nights[0].get("hours", 8))),
        "volume": with_unit(number_text(float(figures["volume_m3"])), "m³") if figures.get("volume_m3") else "",
        "told": bool(figures.get("is_air_change_told")),
        "count": count_text(len(nights), "case"),
    }


def _cell(night: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Give name and figure of each gas in one case."""
    return [
        ("carbon dioxide", with_unit(f"{round(float(night['co2_ppm']), -1):.0f}", "ppm")),
        ("oxygen", with_unit(f"{float(night['o2_pct']):.2f}", "%")),
    ]
