"""The charts of the topics say how many readings a point of theirs stands for, where it is more than one."""

from __future__ import annotations

import numpy as np
import pytest

from frametally.show.topic_charts import chart_topics
from frametally.show.traces import TimeAxis


def captions(per_point: int, count: int = 40) -> list[str]:
    axis = TimeAxis(np.arange(count, dtype=float), (None,) * count, "elapsed")
    minutes = np.arange(count, dtype=float).reshape(-1, per_point).mean(axis=1).tolist()
    series = {"elapsed_min": minutes, "temp_c": [18.0] * len(minutes), "dew_point_c": [9.0] * len(minutes)}
    return [chart.caption for chart in chart_topics({"moisture": {"series": series}}, (), axis)]


@pytest.mark.parametrize("per_point", [2, 4, 8])
def test_points_of_several_readings_are_told(per_point: int) -> None:
    assert [caption.endswith(f". One point stands for {per_point} readings.") for caption in captions(per_point)] == [True]


def test_points_of_one_reading_need_no_words() -> None:
    assert ["point stands for" in caption for caption in captions(1)] == [False]
