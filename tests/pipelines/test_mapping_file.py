"""Mapping files: what is right loads, what is wrong is told with its place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipelines.mapping.mapping_file import load_mapping
from tests.raw_tables import CONTRACT, WIDE_MAPPING, mapping_of
from warehouse.errors import MappingError
from warehouse.measures.catalogue import CATALOGUE, load_own_measures

FULL = """
[file]
layout = "wide"
practice = "HARBOUR"
encoding = "cp1252"
delimiter = ";"
decimal = ","
date_order = "dmy"
header_row = 2
sheet = "Cases"
skip_totals = false

[columns]
" Nr " = "case_id"
"Geschl." = "sex"
"Geb." = "birth_date"
"Beginn" = "start_date"
"Ende" = "date_finish"
"ANB 1" = "anb_deg_start"
"ANB 2" = "anb_deg_finish"
"ANB 2b" = "anb_deg_finish_repeat2"
"OJ" = "overjet_mm_start"
"Ex" = "extracted_teeth"
"Wer" = "clinician"
"Apparat" = "phase_1_appliance_category"

[codes.sex]
"W" = "female"
"?" = ""

[codes.extracted_teeth]
"4er" = "24 14 34 44"

[codes.clinician]
"Chef" = "c1"

[codes."ANB 1"]
"999" = ""

[units]
"OJ" = "cm"

[constants]
selection = "consecutive"
status = "finished"
comparison = "treated"
gonion_kind_start = "constructed"
age_at_start = 12.5

