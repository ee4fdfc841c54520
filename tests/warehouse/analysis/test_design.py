"""Design matrices: names, levels, who is left out, and columns that say nothing."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.design import build_design, independent_columns, numbers
from warehouse.analysis.inputs import Covariate
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

FRAME = pl.DataFrame(
    {
        "age": [8.0, 10.0, None, 14.0, 12.0],
        "extraction": [True, False, True, None, True],
        "incisors": ["II/1", "I", "III", "I", "II/1"],
        "site": ["north"] * 5,
    }
)


def test_columns_of_a_number_a_truth_value_and_a_category() -> None:
    frame = pl.DataFrame(
        {
            "age": [8.0, 10.0, None, 14.0, 12.0, 9.0],
            "extraction": [True, False, True, None, True, False],
            "incisors": ["II/1", "I", "III", "I", "I", "II/1"],
        }
    )
    design = build_design(frame, ["age", "extraction", "incisors"])
    assert design.names == ("intercept", "age", "extraction", "incisors=II/1")
    assert design.matrix.tolist() == [[1, 8, 1, 1], [1, 10, 0, 0], [1, 12, 1, 0], [1, 9, 0, 1]]
    assert design.left_out == {"age missing": 1, "extraction missing": 1}
    assert design.kept.tolist() == [True, True, False, False, True, True]
    assert design.warnings == ()


def test_every_row_is_used_or_counted() -> None:
    design = build_design(FRAME, ["age", "extraction"])
    assert design.n + sum(design.left_out.values()) == FRAME.height


def test_reference_level_can_be_chosen() -> None:
    design = build_design(FRAME, [Covariate(name="incisors", reference="III")])
    assert design.names == ("intercept", "incisors=I", "incisors=II/1")
    assert design.matrix[:, 1].tolist() == [0, 1, 0, 1, 0]


def test_standardised_number_has_mean_zero_and_unit_spread() -> None:
    column = build_design(FRAME, [Covariate(name="age", standardise=True)]).matrix[:, 1]
    assert column.mean() == pytest.approx(0.0)
    assert column.std(ddof=1) == pytest.approx(1.0)


def test_standardising_one_case_gives_zero() -> None:
    one = build_design(FRAME.head(1), [Covariate(name="age", standardise=True)])
    assert one.names == ("intercept",)
    assert "age" in caution_text(one.warnings[0])


def test_spline_names_and_first_column() -> None:
    frame = pl.DataFrame({"age": np.linspace(6.0, 18.0, 50)})
    design = build_design(frame, [Covariate(name="age", kind="spline", n_knots=5)])
    assert design.names == ("intercept", "age", "age'", "age''", "age'''")
    assert design.matrix[:, 1] == pytest.approx(frame["age"].to_numpy())


def test_spline_of_two_values_is_a_straight_line_with_a_word() -> None:
    frame = pl.DataFrame({"age": [8.0, 9.0] * 5})
    design = build_design(frame, [Covariate(name="age", kind="spline")])
    assert design.names == ("intercept", "age")
    assert "straight line" in caution_text(design.warnings[0])


def test_standardised_spline_is_the_spline_of_the_standardised_number() -> None:
    frame = pl.DataFrame({"age": np.linspace(6.0, 18.0, 50)})
    both = build_design(frame, [Covariate(name="age", kind="spline", standardise=True)])
    assert both.matrix[:, 1].std(ddof=1) == pytest.approx(1.0)
    assert len(both.names) == 4


def test_column_that_says_nothing_is_taken_out_and_named() -> None:
    doubled = FRAME.with_columns(twice=2.0 * pl.col("age") + 1.0)
    design = build_design(doubled, ["site", "age", "twice"])
    assert design.names == ("intercept", "age")
    assert "twice" in caution_text(design.warnings[0])
    assert design.covariates == ("site", "age", "twice")


def test_rows_outside_are_not_counted_as_missing() -> None:
    design = build_design(FRAME, ["age"], among=np.array([True, True, False, False, False]))
    assert design.left_out == {}
    assert design.n == 2


@pytest.mark.parametrize("rows", [0, 1])
def test_hardly_any_row_leaves_the_intercept(rows: int) -> None:
    design = build_design(FRAME.head(rows), ["age", "incisors"])
    assert design.names == ("intercept",)
    assert design.matrix.shape == (rows, 1)


def test_no_covariate_leaves_the_intercept() -> None:
    assert build_design(FRAME, []).matrix.tolist() == [[1.0]] * 5


def test_not_a_number_counts_as_missing() -> None:
    frame = pl.DataFrame({"age": [1.0, float("nan"), float("inf"), 4.0]})
    assert build_design(frame, ["age"]).left_out == {"age missing": 2}


def test_unknown_column_offers_a_near_name() -> None:
    with pytest.raises(RequestError, match="incisors"):
        build_design(FRAME, ["incisor"])


def test_repeated_covariate_is_refused() -> None:
    with pytest.raises(RequestError, match="twice: age"):
        build_design(FRAME, ["age", Covariate(name="age", kind="spline")])


def test_unknown_reference_is_refused() -> None:
    with pytest.raises(RequestError, match="'IV'"):
        build_design(FRAME, [Covariate(name="incisors", reference="IV")])


def test_text_is_no_number() -> None:
    with pytest.raises(RequestError, match="not numbers"):
        build_design(FRAME, [Covariate(name="incisors", kind="number")])


def test_numbers_of_truth_values_and_gaps() -> None:
    assert numbers(pl.Series([True, None, False]))[[0, 2]].tolist() == [1.0, 0.0]
    assert np.isnan(numbers(pl.Series("empty", [None, None]))).all()


@settings(deadline=None)
@given(st.permutations(range(5)))
def test_row_order_changes_neither_names_nor_columns(order: list[int]) -> None:
    plain = build_design(FRAME, ["incisors", "age"])
    shuffled = build_design(FRAME[order], ["incisors", "age"])
    assert shuffled.names == plain.names
    assert sorted(shuffled.matrix.tolist()) == sorted(plain.matrix.tolist())


@settings(deadline=None)
@given(st.integers(1, 4), st.integers(0, 10_000))
def test_independent_columns_span_what_all_columns_span(dependent: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    base = np.column_stack([np.ones(30), rng.normal(size=(30, 3))])
    matrix = np.column_stack([base, base @ rng.normal(size=(4, dependent))])
    useful = independent_columns(matrix)
    assert useful.tolist() == [True] * 4 + [False] * dependent
