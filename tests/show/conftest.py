"""Fixtures of the tests of tables, charts and the report."""

from __future__ import annotations

import pandas as pd
import pytest
from show_nights import small_displays, small_night

from frametally.model import Display


@pytest.fixture
def displays() -> tuple[Display, ...]:
    return small_displays()


@pytest.fixture
def night() -> pd.DataFrame:
    return small_night()
