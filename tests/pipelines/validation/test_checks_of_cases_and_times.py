"""Checks on cases, phases and visits at their limits."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl
import pytest

Holds = Callable[..., list[bool]]


def cases(**columns: list[object]) -> pl.DataFrame:
    n = len(next(iter(columns.values())))
    return pl.DataFrame({"case_id": [f"c{i}" for i in range(n)], **columns})


def visits(*rows: tuple[str, str, float | None]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=["case_id", "timepoint", "months_from_start"], orient="row")


def phases(*rows: tuple[str, int, float | None, float | None]) -> pl.DataFrame:
    names = ["case_id", "phase_no", "months_from_start", "months_duration"]
    return pl.DataFrame(rows, schema=names, orient="row").with_columns(appliance_category=pl.lit("fixed_labial"))


def test_a_tooth_is_not_both_extracted_and_absent(holds: Holds) -> None:
    frame = cases(extracted_teeth=["14 24", "14 24", "none", None], absent_teeth=["15", "24 34", "none", "14"])
    assert holds("C001", cases=frame) == [True, False, True, True]


def test_permanent_teeth_are_extracted_from_the_age_of_six(holds: Holds) -> None:
    frame = cases(extracted_teeth=["16", "16", "55", "none", None], age_at_start=[5.99, 6.0, 5.0, 4.0, 4.0])
    assert holds("C002", cases=frame) == [False, True, True, True, True]


def test_deciduous_teeth_are_extracted_until_the_age_of_eighteen(holds: Holds) -> None:
    frame = cases(extracted_teeth=["53 14", "53", "14", "85"], age_at_start=[18.01, 18.0, 40.0, None])
    assert holds("C003", cases=frame) == [False, True, True, True]


def test_vertebral_stages_have_their_ages(holds: Holds) -> None:
    frame = cases(cvm_stage=["CS1", "CS1", "CS6", "CS6", "CS3", None], age_at_start=[14.0, 14.1, 9.9, 10.0, None, 3.0])
    assert holds("C004", cases=frame) == [True, False, False, True, True, True]


def test_starts_before_1950_are_slips(holds: Holds) -> None:
    frame = cases(start_quarter=["1949-Q4", "1950-Q1", "2020-Q3", None])
    assert holds("C005", cases=frame) == [False, True, True, True]


def test_an_untreated_comparison_keeps_its_teeth(holds: Holds) -> None:
    frame = cases(comparison=["untreated", "untreated", "treated"], extracted_teeth=["14", "none", "14"])
    assert holds("C006", cases=frame) == [False, True, True]


def test_phases_begin_in_the_order_of_their_numbers(holds: Holds) -> None:
    frame = phases(("a", 2, 3.0, 9.0), ("a", 1, 4.0, 9.0), ("b", 1, 0.0, 9.0), ("b", 2, 0.0, 9.0), ("c", 1, 0.0, 9.0))
    assert holds("P001", phases=frame) == [False, True, True, True, True]


def test_phase_numbers_run_on_from_one(holds: Holds) -> None:
    frame = phases(("a", 1, 0.0, 6.0), ("a", 2, 6.0, 6.0), ("a", 4, 12.0, 6.0), ("b", 2, 0.0, 6.0), ("c", 1, 0.0, 6.0))
    assert holds("P002", phases=frame) == [True, True, False, False, True]


def test_phases_overlap_by_six_months_at_most(holds: Holds) -> None:
    frame = phases(("a", 1, 0.0, 12.0), ("a", 2, 6.0, 9.0), ("b", 1, 0.0, 12.0), ("b", 2, 5.9, 9.0))
    assert holds("P003", phases=frame) == [True, True, True, False]


def test_phases_lie_five_years_apart_at_most(holds: Holds) -> None:
    frame = phases(("a", 1, 0.0, 12.0), ("a", 2, 72.0, 9.0), ("b", 1, 0.0, 12.0), ("b", 2, 72.1, 9.0))
    assert holds("P004", phases=frame) == [True, True, True, False]


def test_a_phase_of_a_case_that_is_not_told_has_nothing_before_it(holds: Holds) -> None:
    frame = phases(("a", 1, 9.0, 6.0), ("a", 2, 3.0, 6.0)).with_columns(case_id=pl.lit(None, dtype=pl.String))
    assert holds("P001", phases=frame) == [True, True]


def test_a_phase_ends_within_six_months_of_the_finish(holds: Holds) -> None:
    frame = phases(("a", 1, 0.0, 26.0), ("b", 1, 0.0, 26.1), ("c", 1, 0.0, 90.0))
    at_finish = visits(("a", "finish", 20.0), ("b", "finish", 20.0), ("c", "start", 0.0))
    assert holds("X008", phases=frame, visits=at_finish) == [True, False, True]
    assert holds("X008", phases=frame, visits=at_finish.drop("months_from_start")) == [True, True, True]


def test_finish_is_later_than_start(holds: Holds) -> None:
    frame = visits(
        ("a", "start", 0.0), ("a", "finish", 0.0), ("b", "finish", 0.5), ("c", "start", 2.0), ("c", "finish", 2.0)
    )
    assert holds("V001", visits=frame) == [True, False, True, True, False]


def test_start_records_lie_at_the_start(holds: Holds) -> None:
    frame = visits(("a", "start", 3.0), ("b", "start", 3.1), ("c", "finish", 20.0), ("d", "start", None))
    assert holds("V002", visits=frame) == [True, False, True, True]


@pytest.mark.parametrize(("months", "right"), [(0.0, False), (0.1, True), (19.9, True), (20.0, False)])
def test_progress_lies_between_start_and_finish(holds: Holds, months: float, right: bool) -> None:
    frame = visits(("a", "start", 0.0), ("a", "finish", 20.0), ("a", "progress", months))
    assert holds("V003", visits=frame) == [True, True, right]


def test_progress_without_a_finish_is_not_asked_for_one(holds: Holds) -> None:
    assert holds("V003", visits=visits(("a", "start", 0.0), ("a", "progress", 90.0))) == [True, True]


def test_follow_up_is_later_than_finish_or_else_than_start(holds: Holds) -> None:
    frame = visits(("a", "finish", 20.0), ("a", "follow_up", 20.0), ("b", "follow_up", 0.0), ("c", "follow_up", 9.0))
    assert holds("V004", visits=frame) == [True, False, False, True]


def test_observed_time_is_three_months_to_ten_years(holds: Holds) -> None:
    frame = visits(*[(f"c{i}", "finish", months) for i, months in enumerate([2.9, 3.0, 120.0, 120.1])])
    assert holds("V005", visits=frame) == [False, True, True, False]


@pytest.mark.parametrize(("rule", "column"), [("V006", "gonion_kind"), ("V007", "porion_kind")])
def test_landmarks_are_marked_as_at_start(holds: Holds, rule: str, column: str) -> None:
    frame = visits(
        ("a", "start", 0.0), ("a", "finish", 9.0), ("b", "start", 0.0), ("b", "finish", 9.0), ("c", "finish", 9.0)
    )
    frame = frame.with_columns(pl.Series(column, ["anatomic", "other", "anatomic", None, "other"]))
    assert holds(rule, visits=frame) == [True, False, True, True, True]
