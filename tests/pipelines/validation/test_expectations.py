"""The route through Great Expectations: positions of failing rows, and rules that cannot be evaluated."""

from __future__ import annotations

import math
import subprocess
import sys

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.checking import validation as expectations
from pipelines.checking.rules import Rule
from pipelines.checking.validation import Examiner
from warehouse.errors import BrokenRuleError


def make_rule(rule_id: str, kind: str, column: str = "a", than: str = "", **arguments: object) -> Rule:
    return Rule(
        id=rule_id,
        table="cases",
        columns=(column,),
        kind=kind,  # type: ignore[arg-type]
        severity="reject",
        reason="Wrong.",
        remedy="Mend.",
        value=column if than else "",
        than=than,
        arguments=arguments,
    )


def failing(examiner: Examiner, frame: pl.DataFrame, rules: list[Rule]) -> dict[str, list[int]]:
    found = examiner.failing(rules, lambda rule: frame.select(**rule.judged()))
    return {rule: positions.tolist() for rule, positions in found.items()}


def test_range_blank_and_truth_give_the_positions_of_failing_rows(examiner: Examiner) -> None:
    frame = pl.DataFrame(
        {
            "a": [1.0, 9.0, None, 5.0, 9.0],
            "b": ["x", None, "y", None, "z"],
            "c": [True, None, False, True, False],
        }
    )
    rules = [
        make_rule("R1", "range", low=2, high=8),
        make_rule("R2", "required", "b"),
        make_rule("R3", "holds", "c"),
        make_rule("R4", "range", low=2),
        make_rule("R5", "range", high=8),
        make_rule("R6", "among", "b", values=["x", "y"]),
        make_rule("R7", "without", "b", pattern="[yz]"),
    ]
    assert failing(examiner, frame, rules) == {
        "R1": [0, 1, 4],
        "R2": [1, 3],
        "R3": [2, 4],
        "R4": [0],
        "R5": [1, 4],
        "R6": [4],
        "R7": [2, 4],
    }


def test_every_copy_of_a_value_is_not_unique(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [7, None, 2**62, 2**62 + 1, 7, None, 7]})
    assert failing(examiner, frame, [make_rule("R1", "unique"), make_rule("R2", "required")]) == {
        "R1": [0, 4, 6],
        "R2": [1, 5],
    }


def test_a_column_beside_a_longer_one_gets_no_copies(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [7, 8, None, None], "b": [1.0, 2.0, 3.0, 9.0]})
    assert failing(examiner, frame, [make_rule("R1", "unique"), make_rule("R2", "range", "b", low=2, high=8)]) == {
        "R1": [],
        "R2": [0, 3],
    }


def test_each_of_the_rules_that_are_asked_together_keeps_its_own_limits(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [1.0, 5.0, None, 9.0], "b": [9.0, 1.0, 5.0, None]})
    rules = [
        make_rule("R1", "range", low=2, high=8),
        make_rule("R2", "range", "b", low=2),
        make_rule("R3", "range", "b", high=4),
        make_rule("R4", "range", within=4),
    ]
    assert failing(examiner, frame, rules) == {"R1": [0, 3], "R2": [1], "R3": [0, 2], "R4": [1, 3]}


def test_pairs_with_a_blank_are_not_asked(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [1.0, 2.0, 3.0, None, 2.0, 2.0], "b": [1.0, 1.0, 4.0, 1.0, None, 1.0]})
    rules = [
        make_rule("R1", "above", "a", "b"),
        make_rule("R2", "above", "a", "b", or_equal=True),
        make_rule("R3", "equal", "a", "b"),
    ]
    assert failing(examiner, frame, rules) == {"R1": [0, 2], "R2": [2], "R3": [1, 2, 5]}


def test_limits_belong_to_the_range(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [2.0, 8.0, 1.9999, 8.0001]})
    assert failing(examiner, frame, [make_rule("R1", "range", low=2, high=8)])["R1"] == [2, 3]


