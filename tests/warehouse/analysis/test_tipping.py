"""Tipping points of a share and of a difference: by hand and against every scenario tried one by one."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.difference import risk_difference
from warehouse.analysis.proportion import wilson_interval
from warehouse.analysis.tipping import tipping_point
from warehouse.analysis.tipping_grid import tipping_grid
from warehouse.errors import RequestError
from warehouse.words.changes import grid_sentence, tipping_sentence
from warehouse.words.sentences import caution_text

counts = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n), st.integers(0, 30)))


def place(adverse: int, n: int, value: float) -> str:
    interval = wilson_interval(adverse / n, n)
    return "below" if interval.high < value else "above" if interval.low > value else "includes"


@settings(deadline=None)
@given(counts, st.sampled_from([0.05, 0.1, 0.3, 0.5]))
def test_range_is_that_of_trying_every_scenario(group: tuple[int, int, int], value: float) -> None:
    adverse, assessed, missing = group
    found = tipping_point(adverse, assessed, missing, value=value)
    message = place(adverse, assessed, value)
    holding = [k for k in range(missing + 1) if place(adverse + k, assessed + missing, value) == message]
    assert found.message == message
    assert (found.holds_from, found.holds_to) == (holding[0], holding[-1])
    assert holding == list(range(holding[0], holding[-1] + 1))


@pytest.mark.parametrize(
    ("group", "sentence"),
    [
        ((3, 100, 20), "Among the assessed, the share lies below 10%; that changes if 3 or more of the 20 missing"),
        ((30, 100, 20), "Among the assessed, the share lies above 10%, and that holds whatever the 20 missing hold."),
        ((18, 100, 40), "Among the assessed, the share lies above 10%; that changes if fewer than 3 of the 40 missing"),
        ((10, 100, 80), "Among the assessed, the share is compatible with 10%; that holds only if 1 to 15 of the 80"),
        ((5, 20, 0), "Among the assessed, the share lies above 10%; no case is missing."),
    ],
)
def test_sentences(group: tuple[int, int, int], sentence: str) -> None:
    assert tipping_sentence(tipping_point(*group, value=0.1)).startswith(sentence)


def test_missing_like_the_assessed() -> None:
    found = tipping_point(20, 100, 50, value=0.1)
    assert found.like_assessed == 10
    assert found.assessed.value == 0.2
    assert found.missing == 50


def test_many_missing_are_searched_not_tried() -> None:
    found = tipping_point(1_000, 100_000, 900_000, value=0.1)
    assert found.holds_to is not None
    assert place(1_000 + found.holds_to, 1_000_000, 0.1) == "below"
    assert place(1_000 + found.holds_to + 1, 1_000_000, 0.1) == "includes"


def test_nobody_assessed_is_told_in_words() -> None:
    found = tipping_point(0, 0, 5, value=0.1)
    assert (found.message, found.holds_from, found.holds_to, found.like_assessed) == ("nothing", None, None, None)
    assert found.assessed.value is None
    assert "No case was assessed" in caution_text(found.warnings[0])


@pytest.mark.parametrize("group", [(5, 3, 1), (1, 3, -1)])
def test_counts_that_are_none_are_refused(group: tuple[int, int, int]) -> None:
    with pytest.raises(RequestError):
        tipping_point(*group, value=0.1)
    with pytest.raises(RequestError):
        tipping_grid(group, (1, 2, 3))


def test_grid_holds_every_scenario_with_newcombes_interval() -> None:
    found = tipping_grid((20, 100, 3), (8, 100, 2))
    assert found.grid.height == 12
    for row in found.grid.iter_rows(named=True):
        expected = risk_difference(20 + row["adverse_first"], 103, 8 + row["adverse_second"], 102)
        assert expected.interval is not None
        assert row["difference"] == pytest.approx(expected.value)
        assert [row["low"], row["high"]] == pytest.approx([expected.interval.low, expected.interval.high])
        sign = "first higher" if row["low"] > 0 else "second higher" if row["high"] < 0 else "not told apart"
        assert row["message"] == sign


@settings(deadline=None)
@given(counts, counts)
def test_nearest_change_is_the_nearest_of_all(first: tuple[int, int, int], second: tuple[int, int, int]) -> None:
    found = tipping_grid(first, second)
    plain = risk_difference(first[0], first[1], second[0], second[1]).interval
    assert plain is not None
    message = "first higher" if plain.low > 0 else "second higher" if plain.high < 0 else "not told apart"
    assert found.message == message
    changed = found.grid.filter(pl.col("message") != message)
    assert found.like_assessed is not None
    a, b = found.like_assessed
    moved = [abs(r["adverse_first"] - a) + abs(r["adverse_second"] - b) for r in changed.iter_rows(named=True)]
    if found.nearest_change is None:
        assert moved == []
        assert found.share_holding == 1.0
    else:
        assert abs(found.nearest_change[0] - a) + abs(found.nearest_change[1] - b) == min(moved)
        assert found.share_holding == pytest.approx(1.0 - changed.height / found.grid.height)


def test_swapping_the_groups_turns_the_message_round() -> None:
    there, back = tipping_grid((30, 100, 5), (10, 100, 5)), tipping_grid((10, 100, 5), (30, 100, 5))
    assert (there.message, back.message) == ("first higher", "second higher")
    assert there.share_holding == back.share_holding


def test_sentences_of_the_grid() -> None:
    changed = tipping_grid((20, 100, 10), (8, 100, 12))
    assert changed.nearest_change is not None
    assert grid_sentence(changed) == (
        "Among the assessed, the first group's share is higher; with "
        f"{changed.nearest_change[0]} of 10 and {changed.nearest_change[1]} of 12 missing adverse it would not be so "
        "(missing like the assessed: 2 and 1)."
    )
    assert "no case is missing" in grid_sentence(tipping_grid((20, 100, 0), (8, 100, 0)))
    assert "holds in every scenario for the 1 and 1 missing" in grid_sentence(tipping_grid((90, 100, 1), (8, 100, 1)))
    assert "second group's share is higher" in grid_sentence(tipping_grid((8, 100, 1), (90, 100, 1)))
    assert "not told apart" in grid_sentence(tipping_grid((8, 100, 1), (9, 100, 1)))


def test_many_missing_make_a_grid_of_limited_size_that_spans_everything() -> None:
    found = tipping_grid((20_000, 100_000, 50_000), (8_000, 100_000, 0), most_steps=21)
    assert found.grid.height == 21
    assert (found.grid["adverse_first"].min(), found.grid["adverse_first"].max()) == (0, 50_000)


@pytest.mark.parametrize(("first", "second"), [((0, 0, 3), (1, 2, 0)), ((1, 2, 0), (0, 0, 0))])
def test_group_without_an_assessed_case(first: tuple[int, int, int], second: tuple[int, int, int]) -> None:
    found = tipping_grid(first, second)
    assert found.message == "nothing"
    assert found.grid.height == 0
    assert (found.like_assessed, found.nearest_change, found.share_holding) == (None, None, None)
    assert "no assessed case" in caution_text(found.warnings[0])