[ignored]
"Vorname" = "a name"
"""


def without(line: str) -> str:
    assert line in FULL
    return FULL.replace(line, "")


def refused(text: str) -> MappingError:
    with pytest.raises(MappingError) as caught:
        mapping_of(text)
    return caught.value


GOOD = without("age_at_start = 12.5\n")


def test_a_full_mapping_loads() -> None:
    mapping = mapping_of(GOOD)
    assert mapping.origin == "practice.toml"
    assert {column: target.name for column, target in mapping.columns.items()} == {
        "Nr": "case_id",
        "Geschl.": "sex",
        "Geb.": "birth_date",
        "Beginn": "start_date",
        "Ende": "finish_date",
        "ANB 1": "anb_deg_start",
        "ANB 2": "anb_deg_finish",
        "ANB 2b": "anb_deg_finish_repeat2",
        "OJ": "overjet_mm_start",
        "Ex": "extracted_teeth",
        "Wer": "clinician",
        "Apparat": "phase_1_appliance_category",
    }
    assert mapping.codes == {
        "sex": {"w": "female", "?": ""},
        "extracted_teeth": {"4er": "14 24 34 44"},
        "clinician": {"chef": "C1"},
        "ANB 1": {"999": ""},
    }
    assert mapping.units == {"OJ": "cm"}
    assert mapping.constants["gonion_kind_start"].value == "constructed"
    assert mapping.ignored == {"Vorname": "a name"}


def test_the_settings_of_the_file_reach_the_reader() -> None:
    read = mapping_of(GOOD).settings.read_settings()
    assert (read.encoding, read.delimiter, read.decimal) == ("cp1252", ";", ",")
    assert (read.header_row, read.sheet, read.skip_totals) == (2, "Cases", False)


def test_a_mapping_is_loaded_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_text("\ufeff" + GOOD, encoding="utf-8")
    assert load_mapping(path, contract=CONTRACT, catalogue=CATALOGUE).settings.practice == "HARBOUR"


def test_a_mapping_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(MappingError, match="cannot be read"):
        load_mapping(tmp_path / "none.toml", contract=CONTRACT, catalogue=CATALOGUE)
    (tmp_path / "m.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(MappingError, match="cannot be read"):
        load_mapping(tmp_path / "m.toml", contract=CONTRACT, catalogue=CATALOGUE)


def test_own_measures_widen_the_names(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        '[[measure]]\ncode = "tongue_space_mm"\nlabel = "Tongue space"\ndefinition = "Tongue to palate."\nunit = "mm"\n'
        'plausible = [0, 40]\nusual = [2, 25]\nup_means = "lower tongue"\nsign = 0\nsource = "practice protocol"\n',
        encoding="utf-8",
    )
    text = WIDE_MAPPING.replace('"Sex" = "sex"', '"Sex" = "sex"\n"T" = "tongue_space_mm_finish"')
    assert 'no contract name "tongue_space_mm_finish"' in str(refused(text))
    own = CATALOGUE.with_own(load_own_measures(path))
    mapping_file = tmp_path / "m.toml"
    mapping_file.write_text(text, encoding="utf-8")
    assert load_mapping(mapping_file, contract=CONTRACT, catalogue=own).columns["T"].unit == "mm"


@pytest.mark.parametrize(
    ("line", "instead", "where", "told"),
    [
        ("[units]", "[unit]", "[unit]", "did you mean units"),
        ('decimal = ","', 'decimal = ";"', "[file] decimal", 'one of ".", ","'),
        ('date_order = "dmy"', 'date_order = "dym"', "[file] date_order", '"dmy"'),
        ("header_row = 2", "header_row = 0", "[file] header_row", "a row number from 1"),
        ("header_row = 2", "header_row = true", "[file] header_row", "a row number from 1"),
        ("skip_totals = false", 'skip_totals = "no"', "[file] skip_totals", "true or false"),
        ('sheet = "Cases"', "sheet = 3", "[file] sheet", "a text in quotes"),
        ('sheet = "Cases"', 'shet = "Cases"', "[file] shet", "did you mean sheet"),
        ('layout = "wide"', 'layout = "broad"', "[file] layout", '"tabular"'),
        ('layout = "wide"', 'layout = "wide"\ntable = "cases"', "[file] table", "does not go with"),
        ('practice = "HARBOUR"', 'practice = "Lantern Bay"', "[file] practice", "capital letters"),
        ('"anb_deg_start"', '"amb_deg_start"', '[columns] "ANB 1"', "did you mean anb_deg_start"),
        ('"anb_deg_start"', '"qqqq"', '[columns] "ANB 1"', "menton template"),
        ('"anb_deg_start"', "7", '[columns] "ANB 1"', "not a name in quotes"),
        ('"anb_deg_finish"', '"anb_deg_start"', '[columns] "ANB 2"', 'two columns go to anb_deg_start: "ANB 1"'),
        ('"Geschl." = "sex"', '"Nr" = "sex"', '[columns] "Nr"', "mapped twice"),
        ('"Geschl." = "sex"', "", "[columns] sex", "required"),
        (
            '"Geb." = "birth_date"',
            '"Age" = "age_at_start"\n"Geb." = "birth_date"',
            "[columns] birth_date",
            "two columns",
        ),
        (
            '"Beginn" = "start_date"',
            '"Q" = "start_quarter"\n"Beginn" = "start_date"',
            "[columns] start_date",
            "two columns",
        ),
        (
            '"Ende" = "date_finish"',
            '"Ende" = "date_finish"\n"M" = "months_from_start_finish"',
            "[columns] finish_date",
            "two",
        ),
        ("[codes.sex]", "[codes.sexx]", "[codes.sexx]", "did you mean sex"),
        ("[codes.sex]", "[codes]\nmolar_class = 3\n[codes.sex]", "[codes] molar_class", "not a section"),
        ('"W" = "female"', '"W" = "femal"', "[codes.sex] entry 1", "did you mean female"),
        ('"W" = "female"', '"W" = true', "[codes.sex] entry 1", "one of male"),
        ('"W" = "female"', '"W" = "female"\n" w" = "male"', "[codes.sex] entry 2", "twice"),
        ('"24 14 34 44"', '"UR4"', "[codes.extracted_teeth] entry 1", "tooth codes"),
        ('"c1"', '"Dr Anna Bell"', "[codes.clinician] entry 1", "single letter"),
        ('"999" = ""', '"999" = "0"', "[codes.ANB 1] entry 1", 'the empty text ""'),
        ('"OJ" = "cm"', '"OJ" = "degrees"', '[units] "OJ"', "one of mm, cm"),
        ('"OJ" = "cm"', '"OJ" = 3', '[units] "OJ"', "one of mm, cm"),
        ('"OJ" = "cm"', '"ANB 3" = "cm"', '[units] "ANB 3"', "did you mean ANB"),
        ('"OJ" = "cm"', '"Geschl." = "cm"', '[units] "Geschl."', "sex has no unit"),
        ('status = "finished"', 'status = "fnished"', "[constants] status", "did you mean finished"),
        ('status = "finished"', "status = true", "[constants] status", "one of finished"),
        ('status = "finished"', 'status = "finished"\nstatsu = "x"', "[constants] statsu", "did you mean status"),
        ('status = "finished"', 'status = "finished"\nsex = "male"', "[constants] sex", 'the column "Geschl."'),
        (
            'status = "finished"',
            'status = "finished"\nprogress_date = "x"',
            "[constants] progress_date",
            "same for every row",
        ),
        ('"Vorname" = "a name"', '"Vorname" = ""', '[ignored] "Vorname"', "why it is left out"),
        ('"Vorname" = "a name"', '"OJ" = "a name"', '[ignored] "OJ"', "mapped and left out"),
        ("[ignored]", "ignored = 3\n[x]", "[x]", "does not exist"),
    ],
)
def test_each_fault_is_told_with_file_and_key(line: Any, instead: Any, where: Any, told: Any) -> None:
    assert line in GOOD
    error = refused(GOOD.replace(line, instead))
    assert where in error.where
    assert error.where.startswith("practice.toml")
    assert told in str(error)


def test_two_sources_of_the_age_through_a_constant() -> None:
    assert "two columns, age_at_start and birth_date" in str(refused(FULL))


def test_a_date_of_birth_needs_a_start_date() -> None:
    error = refused(without('"Beginn" = "start_date"').replace("age_at_start = 12.5\n", ""))
    assert "[columns] birth_date" in error.where
    assert "[columns] finish_date" in error.where
    assert "start_date" in str(error)


def test_every_fault_is_told_at_once() -> None:
    error = refused(GOOD.replace('"OJ" = "cm"', '"OJ" = "ell"').replace('"W" = "female"', '"W" = "x"'))
    assert "2 things are wrong" in error.found
    assert '[units] "OJ"' in error.where
    assert "[codes.sex] entry 1" in error.where


def test_a_key_that_stands_twice_is_told_without_repeating_it() -> None:
    error = refused('[columns]\n"Anna Bell" = "case_id"\n"Anna Bell" = "sex"\n')
    assert "a key stands twice (at line 3" in error.found
    assert "Anna" not in str(error)
    assert "it cannot be read (at line 1" in refused("[columns\n").found


def test_a_wrong_code_is_not_repeated_where_it_could_be_a_name() -> None:
    assert "Bell" not in str(refused(GOOD.replace('"c1"', '"Dr Anna Bell"')))


def tabular(table: str, columns: str, more: str = "") -> str:
    return f'[file]\nlayout = "tabular"\ntable = "{table}"\n{more}[columns]\n{columns}'


READINGS = '"No" = "case_id"\n"T" = "timepoint"\n"M" = "measure"\n"V" = "value"\n'


def test_tabular_names_are_those_of_the_table() -> None:
    mapping = mapping_of(
        tabular("measurements", READINGS) + '[codes.timepoint]\n"8" = "start"\n[codes.measure]\n"a" = "anb_deg"\n'
    )
    assert [target.name for target in mapping.columns.values()] == ["case_id", "timepoint", "measure", "value"]
    assert mapping.codes["measure"] == {"a": "anb_deg"}
    assert 'no contract name "anb_deg_start"' in str(
        refused(tabular("measurements", READINGS + '"A" = "anb_deg_start"\n'))
    )


def test_a_unit_for_all_values_of_a_table_of_readings() -> None:
    assert mapping_of(tabular("measurements", READINGS) + '[units]\n"V" = "cm"\n').units == {"V": "cm"}
    assert "no such unit" in str(refused(tabular("measurements", READINGS) + '[units]\n"V" = "ell"\n'))
    assert "no such unit" in str(refused(tabular("measurements", READINGS) + '[units]\n"V" = 3\n'))


def test_a_measure_can_be_the_same_in_every_row() -> None:
    columns = READINGS.replace('"M" = "measure"\n', "")
    mapping = mapping_of(tabular("measurements", columns) + '[constants]\nmeasure = "anb_deg"\nrepeat_no = 2\n')
    assert mapping.constants["measure"].value == "anb_deg"
    assert mapping.constants["repeat_no"].value == 2
    assert "does not fit" in str(refused(tabular("measurements", columns) + '[constants]\nmeasure = "anb"\n'))


def test_tables_and_layouts_must_go_together() -> None:
    assert "needs its table" in str(refused('[file]\nlayout = "tabular"\n'))
    assert "did you mean cases" in str(refused('[file]\ntable = "case"\n'))
    assert "does not go with the layout points" in str(refused('[file]\nlayout = "points"\ntable = "visits"\n'))
    assert (
        mapping_of(tabular("phases", '"a" = "case_id"\n"b" = "phase_no"\n"c" = "appliance_category"\n')).settings.table
        == "phases"
    )


POINTS = "".join(
    f'"{name}" = "{name}"\n'
    for name in ("case_id", "timepoint", "view", "landmark", "x", "y", "unit", "y_axis", "faces")
)


def test_a_table_of_points_is_found_by_layout_or_table() -> None:
    for line in ('layout = "points"', 'table = "landmarks"'):
        settings = mapping_of(f"[file]\n{line}\n[columns]\n{POINTS}").settings
        assert (settings.layout, settings.table) == ("points", "landmarks")


def test_codes_of_landmarks_and_units() -> None:
    start = f'[file]\nlayout = "points"\n[columns]\n{POINTS}'
    assert mapping_of(start + '[codes.landmark]\n"1" = "Sn"\n').codes["landmark"] == {"1": "Sn"}
    assert "one of S, N" in str(refused(start + '[codes.landmark]\n"1" = "SN"\n'))
    readings = tabular("measurements", READINGS + '"U" = "unit"\n')
    assert mapping_of(readings + '[codes.unit]\n"z" = "Zentimeter"\n').codes["unit"] == {"z": "cm"}
    assert "no codes" in str(refused(readings + '[codes.case_id]\n"1" = "2"\n'))
    assert "no codes" in str(refused(readings + '[codes.case_id]\n"1" = ""\n'))


def test_visit_dates_of_a_tabular_file() -> None:
    columns = '"a" = "case_id"\n"b" = "timepoint"\n"c" = "date"\n'
    assert mapping_of(tabular("visits", columns)).columns["c"].name == "date"
    assert "two columns" in str(refused(tabular("visits", columns + '"d" = "months_from_start"\n')))