def test_a_column_of_blanks_is_out_of_no_range(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": pl.Series([None, None], dtype=pl.Float64)})
    rules = [make_rule("R1", "range", low=2, high=8), make_rule("R2", "required")]
    found = failing(examiner, frame, rules)
    assert found["R1"] == []
    assert found["R2"] == [0, 1]


def test_not_a_number_counts_as_blank(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [float("nan"), 3.0]})
    assert failing(examiner, frame, [make_rule("R1", "range", low=2, high=8)])["R1"] == []


def test_two_rules_with_the_same_limits_are_told_apart(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": [1.0, 3.0]})
    rules = [make_rule("R1", "range", low=2, high=8), make_rule("R2", "range", low=2, high=8)]
    found = failing(examiner, frame, rules)
    assert found["R1"] == found["R2"] == [0]


def test_no_rows_fail_nothing(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": pl.Series([], dtype=pl.Float64)})
    assert failing(examiner, frame, [make_rule("R1", "range", low=2, high=8)])["R1"] == []


def test_more_rules_than_are_asked_at_once(examiner: Examiner) -> None:
    names = [f"R{number}" for number in range(70)]
    frame = pl.DataFrame({name: [row != number for row in range(71)] for number, name in enumerate(names)})
    rules = [make_rule(name, "holds", name) for name in names]
    assert failing(examiner, frame, rules) == {name: [number] for number, name in enumerate(names)}


def test_a_rule_that_cannot_be_evaluated_is_named(examiner: Examiner) -> None:
    frame = pl.DataFrame({"a": ["many", "few"]})
    with pytest.raises(BrokenRuleError, match="R7") as broken:
        failing(examiner, frame, [make_rule("R7", "range", low=2, high=8)])
    assert "fault of the rule, not of the data" in broken.value.remedy


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    values=st.lists(st.one_of(st.none(), st.floats(-20, 20)), min_size=1, max_size=40),
    sizes=st.sampled_from([(1, 2), (2, 100_000), (1_000, 100_000)]),
)
def test_answers_equal_a_plain_comparison(
    examiner: Examiner, monkeypatch: pytest.MonkeyPatch, values: list[float | None], sizes: tuple[int, int]
) -> None:
    monkeypatch.setattr(expectations, "SIZES", sizes)
    frame = pl.DataFrame({"a": pl.Series(values, dtype=pl.Float64), "b": pl.Series(values[::-1], dtype=pl.Float64)})
    rules = [
        make_rule("low", "range", low=-5, high=5),
        make_rule("there", "required"),
        make_rule("other", "range", "b", low=0, high=20),
    ]
    found = failing(examiner, frame, rules)
    assert found["low"] == [i for i, v in enumerate(values) if v is not None and not -5 <= v <= 5]
    assert found["there"] == [i for i, v in enumerate(values) if v is None]
    assert found["other"] == [i for i, v in enumerate(values[::-1]) if v is not None and not 0 <= v <= 20]


def test_what_no_rule_asks_for_is_not_loaded_and_works_when_it_is_asked_for() -> None:
    script = (
        "import sys\n"
        "from pipelines.checking.validation import NOT_ASKED, Examiner\n"
        "Examiner()\n"
        "assert not set(NOT_ASKED) & set(sys.modules), set(NOT_ASKED) & set(sys.modules)\n"
        "from great_expectations.expectations.core import expect_column_kl_divergence_to_be_less_than as asked\n"
        "print(asked.stats.entropy([0.5, 0.5], [0.25, 0.75]))\n"
        "import altair, scipy.stats\n"
        "print(scipy.stats.entropy is asked.stats.entropy, altair.Chart is asked.alt.Chart)\n"
        "print(scipy.stats.norm.cdf(1.96))\n"
    )
    said = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True).stdout.split()
    # Kullback-Leibler divergence by its definition: 0.5 ln 2 + 0.5 ln(2/3)
    assert float(said[0]) == pytest.approx(0.5 * math.log(2) + 0.5 * math.log(2 / 3))
    assert said[1:3] == ["True", "True"]
    assert float(said[3]) == pytest.approx(0.975, abs=1e-5)  # a table of the normal distribution: 1.96 leaves 2.5%
