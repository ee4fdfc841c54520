"""Drafts of mapping files: what is certain is mapped, what is not is left to the user, nothing identifying is told."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from pipelines.drafting.draft import draft_mapping
from pipelines.drafting.names import WideNames
from pipelines.drafting.writing import draft_text, left_to_do
from tests.raw_tables import CONTRACT, interpreted, mapping_of, raw_table
from warehouse.errors import BadFileError
from warehouse.measures.catalogue import CATALOGUE, load_own_measures

NAMES = WideNames(CONTRACT, CATALOGUE)


def drafted(columns: Any, measures: Any = CATALOGUE) -> Any:
    return draft_mapping(raw_table(columns), contract=CONTRACT, catalogue=measures)


def text_of(columns: Any) -> Any:
    return draft_text(drafted(columns), contract=CONTRACT)


def lines(columns: Any) -> Any:
    return {line.column: line for line in drafted(columns).lines}


@pytest.mark.parametrize(
    ("heading", "name"),
    [
        ("sn_gogn_deg_start", "sn_gogn_deg_start"),
        ("SN-GoGn T1", "sn_gogn_deg_start"),
        ("Alter T2", "age_finish"),
        ("SN/GoGn (post)", "sn_gogn_deg_finish"),
        ("GoGn-SN before", "sn_gogn_deg_start"),
        ("SN-GoMe Ende", "sn_gome_deg_finish"),
        ("FMA pre", "fma_deg_start"),
        ("FMA [°] after treatment", "fma_deg_finish"),
        ("ANB Anfang", "anb_deg_start"),
        ("ANB Abschluss", "anb_deg_finish"),
        ("ANB avant", "anb_deg_start"),
        ("ANB après", "anb_deg_finish"),
        ("ANB vor Behandlung", "anb_deg_start"),
        ("ANB nach Behandlung", "anb_deg_finish"),
        ("ANB follow-up", "anb_deg_follow_up"),
        ("ANB post retention", "anb_deg_follow_up"),
        ("ANB Zwischenbefund", "anb_deg_progress"),
        ("OJ vorher", "overjet_mm_start"),
        ("overjet (mm) T2", "overjet_mm_finish"),
        ("Sagittale Stufe Beginn", "overjet_mm_start"),
        ("Surplomb initiale", "overjet_mm_start"),
        ("Überbiss T1", "overbite_mm_start"),
        ("NL-NSL T1", "sn_pp_deg_start"),
        ("ML-NL T2", "mmpa_deg_finish"),
        ("Gonionwinkel Anf.", "gonial_deg_start"),
        ("Jarabak ratio % start", "jarabak_pct_start"),
        ("LAFH mm T1", "lafh_mm_start"),
        ("ANS-Me T1", "lafh_mm_start"),
        ("Wits appraisal final", "wits_mm_finish"),
        ("U1-SN T1", "u1_sn_deg_start"),
        ("U1 to NL T1", "u1_pp_deg_start"),
        ("IMPA T1", "impa_deg_start"),
        ("Interincisal angle T1", "interincisal_deg_start"),
        ("PAR UK pre", "par_uk_points_start"),
        ("Little index post", "irregularity_mm_finish"),
        ("Pat.-Nr.", "case_id"),
        ("Case No", "case_id"),
        ("Geschlecht", "sex"),
        ("Alter bei Beginn", "age_at_start"),
        ("Alter T1", "age_at_start"),
        ("Geburtsdatum", "birth_date"),
        ("Behandlungsbeginn", "start_date"),
        ("Datum Anfang", "start_date"),
        ("Abschlussdatum", "finish_date"),
        ("Datum T2", "finish_date"),
        ("Extraktionen", "extracted_teeth"),
        ("Gerät", "phase_1_appliance_category"),
        ("Appliance 2", "phase_2_appliance_category"),
        ("Appliance2", "phase_2_appliance_category"),
        ("Mundhaltung T1", "mouth_posture_start"),
        ("Snoring T2", "sleep_breathing_concern_finish"),
        ("Magnification start", "magnification_pct_start"),
        ("CVM", "cvm_stage"),
        ("Angle-Klasse", "molar_class"),
    ],
)
def test_headings_that_say_one_thing(heading: str, name: str) -> None:
    match = NAMES.match(heading)
    assert (match.names, match.why) == ((name,), "")


@pytest.mark.parametrize(
    ("heading", "names", "why"),
    [
        ("SN-MP Anf.", ("sn_gogn_deg_start", "sn_gome_deg_start"), "the variant is not stated"),
        ("ML-NSL T2", ("sn_gogn_deg_finish", "sn_gome_deg_finish"), "the variant is not stated"),
        ("MPA T1", ("fma_deg_start", "sn_gogn_deg_start", "sn_gome_deg_start"), "the reference is not stated"),
        ("Y axis T1", ("y_axis_fh_deg_start", "y_axis_sn_deg_start"), "two quantities"),
        (
            "LAFH % T1",
            ("lafh_direct_pct_start", "lafh_perpendicular_pct_start", "lower_third_pct_start"),
            "more than one",
        ),
        ("PAR T1", ("par_uk_points_start",), "weights are not stated"),
        ("ANB", ("anb_deg_start", "anb_deg_finish"), "start or at finish"),
        ("ANB1", ("anb_deg_start", "anb_deg_finish"), "the figure 1 means"),
        ("ANB T1 T2", ("anb_deg_start", "anb_deg_finish"), "more than one time"),
        ("ANB mm T1", ("anb_deg_start",), "the heading says mm"),
        ("Dauer", ("phase_1_months_duration", "months_from_start_start"), "several columns"),
        ("Mundhaltung", ("mouth_posture_start", "mouth_posture_progress"), "start or at finish"),
        ("Gerät Anfang", ("phase_1_appliance_category",), "which phase"),
        ("Ende", ("finish_date", "records_taken_finish"), "names a time"),
    ],
)
def test_headings_that_say_several_things_are_left_to_the_user(heading: str, names: Any, why: Any) -> None:
    match = NAMES.match(heading)
    assert not match.sure
    assert match.names[: len(names)] == names
    assert why in match.why


@pytest.mark.parametrize("heading", ["Colour", "CVM Ende", "Zahnzahl", "ANB T0"])
def test_headings_that_say_nothing(heading: str) -> None:
    assert NAMES.match(heading).names == ()


def test_with_a_t0_the_other_numbers_are_unclear() -> None:
    match = NAMES.match("ANB T1", t_numbers_unclear=True)
    assert match.names[0] == "anb_deg_start"
    assert "T0" in match.why
    found = lines({"ANB T0": ["1.5"], "ANB T1": ["2.5"], "Sex": ["m"]})
    assert found["ANB T1"].kind == "unsure"
    assert found["ANB T0"].kind == "unknown"
    assert "no time of that number" in found["ANB T0"].why


def test_own_measures_are_known_by_code_and_label(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        '[[measure]]\ncode = "tongue_space_mm"\nlabel = "Tongue space"\ndefinition = "Tongue to palate."\nunit = "mm"\n'
        'plausible = [0, 40]\nusual = [2, 25]\nup_means = "lower tongue"\nsign = 0\nsource = "practice protocol"\n',
        encoding="utf-8",
    )
    own = CATALOGUE.with_own(load_own_measures(path))
    assert WideNames(CONTRACT, own).match("Tongue space T1").names == ("tongue_space_mm_start",)


MESSY = {
    "Pat.-Nr.": ["1001", "1002", "1003", "1004"],
    "Vorname": ["Anna", "Bert", "Cora", "Dora"],
    "Geschl.": ["w", "m", "W", "weibl"],
    "Geb.-Datum": ["12.03.2001", "25.11.2000", "01.02.2002", "02.02.2002"],
    "Behandlungsbeginn": ["05.04.2013", "07.08.2012", "19.09.2013", "01.10.2013"],
    "Abschlussdatum": ["06.05.2015", "01.02.2015", "", ""],
    "SN-MP Anf.": ["32,5", "28,0", "35,5", "30,1"],
    "ANB Anf.": ["4,5", "2,0", "5,0", "-"],
    "ANB Ende": ["3,0", "1,5", "", ""],
    "Gerät": [" Multiband ", "Aligner", "Dreiteiler", "Dreiteiler"],
    "Extraktionen": ["14, 24", "keine", "14 24 34 44", "4er"],
    "Behandler": ["Dr Bell", "Dr Bell", "Dr Marsh", "Dr Bell"],
    "Bemerkung": ["war krank", "", "", ""],
    "Kürzel": ["anna@mail.example", "", "", ""],
    "Status": ["abgeschlossen", "abgeschlossen", "laufend", "laufend"],
    "Farbe": ["rot", "grün", "rot", "blau"],
}


def test_a_draft_of_a_messy_file() -> None:
    draft = drafted(MESSY)
    assert {line.column: line.names[0] for line in draft.lines if line.kind == "mapped"} == {
        "Pat.-Nr.": "case_id",
        "Geschl.": "sex",
        "Geb.-Datum": "birth_date",
        "Behandlungsbeginn": "start_date",
        "Abschlussdatum": "finish_date",
        "ANB Anf.": "anb_deg_start",
        "ANB Ende": "anb_deg_finish",
        "Gerät": "phase_1_appliance_category",
        "Extraktionen": "extracted_teeth",
        "Status": "status",
    }
    assert {line.column: line.why for line in draft.lines if line.kind == "identifying"} == {
        "Vorname": "a personal name",
        "Bemerkung": "free text",
        "Kürzel": "e-mail addresses",
    }
    assert [line.column for line in draft.lines if line.kind == "unsure"] == ["SN-MP Anf.", "Behandler"]
    assert [line.column for line in draft.lines if line.kind == "unknown"] == ["Farbe"]
    assert (draft.decimal, draft.date_order, draft.layout) == (",", "dmy", "wide")
    assert [target.name for target in draft.missing] == ["selection", "comparison"]


def test_codes_are_mapped_where_a_word_fits_and_left_where_none_does() -> None:
    text = text_of(MESSY)
    assert '"w" = "female"' in text
    assert '"m" = "male"' in text
    assert '"weibl" = "female"' in text
    assert "# understood as they are: none, 14 24, 14 24 34 44" not in text
    assert '"multiband" = "fixed_labial"' in text
    assert '"aligner" = "clear_aligner"' in text
    assert '"abgeschlossen" = "finished"' in text
    assert '# "dreiteiler" = "?"   # 2 cells, first in row 4' in text
    assert '# "4er" = "?"   # 1 cell, first in row 5' in text
    assert max(map(len, text.splitlines())) <= 100


def test_a_draft_repeats_no_cell_that_could_identify() -> None:
    text = text_of(MESSY)
    for told in (
        "Anna",
        "Bell",
        "Marsh",
        "krank",
        "mail.example",
        "1001",
        "12.03.2001",
    ):
        assert told not in text


def test_a_draft_says_what_is_left_to_do() -> None:
    todo = left_to_do(drafted(MESSY))
    assert todo == [
        "decide about 3 columns",
        "give 2 spellings a code, or correct the cells",
        "give what is required and has no column: selection, comparison",
    ]
    assert "#   - decide about 3 columns" in text_of(MESSY)


def corrected(text: str) -> str:
    """A draft as the user corrects it."""
    text = text.replace('# "SN-MP Anf." = "sn_gogn_deg_start"', '"SN-MP Anf." = "sn_gogn_deg_start"')
    text = text.replace('# "Behandler" =', '"Behandler" =')
    text = text.replace('# "dreiteiler" = "?"', '"dreiteiler" = "functional_removable"')
    text = text.replace('# "4er" = "?"', '"4er" = "14 24 34 44"')
    text = text.replace("[codes.sex]", '[codes.clinician]\n"Dr Bell" = "C1"\n"Dr Marsh" = "C2"\n[codes.sex]')
    text = text.replace("\n[constants]", '\n[constants]\nselection = "consecutive"\ncomparison = "treated"')
    return text.replace("\n[ignored]", '\n[ignored]\n"Farbe" = "not used"')


def test_a_draft_loads_and_once_corrected_gives_the_same_as_a_clean_file() -> None:
    with_gaps = text_of(MESSY)
    assert set(tomllib.loads(with_gaps)) == {"file", "columns", "codes", "ignored", "constants"}
    messy = interpreted(MESSY, mapping_of(corrected(with_gaps)))
    clean = interpreted(
        {
            "case_id": ["1001", "1002", "1003", "1004"],
            "sex": ["female", "male", "female", "female"],
            "birth_date": ["2001-03-12", "2000-11-25", "2002-02-01", "2002-02-02"],
            "start_date": ["2013-04-05", "2012-08-07", "2013-09-19", "2013-10-01"],
            "finish_date": ["2015-05-06", "2015-02-01", "", ""],
            "sn_gogn_deg_start": ["32.5", "28.0", "35.5", "30.1"],
            "anb_deg_start": ["4.5", "2.0", "5.0", ""],
            "anb_deg_finish": ["3.0", "1.5", "", ""],
            "phase_1_appliance_category": [
                "fixed_labial",
                "clear_aligner",
                "functional_removable",
                "functional_removable",
            ],
            "extracted_teeth": ["14 24", "none", "14 24 34 44", "14 24 34 44"],
            "clinician": ["C1", "C1", "C2", "C1"],
            "status": ["finished", "finished", "in_treatment", "in_treatment"],
            "selection": ["consecutive"] * 4,
            "comparison": ["treated"] * 4,
        }
    )
    assert messy.problems.is_empty()
    for name, table in clean.tables.items():
        assert table.equals(messy.tables[name]), name


PLAIN = {"case_id": ["1", "2", "3"], "sex": ["m", "f", "m"], "anb_deg_start": ["1.5", "2.5", "3.5"]}


def test_a_file_with_contract_names_leaves_only_what_is_missing() -> None:
    todo = left_to_do(drafted(PLAIN))
    assert todo == ["give what is required and has no column: selection, status, comparison"]
    done = {**PLAIN, "selection": ["selected"] * 3, "status": ["finished"] * 3, "comparison": ["treated"] * 3}
    assert left_to_do(drafted(done)) == []
    text = text_of(done)
    assert "# Nothing is left to decide" in text
    assert interpreted(done, mapping_of(text)).problems.is_empty()


def why(name: str, cells: list[object]) -> str:
    line = lines({**PLAIN, name: cells})[name]
    return line.why if line.kind == "unsure" else line.kind


def test_content_raises_doubts() -> None:
    assert why("SNA T1", ["a", "b", "80"]) == "only 1 of 3 filled cells are numbers"
    assert why("SNA T1", ["5", "6", "80"]) == "only 33% of the values lie within 60 to 105 degrees"
    assert "if they are in fraction" in why("Jarabak T1", ["0.62", "0.65", "0.6"])
    assert "if they are in radians" in why("SNA T1", [1.4, 1.45, 1.5])
    assert why("Facial axis T1", ["-1", "2", "0"]).startswith("only 0%")
    assert why("Alter", ["11", "12", "13"]) == "mapped"
    assert why("Alter", ["1100", "1200", "13"]).startswith("only 33%")
    assert why("Extraktionen", ["ja", "nein", "ja"]) == "mapped"
    assert why("Extraktionen", ["rot", "blau", "rot"]) == "only 0 of 3 filled cells are tooth codes"
    assert why("DOB", ["12", "13", "14"]) == "only 0 of 3 filled cells are dates"
    assert why("DOB", ["12.3.04", "1.1.05", "2.1.99"]) == "only 0 of 3 filled cells are dates; a year needs four digits"
    assert why("Quarter", ["1", "2", "3"]) == "only 0 of 3 filled cells are quarters"
    assert why("Behandler", ["C1", "C2", "C1"]) == "mapped"
    assert "not pseudonyms" in why("Behandler", ["Dr Bell", "C2", "C1"])
    assert why("SNA T1", ["", "", ""]) == "mapped"


def test_a_number_of_a_case_that_repeats_is_doubted() -> None:
    assert "stand in many rows" in lines({"Case": ["1", "1", "1"], "Sex": ["m", "f", "m"]})["Case"].why


def test_a_coded_column_with_many_different_values_is_doubted() -> None:
    cells = [f"value {chr(97 + i // 26)}{chr(97 + i % 26)}" for i in range(40)]
    found = lines({"Case": [str(i) for i in range(40)], "Status": cells})["Status"]
    assert found.why == "it holds 40 different values, and none is known as a code"


def test_two_columns_for_one_name_are_both_left_to_the_user() -> None:
    found = lines({**PLAIN, "SNA T1": ["80"] * 3, "SNA Anfang": ["81"] * 3})
    assert found["SNA T1"].kind == found["SNA Anfang"].kind == "unsure"
    assert "another column may be the same thing" in found["SNA T1"].why


def test_content_gives_hints_for_unknown_headings_without_values() -> None:
    assert lines({**PLAIN, "Zähne": ["14", "24", "15 25"]})["Zähne"].why == "its cells hold tooth codes"
    assert lines({**PLAIN, "Wer": ["m", "w", "m"]})["Wer"].why == "its cells hold codes of sex"
    assert lines({**PLAIN, "Wann": ["2010-01-01"] * 3})["Wann"].why == "its cells hold full dates"
    assert lines({**PLAIN, "Leer": ["", "-", None]})["Leer"].why == "it is empty"
    assert lines({**PLAIN, "X": [1.5, 2.5, 3.5]})["X"].why == ""


def test_dates_that_read_both_ways_are_left_to_the_user() -> None:
    columns = {**PLAIN, "Behandlungsbeginn": ["01.02.2010", "03.04.2010", "05.06.2010"]}
    assert drafted(columns).date_order == "unclear"
    assert '# date_order = "dmy"   # or "mdy"' in text_of(columns)
    assert "say date_order: the dates can be read both ways" in left_to_do(drafted(columns))
    american = {**PLAIN, "Start date": ["02/25/2010", "03/04/2010", "05/06/2010"]}
    assert drafted(american).date_order == "mdy"
    assert 'date_order = "mdy"   # seen in the dates' in text_of(american)


def test_two_sources_of_one_value_are_noted() -> None:
    columns = {**PLAIN, "DOB": ["2001-01-01"] * 3, "Start date": ["2013-01-01"] * 3, "Age": ["12", "12", "12"]}
    assert any("two columns, age_at_start and birth_date" in note for note in left_to_do(drafted(columns)))


def test_headings_that_are_data_are_refused_and_not_repeated() -> None:
    with pytest.raises(BadFileError) as caught:
        drafted({"1001": ["1002"], "Bell": ["Marsh"], "12.03.2001": ["01.01.2002"]})
    assert "columns 1, 3" in caught.value.found
    assert "Bell" not in str(caught.value)
    assert "header_row" in caught.value.remedy


def test_a_heading_that_may_be_a_name_is_not_repeated() -> None:
    text = text_of({**PLAIN, "Anna Bell": ["x", "y", "z"]})
    assert "Anna" not in text
    assert (
        "# column 4 (its heading looks like a personal name and is not repeated): repeat the heading yourself" in text
    )


def test_a_table_of_readings_is_drafted_as_one() -> None:
    columns = {
        "Subject": ["1", "1"],
        "Zeitpunkt": ["T1", "T2"],
        "Parameter": ["anb_deg", "anb_deg"],
        "Wert": ["4,5", "3,5"],
        "Untersucher": ["E1", "E2"],
        "Note": ["x", "y"],
    }
    draft = drafted(columns)
    assert (draft.layout, draft.table) == ("tabular", "measurements")
    text = draft_text(draft, contract=CONTRACT)
    assert '"Parameter" = "measure"' in text
    assert '"Note" = "free text"' in text
    read = interpreted(columns, mapping_of(text)).tables["measurements"]
    assert read.select("timepoint", "value", "examiner").rows() == [("start", 4.5, "E1"), ("finish", 3.5, "E2")]


def test_a_table_of_points_is_drafted_as_one() -> None:
    names = ("case_id", "timepoint", "view", "landmark", "x", "y", "unit", "y_axis", "faces")
    cells = ("1", "start", "profile photo", "Prn", "1.5", "2.5", "px", "down", "left")
    columns = {name: [cell] for name, cell in zip(names, cells, strict=True)}
    text = text_of(columns)
    assert 'layout = "points"' in text
    assert interpreted(columns, mapping_of(text)).tables["landmarks"].height == 1


def test_one_row_a_visit_is_drafted_as_such() -> None:
    columns = {"Case": ["1", "1"], "Sex": ["f", "f"], "Timepoint": ["T1", "T2"], "ANB": ["4", "3"]}
    draft = drafted(columns)
    assert draft.layout == "long"
    assert {line.column: line.names for line in draft.lines} == {
        "Case": ("case_id",),
        "Sex": ("sex",),
        "Timepoint": ("timepoint",),
        "ANB": ("anb_deg",),
    }


def test_headings_with_quotes_and_breaks_stay_one_key() -> None:
    columns = {**PLAIN, 'say "ah"\nthen': ["x", "y", "z"], "Bild\tname": ["a", "b", "c"]}
    text = text_of(columns)
    assert tomllib.loads(text)["ignored"] == {"Bild\tname": "a picture or a path to one"}
    assert '# "say \\"ah\\"\\nthen" = "?"' in text


def test_many_unknown_spellings_are_counted() -> None:
    cells = ["finished", *(f"z{i}q" for i in range(60))]
    text = text_of({"Case": [str(i) for i in range(61)], "Sex": ["m"] * 61, "Status": cells})
    assert text.count('q" = "?"') == 40
    assert "# and 20 spellings more" in text


def test_codes_of_two_columns_of_one_list_stand_in_one_section() -> None:
    columns = {**PLAIN, "Mundhaltung T1": ["offen", "closed", "x"], "Mundhaltung T2": ["geschlossen", "open", "y"]}
    text = text_of(columns)
    assert text.count("\n[codes.mouth_posture]") == 1
    assert '"offen" = "open"' in text
    assert '"geschlossen" = "closed"' in text


@pytest.mark.parametrize(
    ("cells", "settled"),
    [
        (["G", "F", "F"], {"g": "male", "f": "female"}),  # garçon and fille
        (["G", "B", "B"], {"g": "female", "b": "male"}),  # girl and boy
        (["V", "H", "H"], {"v": "male", "h": "female"}),  # varón and hembra
        (["H", "M", "M"], {"h": "male", "m": "female"}),  # hombre and mujer
        (["J", "M", "M"], {"j": "male", "m": "female"}),  # Junge and Mädchen
        (["G", "G"], {}),
        (["H", "H"], {}),
        (["0", "1", "1"], {}),  # used both ways round
        (["0", "1", "2"], {"1": "male", "2": "female"}),  # ISO/IEC 5218
    ],
)
def test_letters_and_figures_of_sex_are_settled_as_a_set(cells: list[str], settled: dict[str, str]) -> None:
    draft = drafted({"No": [str(place) for place in range(len(cells))], "Sex": cells})
    (seen,) = (one for one in draft.codes if one.section == "sex")
    assert {one.text: one.code for one in seen.spellings if one.code and not one.is_read} == settled
    read = {one.text: one.code for one in seen.spellings if one.is_read}
    assert read == ({"0": "unknown"} if "2" in cells else {})
    assert bool(seen.unsettled) is not bool(settled)


def test_a_heading_that_names_a_time_is_of_its_date_where_the_cells_are_dates() -> None:
    numbers, days = ["1", "2"], ["03.04.2015", "21.05.2016"]
    for heading, name in (("Behandlungsende", "finish_date"), ("Fine terapia", "finish_date"), ("Avant", "start_date")):
        line = lines({"No": numbers, heading: days})[heading]
        assert (line.kind, line.names) == ("mapped", (name,))
        assert lines({"No": numbers, heading: ["ja", "nein"]})[heading].kind == "unsure"


def test_a_record_number_is_offered_as_the_case_number_where_nothing_else_is_one() -> None:
    for heading, cells in (("Chart", ["101", "102"]), ("Patient", ["P01", "P02"])):
        line = lines({heading: cells, "Sex": ["m", "f"]})[heading]
        assert (line.kind, line.names) == ("unsure", ("case_id",))
        assert lines({heading: cells, "Case no": ["1", "2"]})[heading].kind == "identifying"
    assert lines({"Patient": ["Ottilie Q", "Bert Q"], "Sex": ["m", "f"]})["Patient"].kind == "identifying"
    assert lines({"Chart": ["101", "102"], "Patient": ["P01", "P02"]})["Chart"].kind == "identifying"


@pytest.mark.parametrize(
    ("cell", "teeth"),
    [("14-24", "14 24"), ("14/24", "14 24"), ("15+25", "15 25"), ("UR4 UL4", "14 24"), ("11-13", None), ("4/4", None)],
)
def test_teeth_with_signs_between_them_are_proposed(cell: str, teeth: str | None) -> None:
    draft = drafted({"No": ["1", "2", "3", "4"], "Extractions": [cell, "none", "none", "35"]})
    (seen,) = (one for one in draft.codes if one.section == "extracted_teeth")
    assert {one.text: one.code for one in seen.spellings}[cell.lower()] == (teeth or "")
    assert "teeth" not in draft.settings


def test_what_is_left_is_listed_once_a_line_and_no_section_is_empty() -> None:
    columns = {"No": ["1"], "Sex": ["m"], "Nato il": ["03.04.2001"], "Extractions": ["none"]}
    text = text_of(columns)
    assert "[codes.extracted_teeth]" not in text
    todo = text.partition("# Left to do:\n")[2].partition("\n\n")[0].splitlines()
    assert any(line.startswith("#     ") for line in todo), "one of them takes two lines"
    assert sum(line.startswith("#   - ") for line in todo) == len(left_to_do(drafted(columns)))


def test_rows_of_visits_are_told_by_their_cells_where_the_heading_is_not_known() -> None:
    rows = {"No": ["1", "1", "2", "2"], "Sitting": ["pre", "post", "pre", "post"], "ANB": ["4", "3", "5", "4"]}
    draft = drafted(rows)
    assert draft.layout == "long"
    assert {line.column: line.names for line in draft.lines} == {
        "No": ("case_id",),
        "Sitting": ("timepoint",),
        "ANB": ("anb_deg",),
    }
    assert drafted(rows | {"No": ["1", "2", "3", "4"]}).layout == "wide", "a case has one row: it is something else"
    assert drafted(rows | {"Sitting": ["pre", "post", "pre", "good"]}).layout == "wide"


def test_beside_a_t_zero_the_other_t_numbers_of_cells_are_asked() -> None:
    rows = {"No": ["1", "1", "2", "2"], "Visit": ["T0", "T1", "T0", "T1"], "ANB": ["4", "3", "5", "4"]}
    draft = drafted(rows)
    (seen,) = (one for one in draft.codes if one.section == "timepoint")
    assert draft.layout == "long"
    assert {one.text for one in seen.unsettled} == {"t0", "t1"}
    (seen,) = (one for one in drafted(rows | {"Visit": ["T1", "T2"] * 2}).codes if one.section == "timepoint")
    assert {one.text: one.code for one in seen.spellings} == {"t1": "start", "t2": "finish"}


def test_spellings_of_teeth_are_asked_where_some_are_understood() -> None:
    draft = drafted({"No": ["1", "2", "3", "4"], "Extractions": ["4s", "5s", "4s", "non-ext"]})
    (seen,) = (one for one in draft.codes if one.section == "extracted_teeth")
    assert {one.text: one.count for one in seen.unsettled} == {"4s": 2, "5s": 1}


def test_numbers_of_teeth_taken_out_are_not_read_as_teeth() -> None:
    for cells in (["2", "4", "none"], ["4s", "5s", "none"]):
        assert "teeth" not in drafted({"No": ["1", "2", "3"], "Extractions": cells}).settings
    for cells in (["5 12", "none", "none"], ["#5", "none", "none"]):
        assert drafted({"No": ["1", "2", "3"], "Extractions": cells}).settings["teeth"] == "universal"
