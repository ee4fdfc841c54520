"""A file of one row a case, turned into contract tables."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.contract.delivery import ReadingAssumption
from pipelines.interpreting.interpret import interpret
from tests.raw_tables import (
    CONTRACT,
    KEYER,
    TODAY,
    WIDE,
    WIDE_MAPPING,
    contract_names,
    interpreted,
    mapping_of,
    problems,
    raw_table,
)
from warehouse.errors import MappingError
from warehouse.measures.catalogue import CATALOGUE

FULL = {
    **WIDE,
    "case_id": ["A1", "A2"],
    "age_at_start": ["11.256", "91"],
    "extracted_teeth": ["24, 14", "none"],
    "start_quarter": ["2020-Q1", ""],
    "clinician": ["c1", "C2"],
    "phase_1_appliance_category": ["fixed_labial", ""],
    "phase_1_arch": ["both", ""],
    "phase_2_appliance_category": ["clear aligner", ""],
    "months_from_start_finish": ["24", ""],
    "gonion_kind_start": ["constructed", ""],
    "anb_deg_start": ["4.5", "3"],
    "anb_deg_finish": ["3.5", ""],
    "anb_deg_finish_repeat2": ["3.7", ""],
    "overjet_mm_start": ["7", ""],
}


def tables(columns: Any = None, mapping: Any = None) -> Any:
    return interpreted(columns or FULL, mapping).tables


def column(table: Any, name: str) -> Any:
    return table[name].to_list()


def test_cases_have_every_kept_contract_column_typed() -> None:
    cases = tables()["cases"]
    assert cases.columns == ["row", *(one.name for one in CONTRACT.table("cases").columns if one.kept)]
    assert "birth_date" not in cases.columns
    assert cases.schema["age_at_start"] == pl.Float64
    assert cases.schema["row"] == pl.UInt32
    assert {str(cases.schema[name]) for name in ("sex", "cvm_stage", "extracted_teeth", "start_quarter")} == {"String"}
    assert column(cases, "row") == [2, 3]
    assert column(cases, "case_id") == [KEYER.key("HARBOUR", "a1"), KEYER.key("HARBOUR", "a2")]
    assert column(cases, "extracted_teeth") == ["14 24", "none"]
    assert column(cases, "clinician") == ["C1", "C2"]
    assert column(cases, "cvm_stage") == [None, None]


def test_ages_have_two_decimals_and_stop_at_90() -> None:
    delivery = interpreted(FULL)
    assert column(delivery.tables["cases"], "age_at_start") == [11.26, 90.0]
    assert (
        ReadingAssumption("age at start", "1 above 90 kept as 90", "older ages single out a person")
        in delivery.assumptions
    )


def test_impossible_ages_are_left_for_the_rules() -> None:
    cases = tables({**WIDE, "age_at_start": ["90", "130"], "anb_deg_start": ["1", "2"]})["cases"]
    assert column(cases, "age_at_start") == [90.0, 130.0]


def test_phases_where_a_cell_of_the_phase_is_filled() -> None:
    phases = tables()["phases"]
    assert phases.select("row", "phase_no", "appliance_category", "arch", "months_duration").rows() == [
        (2, 1, "fixed_labial", "both", None),
        (2, 2, "clear_aligner", None, None),
    ]
    assert phases.schema["phase_no"] == pl.Int64


def test_visits_where_a_field_or_a_measure_of_the_time_is_filled() -> None:
    visits = tables()["visits"]
    assert visits.select("row", "timepoint", "months_from_start", "records_taken", "gonion_kind").rows() == [
        (2, "start", 0.0, "yes", "constructed"),
        (3, "start", 0.0, "yes", None),
        (2, "finish", 24.0, "yes", None),
    ]


def test_records_taken_is_what_the_file_says_where_it_says_it() -> None:
    columns = {
        **WIDE,
        "records_taken_start": ["yes", "no"],
        "anb_deg_start": ["1", ""],
        "mouth_posture_finish": ["open", ""],
        "anb_deg_finish": ["", ""],
    }
    visits = tables(columns)["visits"]
    assert visits.select("row", "timepoint", "records_taken", "mouth_posture").rows() == [
        (2, "start", "yes", None),
        (3, "start", "no", None),
        (2, "finish", "no", "open"),
    ]


def test_readings_by_time_and_repeat() -> None:
    readings = tables()["readings"]
    assert readings.columns == ["row", "case_id", "timepoint", "examiner", "repeat_no", "anb_deg", "overjet_mm"]
    assert readings.drop("case_id").rows() == [
        (2, "start", "E1", 1, 4.5, 7.0),
        (3, "start", "E1", 1, 3.0, None),
        (2, "finish", "E1", 1, 3.5, None),
        (2, "finish", "E1", 2, 3.7, None),
    ]


def test_repeated_readings_alone_make_a_visit() -> None:
    made = tables({**WIDE, "anb_deg_start_repeat2": ["1", ""]})
    assert made["visits"].select("row", "records_taken").rows() == [(2, "yes")]
    assert made["readings"].select("row", "repeat_no").rows() == [(2, 2)]


def test_a_file_without_measures_or_phases_has_empty_tables_of_the_right_form() -> None:
    made = tables({**WIDE, "mouth_posture_start": ["open", ""]})
    assert made["readings"].columns == ["row", "case_id", "timepoint", "examiner", "repeat_no"]
    assert made["readings"].height == 0
    assert made["phases"].height == 0
    assert made["phases"].columns[:4] == ["row", "case_id", "phase_no", "appliance_category"]


def test_a_file_without_rows_gives_tables_without_rows() -> None:
    empty = {name: pl.Series([], dtype=pl.String) for name in FULL}
    delivery = interpreted(empty)
    assert delivery.n_read == 0
    assert [table.height for table in delivery.tables.values()] == [0, 0, 0, 0]
    assert delivery.problems.columns == ["table", "row", "column", "rule", "found"]


DATES = {
    **WIDE,
    "birth_date": ["2001-03-12", "2000-11-25"],
    "start_date": ["2013-04-05", "2012-08-07"],
    "finish_date": ["2015-05-06", ""],
    "anb_deg_start": ["1", "2"],
}


def test_dates_become_age_quarter_and_months() -> None:
    delivery = interpreted(DATES)
    cases, visits = delivery.tables["cases"], delivery.tables["visits"]
    first_age = (date(2013, 4, 5) - date(2001, 3, 12)).days / 365.25
    months = (date(2015, 5, 6) - date(2013, 4, 5)).days / 30.4375
    assert column(cases, "age_at_start") == [round(first_age, 2), 11.7]
    assert column(cases, "start_quarter") == ["2013-Q2", "2012-Q3"]
    assert visits.filter(timepoint="finish").select("row", "months_from_start", "records_taken").rows() == [
        (2, round(months, 2), "no")
    ]
    assert not any(dtype.is_temporal() for table in delivery.tables.values() for dtype in table.dtypes)


def test_dates_that_contradict_each_other() -> None:
    columns = {**DATES, "birth_date": ["2014-01-01", "2000-11-25"], "finish_date": ["2013-04-04", "2011-01-01"]}
    delivery = interpreted(columns)
    assert problems(delivery) == [
        (2, "birth_date", "K009", "a date of birth after the start date"),
        (2, "finish_date", "K009", "a date before the start date"),
        (3, "finish_date", "K009", "a date before the start date"),
    ]
    assert column(delivery.tables["cases"], "age_at_start") == [None, 11.7]


def test_a_date_without_a_start_date_cannot_be_used() -> None:
    columns = {**DATES, "start_date": ["", "2012-08-07"]}
    assert problems(interpreted(columns)) == [(2, "birth_date", "K011", "a date"), (2, "finish_date", "K011", "a date")]


@settings(deadline=None, max_examples=30)
@given(st.dates(date(1950, 1, 1), date(2005, 1, 1)), st.dates(date(2005, 1, 1), TODAY))
def test_ages_are_days_over_365_and_a_quarter(born: Any, started: Any) -> None:
    columns = {**WIDE, "birth_date": [born, born], "start_date": [started, started]}
    mapping = contract_names(list(columns), "cases")
    age = interpreted(columns, mapping).tables["cases"]["age_at_start"][0]
    assert age == pytest.approx((started - born).days / 365.25, abs=0.00501)


def test_an_ambiguous_order_of_dates_must_be_stated() -> None:
    columns = {"No": ["1", "2"], "Sex": ["m", "f"], "B": ["05.04.2013", "07.08.2012"]}
    text = WIDE_MAPPING.replace('"Sex" = "sex"', '"Sex" = "sex"\n"B" = "start_date"')
    with pytest.raises(MappingError, match="say date_order") as caught:
        interpreted(columns, text)
    assert '"B"' in caught.value.found
    assert "2013" not in str(caught.value)
    day_first = interpreted(columns, '[file]\ndate_order = "dmy"\n' + text)
    assert column(day_first.tables["cases"], "start_quarter") == ["2013-Q2", "2012-Q3"]
    month_first = interpreted(columns, '[file]\ndate_order = "mdy"\n' + text)
    assert column(month_first.tables["cases"], "start_quarter") == ["2013-Q2", "2012-Q3"]
    assert ReadingAssumption('dates in "B"', "month, day, year", "the mapping file says so") in month_first.assumptions


def test_an_order_that_the_dates_show_is_taken_and_recorded() -> None:
    columns = {**WIDE, "start_date": ["05.04.2013", "17.08.2012"], "anb_deg_start": ["1", "2"]}
    delivery = interpreted(columns)
    assert column(delivery.tables["cases"], "start_quarter") == ["2013-Q2", "2012-Q3"]
    assert (
        ReadingAssumption('dates in "start_date"', "day, month, year", "the first part is above 12 somewhere")
        in delivery.assumptions
    )


def test_dates_in_both_orders_are_refused() -> None:
    columns = {**WIDE, "start_date": ["25.04.2013", "04.25.2012"], "anb_deg_start": ["1", "2"]}
    with pytest.raises(MappingError, match="both orders occur"):
        interpreted(columns)


def test_the_decimal_mark_is_taken_from_mapping_reader_or_file() -> None:
    comma = {**WIDE, "anb_deg_start": ["4,5", "3"]}
    seen = interpreted(comma)
    assert column(seen.tables["readings"], "anb_deg") == [4.5, 3.0]
    assert (
        ReadingAssumption("decimal mark", "comma", "the numbers of the file use it, and no other") in seen.assumptions
    )
    point = ReadingAssumption("decimal", ".", "seen by the reader")
    assert column(interpreted(comma, assumptions=(point,)).tables["readings"], "anb_deg") == [4.5, 3.0]
    open_reader = ReadingAssumption("decimal", "mixed", "seen by the reader")
    assert column(interpreted(comma, assumptions=(open_reader,)).tables["readings"], "anb_deg") == [4.5, 3.0]


def test_two_decimal_marks_are_read_and_an_unclear_one_must_be_stated() -> None:
    mixed = {**WIDE, "anb_deg_start": ["4,5", "3.0"]}
    assert column(interpreted(mixed).tables["readings"], "anb_deg") == [4.5, 3.0]
    with pytest.raises(MappingError, match="thousands separators"):
        interpreted({**WIDE, "anb_deg_start": ["4,500", "3,250"]})
    columns = {"No": ["1", "2"], "Sex": ["m", "f"], "A": ["4,5", "3.000"]}
    text = '[file]\ndecimal = ","\n' + WIDE_MAPPING.replace('"Sex" = "sex"', '"Sex" = "sex"\n"A" = "anb_deg_start"')
    assert problems(interpreted(columns, text)) == [(3, "A", "K001", "3.000")]


def test_numbers_without_a_mark_assume_nothing() -> None:
    assert interpreted({**WIDE, "anb_deg_start": ["4", "3"]}).assumptions == ()


def test_cells_that_cannot_be_understood_are_described() -> None:
    columns = {
        **FULL,
        "sex": ["femal", "male"],
        "anb_deg_start": ["4.5", "Bellamy"],
        "start_quarter": ["2020-1", ""],
        "extracted_teeth": ["14 99", "UR4"],
        "clinician": ["C1?", "C2"],
        "phase_1_appliance_category": ["fixed_labial", "Twin"],
    }
    delivery = interpreted(columns)
    assert set(problems(delivery)) == {
        (2, "sex", "K002", 'a spelling close to "female"'),
        (2, "extracted_teeth", "K005", "text of 5 characters"),
        (2, "start_quarter", "K008", "text of 6 characters"),
        (2, "clinician", "K010", "text of 3 characters"),
        (3, "extracted_teeth", "K005", "text of 3 characters"),
        (3, "phase_1_appliance_category", "K002", "a word of 4 letters"),
        (3, "anb_deg_start", "K001", "a word of 7 letters"),
    }
    assert set(delivery.problems["table"]) == {"cases", "phases", "measurements"}
    assert column(delivery.problems, "row") == sorted(column(delivery.problems, "row"))


def test_columns_are_named_as_the_file_names_them() -> None:
    columns = {"No": ["1"], "Sex": ["x"]}
    delivery = interpreted(columns, WIDE_MAPPING)
    assert problems(delivery) == [(2, "Sex", "K002", 'a word often used for "other"')]
    assert delivery.columns == {"case_id": "No", "sex": "Sex"}


def test_constants_fill_every_row_but_make_no_visit() -> None:
    text = WIDE_MAPPING.replace('"Sex" = "sex"', '"Sex" = "sex"\n"A" = "anb_deg_start"')
    text += (
        'gonion_kind_start = "anatomic"\ngonion_kind_finish = "anatomic"\nphase_1_appliance_category = "fixed_labial"\n'
    )
    delivery = interpreted({"No": ["1", "2"], "Sex": ["m", "f"], "A": ["4", ""]}, text)
    assert column(delivery.tables["cases"], "selection") == ["consecutive", "consecutive"]
    assert delivery.tables["visits"].select("row", "timepoint", "gonion_kind").rows() == [(2, "start", "anatomic")]
    assert column(delivery.tables["phases"], "appliance_category") == ["fixed_labial", "fixed_labial"]
    assert (
        ReadingAssumption("selection of every row", "consecutive", "the mapping file says so") in delivery.assumptions
    )


def test_units_codes_and_columns_left_out_are_recorded() -> None:
    text = WIDE_MAPPING.replace('"Sex" = "sex"', '"Sex" = "sex"\n"OJ" = "overjet_mm_start"')
    text += '[units]\n"OJ" = "cm"\n[ignored]\n"Vorname" = "a name"\n[codes.sex]\n"w" = "female"\n'
    columns = {"No": ["1", "2"], "Sex": ["w", "n/a"], "OJ": ["0.7", "N/A"], "Vorname": ["Anna", "Bert"]}
    delivery = interpreted(columns, text)
    assert column(delivery.tables["readings"], "overjet_mm") == [7.0]
    assert column(delivery.tables["cases"], "sex") == ["female", None]
    assert [(one.about, one.taken) for one in delivery.assumptions] == [
        ("decimal mark", "point"),
        ("columns left out", "1 column"),
        ("selection of every row", "consecutive"),
        ("status of every row", "finished"),
        ("comparison of every row", "treated"),
        ('unit of "OJ"', "cm"),
        ('"n/a" in 2 cells', "not known"),
    ]


def test_the_file_as_read_is_carried_on() -> None:
    before = ReadingAssumption("encoding", "cp1252", "not UTF-8")
    delivery = interpreted(FULL, assumptions=(before,))
    assert delivery.assumptions[0] == before
    assert (delivery.n_read, delivery.layout, delivery.practice) == (2, "wide", "HARBOUR")
    assert delivery.source.name == "cases.csv"


def test_a_practice_must_be_a_pseudonym() -> None:
    raw = raw_table(FULL)
    mapping = contract_names(raw.frame.columns)
    with pytest.raises(MappingError, match="pseudonym"):
        interpret(raw, mapping, contract=CONTRACT, catalogue=CATALOGUE, practice="Dr Bell", keyer=KEYER)


def test_the_day_of_the_clock_is_taken_where_none_is_given() -> None:
    raw = raw_table({**WIDE, "start_quarter": ["2999-Q1", "2000-Q1"], "anb_deg_start": ["1", "2"]})
    mapping = contract_names(raw.frame.columns)
    delivery = interpret(raw, mapping, contract=CONTRACT, catalogue=CATALOGUE, practice="HARBOUR", keyer=KEYER)
    assert problems(delivery) == [(2, "start_quarter", "K009", "text of 7 characters")]


def test_typed_columns_give_the_same_as_text() -> None:
    text = interpreted({**WIDE, "start_date": ["2013-04-05"] * 2, "anb_deg_start": ["4.5", "3"]})
    typed = interpreted({**WIDE, "case_id": [1, 2], "start_date": [date(2013, 4, 5)] * 2, "anb_deg_start": [4.5, 3.0]})
    for name, table in text.tables.items():
        assert table.equals(typed.tables[name])


def test_a_mapping_by_column_gives_the_same_as_contract_names() -> None:
    given = {"Nr": FULL["case_id"], "Geschlecht": ["m", "w"], "ANB vor": FULL["anb_deg_start"]}
    text = WIDE_MAPPING.replace('"No"', '"Nr"').replace(
        '"Sex" = "sex"', '"Geschlecht" = "sex"\n"ANB vor" = "anb_deg_start"'
    )
    mapped = interpreted(given, mapping_of(text + '[codes."Geschlecht"]\n"w" = "female"\n'))
    plain = interpreted(
        {**WIDE, "case_id": FULL["case_id"], "status": ["finished"] * 2, "anb_deg_start": FULL["anb_deg_start"]}
    )
    for name, table in plain.tables.items():
        assert table.equals(mapped.tables[name])
