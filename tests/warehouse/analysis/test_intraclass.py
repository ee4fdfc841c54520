"""The six intraclass correlations: Shrout and Fleiss's table, pingouin, special cases, and words."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from sklearn.metrics import cohen_kappa_score

from warehouse.analysis.intraclass import FORMS, intraclass, kappa
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

IN_FILE = {
    "ICC(1,1)": "ICC1",
    "ICC(2,1)": "ICC2",
    "ICC(3,1)": "ICC3",
    "ICC(1,k)": "ICC1k",
    "ICC(2,k)": "ICC2k",
    "ICC(3,k)": "ICC3k",
}
tables = st.tuples(st.integers(0, 8), st.integers(0, 4)).flatmap(
    lambda shape: arrays(np.float64, shape, elements=st.integers(0, 12).map(float))
)


@pytest.fixture
def judges(reference_case: Callable[[int, str], dict[str, Any]]) -> dict[str, Any]:
    return reference_case(12, "Shrout & Fleiss ICC")


def test_four_judges_as_printed(judges: Any, as_printed: Callable[[Any], Any]) -> None:
    # Shrout & Fleiss 1979, Psychol Bull 86:420, tables 2-4
    found = intraclass(judges["data"]["ratings"])
    squares = found.mean_squares
    all_found = {IN_FILE[form]: found.forms[form].value for form in FORMS} | {
        "BMS": squares.between_records,
        "WMS": squares.within_records,
        "JMS": squares.between_readers,
        "EMS": squares.residual,
    }
    assert all_found.keys() == judges["expected"].keys()
    for key, published in judges["expected"].items():
        assert all_found[key] == as_printed(published), key


@pytest.mark.parametrize("form", FORMS)
def test_four_judges_as_computed(form: str, judges: Any) -> None:
    # R 4.2.2 psych 2.2.9 ICC(lmer=FALSE)
    computed, key = judges["computed"], IN_FILE[form]
    estimate = intraclass(judges["data"]["ratings"]).forms[form]
    assert estimate.value == pytest.approx(computed[key], abs=1e-9)
    assert [estimate.interval.low, estimate.interval.high] == pytest.approx(computed["ci"][key], abs=1e-9)


def test_four_judges_mean_squares_and_f(judges: Any) -> None:
    computed = judges["computed"]
    squares = intraclass(judges["data"]["ratings"]).mean_squares
    assert squares.between_records == pytest.approx(computed["BMS"], abs=1e-9)
    assert squares.between_readers == pytest.approx(computed["JMS"], abs=1e-9)
    assert squares.residual == pytest.approx(computed["EMS"], abs=1e-9)
    assert squares.within_records == pytest.approx(computed["WMS"], abs=1e-9)
    assert squares.between_records / squares.within_records == pytest.approx(computed["F1"], abs=1e-8)
    assert squares.between_records / squares.residual == pytest.approx(computed["F23"], abs=1e-8)


def test_equals_pingouin(judges: Any) -> None:
    pandas, pingouin = pytest.importorskip("pandas"), pytest.importorskip("pingouin")
    ratings = judges["data"]["ratings"]
    rows = [(i, j, value) for i, row in enumerate(ratings) for j, value in enumerate(row)]
    frame = pandas.DataFrame(rows, columns=["record", "reader", "value"])
    table = pingouin.intraclass_corr(frame, "record", "reader", "value")
    found = intraclass(ratings).forms
    assert [found[form].value for form in FORMS] == pytest.approx(list(table["ICC"]), abs=1e-6)
    assert [found[form].p_value for form in FORMS] == pytest.approx(list(table["pval"]), abs=1e-9)


@given(tables)
@settings(deadline=None)
def test_never_raises_and_each_gap_is_said_in_words(table: Any) -> None:
    for estimate in intraclass(table).forms.values():
        if estimate.value is None or estimate.interval is None:
            assert estimate.warnings
        else:
            assert estimate.interval.low - 1e-9 <= estimate.value <= estimate.interval.high + 1e-9
            assert estimate.value <= 1.0 + 1e-12


@given(tables, st.floats(-50, 50), st.floats(0.1, 10))
@settings(deadline=None)
def test_shift_stretch_and_order_do_not_matter(table: Any, shift: Any, stretch: Any) -> None:
    one, two = intraclass(table).forms, intraclass(shift + stretch * table[::-1, ::-1]).forms
    for form in FORMS:
        if one[form].value is not None and two[form].value is not None:
            assert two[form].value == pytest.approx(one[form].value, rel=1e-6, abs=1e-6)


def test_a_constant_offset_between_readers_lowers_agreement_not_consistency() -> None:
    first = np.array([30.0, 34.0, 37.0, 41.0, 29.0])
    noisy = np.column_stack([first, first + 4.0 + np.array([0.1, -0.2, 0.1, 0.2, -0.2])])
    forms = intraclass(noisy).forms
    assert forms["ICC(3,1)"].value > 0.99
    assert forms["ICC(2,1)"].value < 0.85
    assert forms["ICC(1,1)"].value < forms["ICC(2,1)"].value


def test_mean_of_k_is_spearman_brown_of_one() -> None:
    forms = intraclass([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6]]).forms
    for single, mean in (("ICC(1,1)", "ICC(1,k)"), ("ICC(3,1)", "ICC(3,k)"), ("ICC(2,1)", "ICC(2,k)")):
        r = forms[single].value
        assert forms[mean].value == pytest.approx(4 * r / (1 + 3 * r))


def test_readers_in_perfect_step_have_no_interval() -> None:
    found = intraclass([[1.0, 3.0], [2.0, 4.0], [5.0, 7.0]]).forms
    assert found["ICC(3,1)"].value == pytest.approx(1.0)
    assert found["ICC(3,1)"].interval is None
    assert found["ICC(3,1)"].p_value is None
    assert found["ICC(1,1)"].interval is not None


def test_records_with_equal_means_have_no_mean_form() -> None:
    found = intraclass([[1.0, 3.0], [3.0, 1.0], [2.0, 2.0]]).forms
    assert found["ICC(1,k)"].value is None
    assert found["ICC(3,1)"].value == pytest.approx(-1.0)
    assert found["ICC(1,1)"].p_value == pytest.approx(1.0)


@pytest.mark.parametrize("table", [np.empty((0, 2)), np.ones((1, 3)), np.arange(4.0)[:, None]])
def test_too_little_is_said_in_words(table: Any) -> None:
    found = intraclass(table)
    assert found.mean_squares is None
    assert caution_text(found.forms["ICC(2,1)"].warnings[0]).startswith("At least two records")


def test_equal_readings_are_said_in_words() -> None:
    assert caution_text(intraclass(np.full((4, 2), 3.3)).forms["ICC(2,1)"].warnings[0]).startswith(
        "All readings are equal"
    )


def test_missing_readings_are_left_out_and_counted() -> None:
    found = intraclass([[1.0, 1.1], [2.0, np.nan], [3.0, 3.2], [5.0, 4.8]])
    assert found.left_out == 1
    assert found.forms["ICC(1,1)"].n == 3
    assert found.forms["ICC(1,1)"].left_out == {"a reading missing": 1}


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(RequestError, match="1 dimensions"):
        intraclass([1.0, 2.0])
    with pytest.raises(RequestError):
        intraclass([[1.0, 2.0], [2.0, 3.0]], level=95)


def spread_out(table: list[list[int]]) -> tuple[list[str], list[str]]:
    """The two readings that a table of counts stands for."""
    cells = [(str(i), str(j)) for i, row in enumerate(table) for j, n in enumerate(row) for _ in range(n)]
    return [one for one, _ in cells], [two for _, two in cells]


def test_kappa_of_published_tables() -> None:
    # Cohen 1960, Educ Psychol Meas 20:37, two raters of 200 records: 0.492 (from memory)
    assert kappa(*spread_out([[88, 14, 18], [10, 40, 10], [2, 6, 12]])).value == pytest.approx(0.492, abs=5e-4)
    # Fleiss, Cohen & Everitt 1969, Psychol Bull 72:323, n = 200: 0.429, variance 0.002885 (from memory)
    found = kappa(*spread_out([[106, 10, 4], [22, 28, 10], [2, 12, 6]]))
    assert found.value == pytest.approx(0.429, abs=5e-4)
    assert found.interval is not None
    half = (found.interval.high - found.interval.low) / 2.0
    assert (half / 1.959964) ** 2 == pytest.approx(0.002885, abs=1e-6)


def test_weighted_kappa_is_that_of_scikit_learn() -> None:
    first, second = spread_out([[20, 5, 1], [4, 30, 6], [0, 7, 15]])
    found = kappa(first, second, order=("0", "1", "2"))
    assert found.value == pytest.approx(cohen_kappa_score(first, second, weights="quadratic"))


def test_kappa_without_records_or_with_one_class_says_why() -> None:
    assert kappa([], []).warnings[0].code == "nothing_to_class"
    assert kappa(["low"] * 4, ["low"] * 4).warnings[0].code == "one_class_only"
