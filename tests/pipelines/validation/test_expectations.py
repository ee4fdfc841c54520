"""The route through Great Expectations: positions of failing rows, and rules that cannot be evaluated."""

from __future__ import annotations

from functools import partial

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.checking import expectations
from pipelines.checking.expectations import Examiner
from pipelines.checking.rules import Rule
from warehouse.errors import BrokenRuleError


@pytest.fixture(scope="module")
def examiner() -> Examiner:
    return Examiner()


def make_rule(rule_id: str, kind: str, column: str = "a", **arguments: float) -> Rule:
    return Rule(
        id=rule_id,
        table="cases",
        columns=(column,),
        kind=kind,  # type: ignore[arg-type]
        severity="reject",
        reason="Wrong.",
        remedy="Mend.",
        arguments=arguments,
    )


def test_range_blank_and_truth_give_the_positions_of_failing_rows(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [1.0, 9.0, None, 5.0, 9.0], "b": ["x", None, "y", None, "z"]})
    rules = [make_rule("R1", "range", low=2, high=8), make_rule("R2", "required", "b"), make_rule("R3", "check")]
    truths = {"R3": lambda: np.array([True, True, False, True, False])}
    found = examiner.failing(frame, rules, truths)
    assert {rule: positions.tolist() for rule, positions in found.items()} == {
        "R1": [0, 1, 4],
        "R2": [1, 3],
        "R3": [2, 4],
    }


def test_limits_belong_to_the_range(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [2.0, 8.0, 1.9999, 8.0001]})
    assert examiner.failing(frame, [make_rule("R1", "range", low=2, high=8)], {})["R1"].tolist() == [2, 3]


def test_a_column_of_blanks_is_out_of_no_range(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": pl.Series([None, None], dtype=pl.Float64)})
    rules = [make_rule("R1", "range", low=2, high=8), make_rule("R2", "required")]
    found = examiner.failing(frame, rules, {})
    assert found["R1"].tolist() == []
    assert found["R2"].tolist() == [0, 1]


def test_not_a_number_counts_as_blank(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [float("nan"), 3.0]})
    assert examiner.failing(frame, [make_rule("R1", "range", low=2, high=8)], {})["R1"].tolist() == []


def test_two_rules_with_the_same_limits_are_told_apart(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [1.0, 3.0]})
    rules = [make_rule("R1", "range", low=2, high=8), make_rule("R2", "range", low=2, high=8)]
    found = examiner.failing(frame, rules, {})
    assert found["R1"].tolist() == found["R2"].tolist() == [0]


def test_no_rows_fail_nothing(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": pl.Series([], dtype=pl.Float64)})
    assert examiner.failing(frame, [make_rule("R1", "range", low=2, high=8)], {})["R1"].tolist() == []


def test_more_truths_than_fit_into_one_number(examiner: Examiner) -> None:
    names = [f"R{number}" for number in range(70)]
    truths = {name: partial(np.not_equal, np.arange(71), number) for number, name in enumerate(names)}
    frame = pl.DataFrame({"a": np.zeros(71)})
    found = examiner.failing(frame, [make_rule(name, "check") for name in names], truths)
    assert {name: positions.tolist() for name, positions in found.items()} == {
        name: [number] for number, name in enumerate(names)
    }


def test_a_rule_that_cannot_be_evaluated_is_named(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": ["many", "few"]})
    with pytest.raises(BrokenRuleError, match="R7") as broken:
        examiner.failing(frame, [make_rule("R7", "range", low=2, high=8)], {})
    assert "fault of the rule, not of the data" in broken.value.remedy


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    values=st.lists(st.one_of(st.none(), st.floats(-20, 20)), min_size=1, max_size=40),
    many=st.sampled_from([2, 100_000]),
)
def test_answers_equal_a_plain_comparison(
    examiner: Examiner, monkeypatch: pytest.MonkeyPatch, values: list[float | None], many: int
) -> None:
    monkeypatch.setattr(expectations, "MANY", many)
    frame = pl.DataFrame({"a": pl.Series(values, dtype=pl.Float64), "b": pl.Series(values[::-1], dtype=pl.Float64)})
    rules = [
        make_rule("low", "range", low=-5, high=5),
        make_rule("there", "required"),
        make_rule("other", "range", "b", low=0, high=20),
    ]
    found = examiner.failing(frame, rules, {})
    assert found["low"].tolist() == [i for i, v in enumerate(values) if v is not None and not -5 <= v <= 5]
    assert found["there"].tolist() == [i for i, v in enumerate(values) if v is None]
    assert found["other"].tolist() == [i for i, v in enumerate(values[::-1]) if v is not None and not 0 <= v <= 20]
