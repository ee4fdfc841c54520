"""What becomes of rows: good, turned away with every reason, remarked on; and what stops a load."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import polars as pl
import pytest

from pipelines.checking import validation
from pipelines.checking.validation import validate
from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import PROBLEM_COLUMNS, Delivery, Sorted
from warehouse.errors import BrokenRuleError
from warehouse.measures.measure import Measure

Deliver = Callable[..., Delivery]
Measures = Mapping[str, Measure]


def cases(*ids: str | None, **columns: object) -> pl.DataFrame:
    frame = pl.DataFrame({"case_id": pl.Series(ids, dtype=pl.String)})
    said = {"sex": "female", "age_at_start": 12.0, "selection": "consecutive", "status": "in_treatment"}
    return frame.with_columns(
        **{name: pl.lit(value) for name, value in said.items()}, comparison=pl.lit("treated")
    ).with_columns(
        **{name: value if isinstance(value, pl.Series) else pl.lit(value) for name, value in columns.items()}
    )


def values(*rows: tuple[str | None, str, str, float | None]) -> pl.DataFrame:
    frame = pl.DataFrame(rows, schema=["case_id", "timepoint", "measure", "value"], orient="row")
    return frame.with_columns(examiner=pl.lit("E1"), repeat_no=pl.lit(1, dtype=pl.Int64))


def check(deliveries: list[Delivery], catalogue: Measures, known: list[str] | None = None) -> list[Sorted]:
    known_cases = None if known is None else pl.Series(known, dtype=pl.String)
    return validate(deliveries, contract=load_contract(), catalogue=catalogue, known_cases=known_cases)


def reasons(result: Sorted) -> list[tuple[int, str, str | None]]:
    return [(row, rule, found) for row, rule, found in result.turned_away.select("row", "rule", "found").iter_rows()]


def test_nothing_delivered_is_nothing_to_check(few_measures: Measures) -> None:
    assert check([], few_measures) == []


def test_every_reason_of_a_row_is_kept(deliver: Deliver, few_measures: Measures) -> None:
    frame = cases("a", "b", selection=pl.Series([None, "selected"]), age_at_start=pl.Series([130.0, 9.0]))
    (result,) = check([deliver(cases=frame, columns={"age_at_start": "Alter"})], few_measures)
    assert reasons(result) == [(2, "C-age_at_start-range", "130"), (2, "C-selection-required", "a blank cell")]
    assert result.turned_away["column"].to_list() == ["Alter", "selection"]
    assert result.turned_away["case_id"].to_list() == ["a", "a"]
    assert (result.n_good, result.n_turned_away) == (1, 1)
    assert result.good["cases"]["case_id"].to_list() == ["b"]
    assert result.turned_away.columns == result.remarks.columns == [*PROBLEM_COLUMNS, "case_id"]


def test_a_remark_does_not_turn_a_row_away(deliver: Deliver, few_measures: Measures) -> None:
    frame = cases("a", cvm_stage="CS1", age_at_start=33.5)
    (result,) = check([deliver(cases=frame)], few_measures)
    assert result.turned_away.is_empty()
    assert result.remarks.rows() == [
        ("cases", 2, "cvm_stage, age_at_start", "C004", "cvm_stage CS1, age_at_start 33.5", "a")
    ]
    assert result.good["cases"].height == 1


def test_the_remarks_on_a_row_turned_away_stand_with_its_reasons(deliver: Deliver, few_measures: Measures) -> None:
    frame = cases("a", cvm_stage="CS1", age_at_start=33.5, sex=None)
    other = cases("b")
    (result,) = check([deliver(cases=pl.concat([frame, other], how="diagonal_relaxed"))], few_measures)
    assert [rule for _, rule, _ in reasons(result)] == ["C-sex-required", "C004"]
    assert result.remarks.is_empty()


def test_a_cell_not_understood_turns_its_row_away_and_is_not_called_empty(
    deliver: Deliver, few_measures: Measures
) -> None:
    frame = cases("a", "b", sex=pl.Series([None, "male"]))
    problems = [("cases", 2, "Geschlecht", "K002", "a word of 5 letters")]
    (result,) = check([deliver(cases=frame, columns={"sex": "Geschlecht"}, problems=problems)], few_measures)
    assert result.turned_away.rows() == [("cases", 2, "Geschlecht", "K002", "a word of 5 letters", "a")]
    assert (result.n_good, result.n_turned_away) == (1, 1)


def test_every_copy_of_a_case_is_turned_away_and_names_the_others(deliver: Deliver, few_measures: Measures) -> None:
    first = deliver(cases=cases("a", "b", "a"), name="one.csv")
    second = deliver(cases=cases("b", "c"), name="two.csv")
    one, two = check([first, second], few_measures)
    assert reasons(one) == [
        (2, "X-cases-key", "the same in rows 2 of one.csv, 4 of one.csv"),
        (3, "X-cases-key", "the same in rows 3 of one.csv, 2 of two.csv"),
        (4, "X-cases-key", "the same in rows 2 of one.csv, 4 of one.csv"),
    ]
    assert reasons(two) == [(2, "X-cases-key", "the same in rows 3 of one.csv, 2 of two.csv")]
    assert two.good["cases"]["case_id"].to_list() == ["c"]


def test_cases_whose_number_is_blank_are_not_copies_of_each_other(deliver: Deliver, few_measures: Measures) -> None:
    (result,) = check([deliver(cases=cases(None, None, "a"))], few_measures)
    assert [rule for _, rule, _ in reasons(result)] == ["C-case_id-required"] * 2
    assert result.turned_away["case_id"].to_list() == [None, None]


def test_more_copies_than_are_named(deliver: Deliver, few_measures: Measures) -> None:
    (result,) = check([deliver(cases=cases(*"aaaaaaab"))], few_measures)
    assert reasons(result)[0] == (2, "X-cases-key", "the same in rows 2, 3, 4, 5, 6 ...")


def test_rows_of_an_unknown_case_are_turned_away_unless_an_earlier_load_knows_it(
    deliver: Deliver, few_measures: Measures
) -> None:
    visits = pl.DataFrame({"case_id": ["a", "b", "c"], "timepoint": "start", "months_from_start": 0.0})
    results = check([deliver(cases=cases("a")), deliver(visits=visits)], few_measures, known=["c", "z"])
    assert reasons(results[1]) == [(3, "X-visits-case", "no row of this case")]
    assert results[1].good["visits"]["case_id"].to_list() == ["a", "c"]


def test_rows_without_any_cases_are_good_if_all_are_known(deliver: Deliver, few_measures: Measures) -> None:
    (result,) = check([deliver(measurements=values(("c", "start", "sna_deg", 81.0)))], few_measures, known=["c"])
    assert result.n_good == 1


def test_rows_of_a_case_that_is_turned_away_go_with_it(deliver: Deliver, few_measures: Measures) -> None:
    frame = cases("a", "b", "c", status=pl.Series([None, "in_treatment", None]))
    phases = pl.DataFrame({"case_id": ["a", "b", "c"], "phase_no": 1, "appliance_category": "fixed_labial"})
    results = check([deliver(cases=frame), deliver(phases=phases)], few_measures, known=["c"])
    assert reasons(results[1]) == [(2, "X-phases-case-refused", "no row of this case")]
    assert results[1].good["phases"]["case_id"].to_list() == ["b", "c"]


def test_one_value_turned_away_leaves_the_others_of_its_reading(deliver: Deliver, few_measures: Measures) -> None:
    frame = values(("a", "start", "sna_deg", 300.0), ("a", "start", "snb_deg", 78.0), ("a", "finish", "sna_deg", 81.0))
    (_, result) = check([deliver(cases=cases("a")), deliver(measurements=frame)], few_measures)
    assert reasons(result) == [(2, "M-sna_deg-plausible", "300")]
    assert result.turned_away.row(0)[:3] == ("measurements", 2, "value")
    assert result.good["readings"].select("row", "timepoint", "sna_deg", "snb_deg").rows() == [
        (3, "start", None, 78.0),
        (4, "finish", 81.0, None),
    ]
    assert (result.n_good, result.n_turned_away) == (2, 1)


def test_copies_of_a_value_are_each_looked_at(deliver: Deliver, few_measures: Measures) -> None:
    frame = values(("a", "start", "sna_deg", 81.0), ("a", "start", "sna_deg", 300.0), ("a", "start", "snb_deg", 78.0))
    (_, result) = check([deliver(cases=cases("a")), deliver(measurements=frame)], few_measures)
    assert reasons(result) == [
        (2, "X-measurements-key", "the same in rows 2, 3"),
        (3, "M-sna_deg-plausible", "300"),
        (3, "X-measurements-key", "the same in rows 2, 3"),
    ]
    assert result.good["readings"].columns[-1] == "snb_deg"
    assert "sna_deg" not in result.good["readings"].columns


def test_a_contradiction_names_every_value_and_the_likely_cause(deliver: Deliver, few_measures: Measures) -> None:
    frame = values(("a", "start", "sna_deg", 76.0), ("a", "start", "snb_deg", 81.0), ("a", "start", "anb_deg", 5.0))
    (_, result) = check([deliver(cases=cases("a")), deliver(measurements=frame)], few_measures)
    assert set(result.turned_away.select("row", "rule").iter_rows()) == {(row, "M-I4-far") for row in (2, 3, 4)}
    found = result.turned_away["found"][0]
    assert found.startswith("anb_deg 5, sna_deg 76, snb_deg 81; likely: A and B look swapped")
    assert result.n_good == 0
    assert result.good["readings"].is_empty()


def test_readings_of_two_files_stay_apart(deliver: Deliver, few_measures: Measures) -> None:
    one = deliver(measurements=values(("a", "start", "sna_deg", 81.0)))
    two = deliver(measurements=values(("a", "start", "snb_deg", 78.0), ("a", "start", "sn_gogn_deg", 31.0)))
    _, first, second = check([deliver(cases=cases("a")), one, two], few_measures)
    assert first.good["readings"].columns == ["row", "case_id", "timepoint", "examiner", "repeat_no", "sna_deg"]
    assert second.good["readings"].select("snb_deg", "sn_gogn_deg").rows() == [(78.0, 31.0)]


def wide(deliver: Deliver, n: int = 3, **measures: list[float | None]) -> Delivery:
    ids = [f"w{i}" for i in range(n)]
    rows = list(range(5, 5 + n))
    case = cases(*ids, status="finished").with_columns(row=pl.Series(rows))
    phase = pl.DataFrame({"row": rows, "case_id": ids, "phase_no": 1, "appliance_category": "fixed_labial"})
    visit = pl.DataFrame({"row": rows, "case_id": ids, "timepoint": "finish", "months_from_start": 20.0})
    reading = pl.DataFrame(
        {"row": rows, "case_id": ids, "timepoint": "finish", "examiner": "E1", "repeat_no": 1, **measures}
    )
    columns = {"sna_deg_finish": "SNA Ende"}
    return deliver("wide", columns=columns, cases=case, phases=phase, visits=visit, readings=reading)


def test_a_row_of_a_wide_file_goes_as_a_whole(deliver: Deliver, few_measures: Measures) -> None:
    (result,) = check([wide(deliver, sna_deg=[81.0, 300.0, None], snb_deg=[78.0, 78.0, 77.0])], few_measures)
    assert result.turned_away.rows() == [("measurements", 6, "SNA Ende", "M-sna_deg-plausible", "300", "w1")]
    assert {table: frame["row"].to_list() for table, frame in result.good.items()} == {
        "cases": [5, 7],
        "phases": [5, 7],
        "visits": [5, 7],
        "readings": [5, 7],
    }
    assert (result.n_good, result.n_turned_away) == (2, 1)


def test_columns_of_a_wide_file_are_named_as_they_stand_there(deliver: Deliver, few_measures: Measures) -> None:
    delivery = wide(deliver, sna_deg=[81.0, 81.0, 81.0], snb_deg=[78.0, 78.0, 78.0], anb_deg=[3.0, 3.0, -8.0])
    (result,) = check([delivery], few_measures)
    assert set(result.turned_away["column"]) == {"anb_deg_finish", "anb_deg_finish, SNA Ende, snb_deg_finish"}


def test_of_a_value_in_a_wide_file_and_in_a_file_of_values_the_wide_one_is_kept(
    deliver: Deliver, few_measures: Measures
) -> None:
    singles = values(
        ("w0", "finish", "sna_deg", 84.0), ("w0", "start", "sna_deg", 80.0), ("w1", "finish", "snb_deg", 77.0)
    )
    spread, single = check([wide(deliver, sna_deg=[81.0, 82.0, 83.0]), deliver(measurements=singles)], few_measures)
    assert spread.remarks.select("row", "column", "rule").rows() == [(5, None, "X012")]
    assert spread.n_turned_away == 0
    assert reasons(single) == [(2, "X013", "84")]
    assert single.good["readings"].select("case_id", "sna_deg", "snb_deg").rows() == [
        ("w0", 80.0, None),
        ("w1", None, 77.0),
    ]


def test_second_readings_beside_a_wide_file_are_no_copies(deliver: Deliver, few_measures: Measures) -> None:
    second = values(("w0", "finish", "sna_deg", 81.2)).with_columns(repeat_no=pl.lit(2, dtype=pl.Int64))
    spread, single = check([wide(deliver, sna_deg=[81.0, 82.0, 83.0]), deliver(measurements=second)], few_measures)
    assert spread.remarks.is_empty()
    assert single.good["readings"].select("repeat_no", "sna_deg").rows() == [(2, 81.2)]


def test_counts_that_do_not_add_up_stop_the_load(deliver: Deliver, few_measures: Measures) -> None:
    frame = values(("a", "start", "nobody_knows_deg", 81.0), ("a", "start", "sna_deg", 81.0))
    with pytest.raises(BrokenRuleError, match="2 rows were read, but 1 are good and 0 were turned away"):
        check([deliver(cases=cases("a")), deliver(measurements=frame)], few_measures)


def test_a_check_that_fails_to_answer_is_named(
    deliver: Deliver, few_measures: Measures, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        message = "no such thing"
        raise KeyError(message)

    monkeypatch.setattr(validation, "COMPUTED", {"cases": {"teeth_in_both": broken}})
    with pytest.raises(BrokenRuleError, match="C001") as fault:
        check([deliver(cases=cases("a", extracted_teeth="14", absent_teeth="24"))], few_measures)
    assert "KeyError" in fault.value.remedy


def test_a_rule_the_library_cannot_evaluate_is_named(deliver: Deliver, few_measures: Measures) -> None:
    with pytest.raises(BrokenRuleError, match="C-age_at_start-range"):
        check([deliver(cases=cases("a", age_at_start="twelve"))], few_measures)


def test_rules_about_records_are_not_asked_where_none_were_handed_over(
    deliver: Deliver, few_measures: Measures
) -> None:
    (result,) = check([deliver(cases=cases("a", "b", status=pl.Series(["finished", "in_treatment"])))], few_measures)
    assert result.remarks.is_empty()


def test_a_finish_visit_is_enough_where_no_values_were_handed_over(deliver: Deliver, few_measures: Measures) -> None:
    visits = pl.DataFrame({"case_id": ["a", "b"], "timepoint": "finish", "months_from_start": 20.0})
    visits = visits.with_columns(records_taken=pl.Series([None, "no"]))
    frame = cases("a", "b", "c", status="finished")
    result, _ = check([deliver(cases=frame), deliver(visits=visits)], few_measures)
    assert result.remarks.select("row", "rule").rows() == [(3, "X002"), (4, "X002")]
