"""What a mapping does not cover is refused; columns with contract names need no mapping."""

from __future__ import annotations

from typing import Any

import pytest

from pipelines.mapping.column_mapping import identity_mapping
from pipelines.mapping.file_columns import check_columns
from pipelines.mapping.settings import FileSettings
from tests.raw_tables import CONTRACT, WIDE, WIDE_MAPPING, contract_names, mapping_of, raw_table
from warehouse.errors import MappingError
from warehouse.measures.catalogue import CATALOGUE


def refusal(columns: Any, mapping: Any = None) -> str:
    raw = raw_table(columns)
    with pytest.raises(MappingError) as caught:
        check_columns(raw, mapping or contract_names(raw.frame.columns), contract=CONTRACT, catalogue=CATALOGUE)
    return str(caught.value)


def test_contract_names_need_no_mapping() -> None:
    raw = raw_table({**WIDE, "anb_deg_start": ["4", "5"]})
    check_columns(raw, contract_names(raw.frame.columns), contract=CONTRACT, catalogue=CATALOGUE)


def test_every_column_that_is_not_covered_is_listed_with_its_reason() -> None:
    columns = {
        "No": ["1", "2"],
        "Sex": ["m", "f"],
        "Vorname": ["Anna", "Bert"],
        "Kontaktdaten": ["anna@example.org", "bert@example.org"],
        "anb_deg_strt": ["1", "2"],
        "Colour": ["x", "y"],
    }
    message = refusal(columns, mapping_of(WIDE_MAPPING))
    assert '"Vorname": identifying: a personal name' in message
    assert 'column 4 ("…"): identifying: e-mail addresses' in message
    assert '"anb_deg_strt": not a contract name; did you mean anb_deg_start' in message
    assert 'column 6 ("…"): not a contract name' in message
    assert "read by practice.toml" in message
    assert "example.org" not in message
    assert "Bert" not in message


def test_columns_left_out_are_not_listed() -> None:
    raw = raw_table({"No": ["1"], "Sex": ["m"], "Vorname": ["Anna"]})
    mapping = mapping_of(WIDE_MAPPING + '[ignored]\n"Vorname" = "a name"\n"Gone" = "never there"\n')
    check_columns(raw, mapping, contract=CONTRACT, catalogue=CATALOGUE)


def test_a_mapped_column_that_the_file_lacks_is_told() -> None:
    message = refusal({"No": ["1"], "Sexx": ["m"]}, mapping_of(WIDE_MAPPING))
    assert '"Sex": mapped, but the file has no such column; did you mean Sexx' in message
    assert '"Sexx": not a contract name; did you mean sex' in message


def test_without_a_mapping_required_columns_and_double_sources_are_told() -> None:
    columns = {**WIDE, "birth_date": ["2001-01-01"] * 2, "age_at_start": ["12", "13"]}
    del columns["status"]
    message = refusal(columns)
    assert "status: required, but the file has no such column" in message
    assert "birth_date: the age at start would come from two columns" in message
    assert "draft-mapping" in message


def test_a_first_person_in_place_of_headings_is_not_repeated() -> None:
    columns = {"1001": ["1002"], "Bell": ["Marsh"], "Anna Maria": ["Bert"], "12.03.2001": ["01.02.2002"], "sex": ["f"]}
    message = refusal(columns)
    for told in ("1001", "Bell", "Anna", "12.03.2001"):
        assert told not in message
    assert "column 2 (its heading looks like data" in message
    assert "column 4 (its heading looks like a date" in message


@pytest.mark.parametrize(
    ("columns", "layout", "table"),
    [
        (["case_id", "sex", "anb_deg_start"], "wide", None),
        (["case_id", "sex", "status"], "tabular", "cases"),
        (["case_id", "phase_no", "appliance_category"], "tabular", "phases"),
        (["case_id", "timepoint", "mouth_posture"], "tabular", "visits"),
        (["case_id", "timepoint", "measure", "value"], "tabular", "measurements"),
        (["case_id", "timepoint", "view", "landmark", "x", "y"], "points", "landmarks"),
        (["something", "else"], "wide", None),
        ([], "wide", None),
    ],
)
def test_the_layout_is_known_by_the_columns(columns: Any, layout: Any, table: Any) -> None:
    settings = contract_names(columns).settings
    assert (settings.layout, settings.table) == (layout, table)


def test_a_table_known_by_the_name_of_its_file() -> None:
    assert contract_names(["case_id", "timepoint"], "visits").settings.layout == "tabular"
    assert contract_names(["case_id", "x"], "landmarks").settings.layout == "points"


def test_settings_are_kept() -> None:
    settings = FileSettings(decimal=",", practice="HILL")
    mapping = identity_mapping(["case_id"], contract=CONTRACT, catalogue=CATALOGUE, settings=settings)
    assert (mapping.settings.decimal, mapping.settings.practice) == (",", "HILL")
    assert not mapping.stated
    assert mapping.column_of("case_id") == "case_id"
    assert mapping.column_of("sex") == "sex"
