"""A measure at three times: medians, means and the share that rose first and fell after, counted by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from dashboard.charts.three_times import three_times_chart
from tests.hand_made import made_case, reader_of
from warehouse.errors import RequestError
from warehouse.plans.question import Question
from warehouse.questions.three_times import three_times
from warehouse.words.changes import three_times_sentence

COURSES = [(5.0, 7.0, 2.5), (4.0, 5.0, 4.0), (6.0, 6.9, 2.0), (3.0, 4.5, 4.0), (8.0, 7.0, 3.0)]
"""Overjet at start, on the way and at the finish; the first two rose and fell by 1 mm or more."""


def rows() -> list[dict[str, object]]:
    complete = [
        made_case(
            str(n),
            **{f"overjet_mm_{time}": one for time, one in zip(("start", "progress", "finish"), two, strict=True)},
        )
        for n, two in enumerate(COURSES)
    ]
    return [*complete, made_case("no progress", overjet_mm_start=5.0, overjet_mm_finish=2.0)]


def test_the_paired_picture_of_overjet(tmp_path: Path) -> None:
    with reader_of(tmp_path, rows()) as reader:
        found = three_times(reader, Question())
    first = np.array([way - start for start, way, _ in COURSES])
    assert found.frame.height == 5  # the case without a record on the way is in no pair
    assert found.medians == (5.0, 6.9, 3.0)
    assert found.first.value == pytest.approx(first.mean())
    low, high = stats.t.interval(0.95, 4, loc=first.mean(), scale=stats.sem(first))
    assert found.first.interval is not None
    assert (found.first.interval.low, found.first.interval.high) == pytest.approx((low, high))
    assert found.rose_then_fell.value == pytest.approx(2 / 5)
    assert found.rose_then_fell.n == 5
    said = three_times_sentence(found)
    assert "the middle case went from 5.0 to 6.9 to 3.0 mm" in said
    assert "2 of 5 (40.0%, 95% interval 11.8% to 76.9%) rose by 1 mm or more" in said  # Wilson: 0.1176 to 0.7693
    drawn = three_times_chart(found).to_dict()
    assert drawn["description"] == said


def test_without_records_on_the_way_nothing_is_told(tmp_path: Path) -> None:
    with reader_of(tmp_path, [rows()[-1]]) as reader:
        found = three_times(reader, Question())
    assert found.medians == ()
    assert three_times_sentence(found).startswith("No case has Overjet at the start, on the way and at the finish")


def test_where_overjet_was_never_read_nothing_is_told(tmp_path: Path) -> None:
    with reader_of(tmp_path, [made_case("a", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0)]) as reader:
        assert three_times(reader, Question()).medians == ()
        with pytest.raises(RequestError, match="was not read"):
            three_times(reader, Question(measure="overbite_mm"))
