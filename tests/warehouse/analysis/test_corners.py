"""The four corners of teeth and face."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from warehouse.analysis.corners import FourCorners, four_corners
from warehouse.errors import RequestError
from warehouse.words.changes import corner_sentence

answer = st.sampled_from([True, False, None])


def corners(rows: list[tuple[bool | None, bool | None]]) -> FourCorners:
    frame = pl.DataFrame(rows, schema={"improved": pl.Boolean, "adverse": pl.Boolean}, orient="row")
    return four_corners(frame, improved="improved", adverse="adverse")


def counted(found: FourCorners) -> tuple[int, int, int, int]:
    return found.better_adverse, found.better_not_adverse, found.not_better_adverse, found.not_better_not_adverse


def test_counts_shares_and_who_is_left_out() -> None:
    rows = [(True, True)] * 3 + [(True, False)] * 7 + [(False, True)] * 2 + [(False, False)] * 8
    found = corners([*rows, (None, True), (True, None), (True, None), (None, None)])
    assert counted(found) == (3, 7, 2, 8)
    assert found.among_all.value == pytest.approx(0.15)
    assert found.among_improved.value == pytest.approx(0.3)
    assert found.among_not_improved.value == pytest.approx(0.2)
    assert found.difference.value == pytest.approx(0.1)
    assert found.left_out == {"teeth not assessable": 1, "face not assessable": 2, "neither assessable": 1}
    assert found.among_improved.left_out == found.left_out


def test_intervals_are_wilsons() -> None:
    # statsmodels 0.15, proportion_confint(method="wilson")
    found = corners([(True, True)] * 3 + [(True, False)] * 7 + [(False, True)] * 2 + [(False, False)] * 8)
    for estimate, count, n in ((found.among_all, 3, 20), (found.among_improved, 3, 10)):
        low, high = proportion_confint(count, n, method="wilson")
        assert estimate.interval is not None
        assert [estimate.interval.low, estimate.interval.high] == pytest.approx([low, high])
        assert estimate.n == n


def test_sentence_says_what_may_be_said() -> None:
    found = corners([(True, True)] * 3 + [(True, False)] * 9)
    assert corner_sentence(found) == (
        "In 3 of these 12 cases the teeth improved while the face went adverse "
        "(25%; the data are compatible with 9% to 53%, 95% interval)."
    )


@settings(deadline=None)
@given(st.lists(st.tuples(answer, answer), max_size=40))
def test_every_case_is_in_a_corner_or_left_out(rows: list[tuple[bool | None, bool | None]]) -> None:
    found = corners(rows)
    assert sum(counted(found)) + sum(found.left_out.values()) == len(rows)
    assert found.among_all.n == sum(counted(found))


@settings(deadline=None)
@given(st.lists(st.tuples(answer, answer), max_size=20))
def test_order_plays_no_part(rows: list[tuple[bool | None, bool | None]]) -> None:
    assert corners(rows) == corners(rows[::-1])


def test_nobody_assessable_is_told_in_words() -> None:
    found = corners([(None, True), (True, None)])
    assert found.among_all.value is None
    assert found.among_improved.value is None
    assert found.difference.value is None
    assert found.among_all.warnings
    assert corner_sentence(found) == "In no case can both teeth and face be judged."


def test_nobody_improved_leaves_the_other_share() -> None:
    found = corners([(False, True), (False, False)])
    assert found.among_improved.value is None
    assert found.among_not_improved.value == 0.5
    assert found.among_all.value == 0.0


def test_column_of_nothing_is_taken_as_unknown() -> None:
    frame = pl.DataFrame({"improved": [None, None], "adverse": [True, False]})
    assert four_corners(frame, improved="improved", adverse="adverse").left_out == {"teeth not assessable": 2}


def test_score_is_refused() -> None:
    frame = pl.DataFrame({"improved": [30.0], "adverse": [True]})
    with pytest.raises(RequestError, match="true/false"):
        four_corners(frame, improved="improved", adverse="adverse")


def test_unknown_column_is_refused() -> None:
    with pytest.raises(RequestError, match="'advers'"):
        four_corners(pl.DataFrame({"improved": [True], "adverse": [True]}), improved="improved", adverse="advers")
