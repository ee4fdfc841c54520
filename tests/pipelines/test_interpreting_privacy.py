"""Whatever identifying text stands in whatever column, none of it gets out: not kept, not shown, not in an error."""

from __future__ import annotations

from string import ascii_lowercase
from typing import Any

import polars as pl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipelines.contract.delivery import Delivery
from pipelines.mapping.file_columns import check_columns
from tests.raw_tables import CONTRACT, contract_names, interpreted, raw_table
from warehouse.errors import MappingError, MentonError
from warehouse.measures.catalogue import CATALOGUE

N = 6
WIDE = {
    "case_id": [f"P{i}" for i in range(N)],
    "sex": ["male", "female"] * 3,
    "birth_date": ["2001-03-12"] * N,
    "start_date": ["2013-04-05"] * N,
    "finish_date": ["2015-04-05"] * N,
    "cvm_stage": ["CS3"] * N,
    "extracted_teeth": ["14 24", "none"] * 3,
    "selection": ["consecutive"] * N,
    "status": ["finished"] * N,
    "comparison": ["treated"] * N,
    "clinician": ["C1", "C2"] * 3,
    "phase_1_appliance_category": ["fixed_labial"] * N,
    "phase_1_months_duration": ["20"] * N,
    "mouth_posture_start": ["open"] * N,
    "anb_deg_start": ["4.5"] * N,
    "anb_deg_finish": ["3.5"] * N,
}
CASES = {
    "case_id": [f"P{i}" for i in range(N)],
    "sex": ["male"] * N,
    "age_at_start": ["12.1"] * N,
    "start_quarter": ["2013-Q2"] * N,
    "selection": ["consecutive"] * N,
    "status": ["finished"] * N,
    "comparison": ["treated"] * N,
}
READINGS = {
    "case_id": ["P1"] * N,
    "timepoint": ["start"] * N,
    "measure": ["anb_deg"] * N,
    "value": ["4.5"] * N,
    "unit": [""] * N,
    "examiner": ["E1"] * N,
    "repeat_no": [str(i + 1) for i in range(N)],
}
POINTS = {
    "case_id": ["P1"] * N,
    "timepoint": ["start"] * N,
    "view": ["lateral_radiograph"] * N,
    "landmark": ["S", "N", "Go", "Me", "Gn", "Po"],
    "x": ["1.5"] * N,
    "y": ["1.5"] * N,
    "unit": ["mm"] * N,
    "y_axis": ["up"] * N,
    "faces": ["right"] * N,
}
FILES = [WIDE, CASES, READINGS, POINTS]

WORDS = st.text(ascii_lowercase, min_size=4, max_size=12).map(str.capitalize)
NAMES = st.one_of(
    WORDS,
    st.builds("{} {}".format, WORDS, WORDS),
    st.builds("{}, {}".format, WORDS, WORDS),
    st.builds("Dr. {}".format, WORDS),
    st.sampled_from(["Zoë Müller", "Seán Ó Briain", "LI WEI", "anna bell", "Stuart", "Lowery", "Malle", "Finnish"]),
)
EMAILS = st.builds("{}@{}.example".format, WORDS.map(str.lower), WORDS.map(str.lower))
# ranges that regulators keep free for drama: 01632 960xxx (United Kingdom) and 555-01xx (North America)
PHONES = st.integers(0, 999).flatmap(
    lambda n: st.sampled_from([f"01632 960{n:03d}", f"+44 1632 960{n:03d}", f"555-010-{n:04d}"])
)
DATES = st.dates().map(lambda day: day.strftime("%d.%m.%Y"))
RECORDS = st.integers(10_000, 99_999_999).flatmap(lambda n: st.sampled_from([f"A-{n}", f"PAT{n}", f"{n}/7"]))
PLANTED = st.one_of(NAMES, EMAILS, PHONES, DATES, RECORDS)


def everything(delivery: Delivery) -> str:
    frames = [*delivery.tables.values(), delivery.problems]
    told = [repr(delivery.assumptions), repr(delivery.columns), delivery.practice]
    return "\n".join([*(frame.write_csv() for frame in frames), *told])


CLEAN = "\n".join(everything(interpreted(columns)) for columns in FILES)


@settings(deadline=None, max_examples=120)
@given(
    columns=st.sampled_from(FILES),
    data=st.data(),
    planted=PLANTED,
    rows=st.sets(st.integers(0, N - 1), min_size=1),
)
def test_planted_text_gets_out_nowhere(columns: Any, data: Any, planted: Any, rows: Any) -> None:
    assume(planted not in CLEAN)
    name = data.draw(st.sampled_from(list(columns)))
    cells = [planted if i in rows else cell for i, cell in enumerate(columns[name])]
    try:
        told = everything(interpreted({**columns, name: cells}))
    except MentonError as error:
        told = str(error)
    assert planted not in told


