"""The table of starting characteristics: counts by hand, differences by formula, more than two groups."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.warehouse.analysis.weighting_cases import lalonde
from warehouse.analysis.characteristics import LevelSummary, NumberSummary, level_gap, starting_characteristics
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

FRAME = pl.DataFrame(
    {
        "appliance": ["a", "a", "a", "b", "b", "b", "c", None],
        "age": [8.0, 10.0, None, 11.0, 12.0, 16.0, 9.0, 99.0],
        "extraction": [True, False, None, True, True, False, False, True],
        "sex": ["male", "female", "male", "male", "male", None, "female", "male"],
    }
)


def test_number_by_hand() -> None:
    table = starting_characteristics(FRAME, group="appliance", variables=["age"], groups=["a", "b"])
    (row,) = table.rows
    assert row.cells == (
        NumberSummary(n=2, missing=1, mean=9.0, sd=pytest.approx(np.sqrt(2.0)), median=9.0, quartiles=(8.5, 9.5)),
        NumberSummary(n=3, missing=0, mean=13.0, sd=pytest.approx(np.sqrt(7.0)), median=12.0, quartiles=(11.5, 14.0)),
    )
    assert row.standardised_difference == pytest.approx(4.0 / np.sqrt(4.5))
    assert table.sizes == (3, 3)
    assert table.ungrouped == 2


def test_category_by_hand() -> None:
    table = starting_characteristics(FRAME, group="appliance", variables=["extraction"], groups=["a", "b"])
    no, yes = table.rows
    assert (no.level, yes.level) == ("false", "true")
    assert yes.cells == (
        LevelSummary(count=1, n=2, missing=1, share=0.5),
        LevelSummary(count=2, n=3, missing=0, share=pytest.approx(2 / 3)),
    )
    # two levels: the usual difference of shares over the root of the mean variance
    expected = (1 / 6) / np.sqrt((0.25 + 2 / 9) / 2)
    assert yes.standardised_difference == pytest.approx(expected)
    assert no.standardised_difference == pytest.approx(expected)


def test_largest_of_all_pairs_with_three_groups() -> None:
    table = starting_characteristics(lalonde(), group="race", variables=["age", "married"])
    frame = lalonde()
    parts = [frame.filter(pl.col("race") == race)["age"] for race in ("black", "hispan", "white")]
    gaps = [
        abs(a.mean() - b.mean()) / np.sqrt((a.var() + b.var()) / 2) for i, a in enumerate(parts) for b in parts[i + 1 :]
    ]
    assert table.groups == ("black", "hispan", "white")
    assert table.rows[0].standardised_difference == pytest.approx(max(gaps))


def test_three_levels_by_the_matrix_formula() -> None:
    # Yang & Dalton 2012: d' S^-1 d with the covariance of any two of the three shares
    p, q = np.array([0.5, 0.3, 0.2]), np.array([0.3, 0.3, 0.4])
    pooled = sum(np.diag(s[:2]) - np.outer(s[:2], s[:2]) for s in (p, q)) / 2
    gap = (p - q)[:2]
    assert level_gap(100 * p, 50 * q) == pytest.approx(np.sqrt(gap @ np.linalg.inv(pooled) @ gap))


@settings(deadline=None)
@given(st.lists(st.integers(0, 50), min_size=3, max_size=3), st.lists(st.integers(0, 50), min_size=3, max_size=3))
def test_level_difference_is_symmetric_and_ignores_the_order_of_levels(one: list[int], two: list[int]) -> None:
    a, b = np.array(one, dtype=float), np.array(two, dtype=float)
    there, back, turned = level_gap(a, b), level_gap(b, a), level_gap(a[::-1], b[::-1])
    assert (there is None) == (back is None) == (turned is None)
    if there is not None:
        assert back == pytest.approx(there, abs=1e-7)
        assert turned == pytest.approx(there, abs=1e-6)


def test_no_level_in_common_has_no_finite_difference() -> None:
    assert level_gap(np.array([5.0, 0.0]), np.array([0.0, 4.0])) is None


def test_same_shares_differ_by_nothing() -> None:
    assert level_gap(np.array([2.0, 4.0]), np.array([10.0, 20.0])) == pytest.approx(0.0, abs=1e-12)


def test_nobody_known_has_no_difference() -> None:
    assert level_gap(np.array([0.0, 0.0]), np.array([1.0, 2.0])) is None


def test_empty_group_and_one_case() -> None:
    table = starting_characteristics(FRAME, group="appliance", variables=["age", "sex"], groups=["a", "c", "d"])
    age = table.rows[0]
    assert age.cells[1] == NumberSummary(n=1, missing=0, mean=9.0, sd=None, median=9.0, quartiles=(9.0, 9.0))
    assert age.cells[2] == NumberSummary(n=0, missing=0, mean=None, sd=None, median=None, quartiles=None)
    assert age.standardised_difference is None
    assert table.rows[1].cells[2] == LevelSummary(count=0, n=0, missing=0, share=None)
    assert caution_text(table.warnings[0]) == "No case in: d."


def test_gap_of_two_constants() -> None:
    frame = pl.DataFrame({"g": ["a"] * 3 + ["b"] * 3, "x": [43.062] * 3 + [2.0] * 3})
    (row,) = starting_characteristics(frame, group="g", variables=["x"]).rows
    assert row.standardised_difference is None


def test_nothing_at_all() -> None:
    table = starting_characteristics(FRAME.head(0), group="appliance", variables=["age", "sex"])
    assert table.groups == ()
    assert table.warnings[0].kind == "no_data"


def test_one_group_has_no_difference() -> None:
    table = starting_characteristics(FRAME, group="appliance", variables=["age"], groups=["a"])
    assert table.rows[0].standardised_difference is None


def test_unknown_variable_is_refused() -> None:
    with pytest.raises(RequestError, match="'agee'"):
        starting_characteristics(FRAME, group="appliance", variables=["agee"])