@settings(deadline=None, max_examples=60)
@given(planted=PLANTED, heading=PLANTED)
def test_a_column_that_is_not_mapped_is_refused_without_a_cell_or_a_data_heading(planted: Any, heading: str) -> None:
    columns = {**CASES, heading: [planted] * N}
    raw = raw_table(columns)
    with pytest.raises(MappingError) as caught:
        check_columns(raw, contract_names(raw.frame.columns), contract=CONTRACT, catalogue=CATALOGUE)
    assert planted not in str(caught.value) or planted in heading
    if not heading.isalpha() and not heading.islower():
        assert heading not in str(caught.value)


@settings(deadline=None, max_examples=60)
@given(st.lists(PLANTED, min_size=N, max_size=N))
def test_a_column_of_clinicians_is_never_kept_as_names(names: Any) -> None:
    with pytest.raises(MappingError) as caught:
        interpreted({**CASES, "clinician": names})
    assert '"clinician", mapped to clinician, holds' in str(caught.value)
    assert not any(name in str(caught.value) for name in names)


def refusal(columns: dict[str, list[str]], name: str, cells: list[str]) -> str:
    with pytest.raises(MappingError) as caught:
        interpreted({**columns, name: cells})
    return str(caught.value)


def test_one_name_among_pseudonyms_refuses_the_file() -> None:
    message = refusal(CASES, "clinician", ["C1", "C2", "Dr Anna Bell", "C1", "C1", "C1"])
    assert "holds what look like personal names" in message
    assert "give each spelling a pseudonym" in message
    assert "Bell" not in message
    assert "words where pseudonyms belong" in refusal(CASES, "clinician", ["C1", "C2", "bell", "C1", "C1", "C1"])


@pytest.mark.parametrize(
    ("cell", "holds"),
    [
        ("anna@mail.example", "e-mail addresses"),
        ("01632 960123", "telephone numbers"),
        ("www.bell.example", "web addresses"),
    ],
)
@pytest.mark.parametrize("name", ["sex", "anb_deg_start", "extracted_teeth", "clinician"])
def test_one_contact_in_any_mapped_column_refuses_the_file(name: str, cell: Any, holds: Any) -> None:
    message = refusal(WIDE, name, [cell, *WIDE[name][1:]])
    assert f'"{name}", mapped to {name}, holds {holds}' in message
    assert cell not in message


def test_names_or_dates_in_most_cells_of_a_code_column_refuse_the_file() -> None:
    names = ["Anna Bell", "Bert Marsh", "Cara Dunn", "Dora Fell", "male", "male"]
    assert "what look like personal names" in refusal(WIDE, "sex", names)
    dates = [f"{day}.03.2010" for day in range(1, 7)]
    assert "full dates" in refusal(WIDE, "sex", dates)


def test_an_unknown_spelling_in_most_cells_is_a_matter_for_the_mapping() -> None:
    delivery = interpreted({**WIDE, "phase_1_appliance_category": ["Fixed Appliance"] * 4 + ["Twin Block"] * 2})
    assert delivery.problems["rule"].to_list() == ["K002"] * 6


def test_one_name_in_a_column_of_numbers_is_turned_away_and_not_shown() -> None:
    delivery = interpreted({**WIDE, "anb_deg_start": ["Anna Bell", *WIDE["anb_deg_start"][1:]]})
    assert delivery.problems.select("rule", "found").rows() == [("K001", "text of 9 characters")]


def test_every_column_of_words_is_refused_at_once() -> None:
    columns = {**READINGS, "examiner": ["Anna Bell"] * N, "unit": ["anna@mail.example"] * N}
    with pytest.raises(MappingError) as caught:
        interpreted(columns)
    assert '"examiner"' in str(caught.value)
    assert '"unit"' in str(caught.value)


def test_case_numbers_may_be_anything_for_they_are_hashed() -> None:
    delivery = interpreted({**CASES, "case_id": [f"Anna Bell {i}" for i in range(N)]})
    assert delivery.problems.height == 0
    assert delivery.tables["cases"]["case_id"].str.contains("^[0-9a-f]{24}$").all()


def test_nothing_kept_is_free_text() -> None:
    for columns in FILES:
        for table in interpreted(columns).tables.values():
            for name, dtype in table.schema.items():
                if dtype == pl.String and name not in ("case_id", "extracted_teeth", "start_quarter"):
                    assert table[name].drop_nulls().str.len_chars().le(20).all()
