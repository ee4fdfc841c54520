"""Ten kinds of files of practices get in without a script and with at most six corrections after the draft."""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import polars as pl
import pytest

from pipelines.cli import main
from pipelines.contract.words import written_in_cells
from pipelines.drafting.codes_seen import alias_spellings
from pipelines.mapping.trade_words import squeezed
from pipelines.points.points_files import read_points
from tests.pipelines.own_files import (
    COMPARISON,
    KINDS,
    SELECTION,
    SEQUENCES,
    Correction,
    OwnFile,
    german,
    long_export,
    other_notations,
    visits,
)
from tests.raw_tables import CONTRACT, WIDE_MAPPING, interpreted
from warehouse.errors import MappingError
from warehouse.store.store import open_store

INVENTED_XLS = Path(__file__).with_name("invented.xls")


def corrected(text: str, corrections: tuple[Correction, ...]) -> str:
    """A draft as a user corrects it: a line that is open is settled in its place, or added to its section."""
    for section, key, value in corrections:
        name, said = (key if section == "constants" else json.dumps(key, ensure_ascii=False)), json.dumps(value)
        settled, n = re.subn(rf"(?m)^# {re.escape(name)} = .*$", lambda _, s=f"{name} = {said}": s, text, count=1)
        if n == 0:
            assert f"[{section}]" in text, (section, key)
            settled = text.replace(f"\n[{section}]\n", f"\n[{section}]\n{name} = {said}\n")
        text = settled
    return text


def truth_of(file: OwnFile) -> dict[str, object]:
    """What the store must hold."""
    finished = [one for one in file.people if one.finish]
    plane = sum(one.plane[0] for one in file.people) + sum(one.plane[1] for one in finished)
    anb = sum(one.anb[0] for one in file.people) + sum(one.anb[1] for one in finished)
    said = SEQUENCES if file.sequences else {one.appliance: one.appliance for one in file.people}
    return {
        "cases": len(file.people),
        "sexes": Counter(one.sex for one in file.people),
        "finished": len(finished),
        "appliances": Counter(said[one.appliance] for one in file.people),
        "teeth": Counter(teeth for one in file.people if (teeth := file.teeth(one.teeth))),
        "ages": round(sum(one.age for one in file.people), 0),
        "months": sum(file.months_known for _ in finished),
        "plane": round(plane, 1),
        "anb": round(anb, 1),
    }


def held(warehouse: Path) -> dict[str, object]:
    """The same counts, from the store."""
    with open_store(warehouse) as store:

        def counted(sql: str) -> Counter[str]:
            return Counter(dict(store.rows(sql)))

        current = "where replaced_by is null"
        sequences = (
            "select listed, count(*) from (select string_agg(appliance_category, ' > ' order by phase_no) as listed "
            f"from phases {current} group by case_no) group by 1"
        )
        return {
            "cases": store.value(f"select count(*) from cases {current}"),
            "sexes": counted(f"select sex, count(*) from cases {current} group by 1"),
            "finished": store.value(f"select count(*) from cases {current} and status = 'finished'"),
            "appliances": counted(sequences),
            "teeth": counted(
                f"select extracted_teeth, count(*) from cases {current} and extracted_teeth is not null group by 1"
            ),
            "ages": round(store.value(f"select sum(age_at_start) from cases {current}"), 0),
            "months": store.value(
                f"select count(*) from visits {current} and timepoint = 'finish' and months_from_start > 0"
            ),
            "plane": round(store.value(f"select sum(sn_gogn_deg) from readings {current}"), 1),
            "anb": round(store.value(f"select sum(anb_deg) from readings {current}"), 1),
        }


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_a_file_gets_in_by_command(kind: Callable[[Path], OwnFile], tmp_path: Path) -> None:
    file = kind(tmp_path)
    draft, warehouse = tmp_path / "draft.toml", tmp_path / "data"
    assert len(file.corrections) <= 6
    assert main(["draft-mapping", *map(str, file.paths), "--out", str(draft)]) == 0
    mapping = tmp_path / "own.toml"
    mapping.write_text(corrected(draft.read_text(encoding="utf-8"), file.corrections), encoding="utf-8")
    command = ["ingest", *map(str, file.paths), "--warehouse", str(warehouse), "--practice", "HARBOUR"]
    assert main([*command, "--mapping", str(mapping)]) == 0
    assert held(warehouse) == truth_of(file)


def test_next_years_file_of_the_same_shape_is_read_without_a_question(tmp_path: Path) -> None:
    file = german(tmp_path)
    draft, warehouse = tmp_path / "draft.toml", tmp_path / "data"
    assert main(["draft-mapping", *map(str, file.paths), "--out", str(draft)]) == 0
    (tmp_path / "own.toml").write_text(corrected(draft.read_text(encoding="utf-8"), file.corrections), encoding="utf-8")
    command = ["ingest", "--warehouse", str(warehouse), "--practice", "HARBOUR"]
    assert main([*command, *map(str, file.paths), "--mapping", str(tmp_path / "own.toml")]) == 0
    lines = file.paths[0].read_text(encoding="cp1252").splitlines()
    (tmp_path / "later").mkdir()
    later = german(tmp_path / "later", 12)
    assert main([*command, *map(str, later.paths)]) == 0
    with open_store(warehouse) as store:
        assert store.value("select count(*) from cases where replaced_by is null") == len(file.people) + len(
            later.people
        )
    listed = tmp_path / "left.csv"
    worklist = ["worklist", "--warehouse", str(warehouse), "--source", str(later.paths[0]), "--out", str(listed)]
    assert main(worklist) == 0, "the mapping that is remembered reads the numbers too"
    numbers = {one.number for one in later.people}
    assert numbers.intersection(pl.read_csv(listed, infer_schema=False)["case"].to_list())
    changed = tmp_path / "changed.csv"
    changed.write_bytes("\n".join([f"{lines[0]};Farbe", *(f"8{line};rot" for line in lines[1:6])]).encode("cp1252"))
    assert main([*command, str(changed)]) == 1, "a column more is asked about, not guessed"
    again = tmp_path / "again.toml"
    remembered = ["--remembered", str(tmp_path / "data.mappings"), "--out", str(again)]
    assert main(["draft-mapping", str(changed), *remembered]) == 0
    text = again.read_text(encoding="utf-8")
    assert [line for line in text.splitlines() if line.startswith('# "')] == ['# "Farbe" = "?"']
    assert 'selection = "consecutive"' in text


@pytest.mark.parametrize(
    ("line", "where", "expected"),
    [
        ('header_row = "two"', "[file] header_row", "a row number from 1"),
        ("sheet = 3", "[file] sheet", "a text in quotes"),
        ('skip_totals = "no"', "[file] skip_totals", "true or false"),
        ("decimal = 5", "[file] decimal", 'one of ".", ","'),
    ],
)
def test_a_remembered_mapping_changed_by_hand_is_refused_with_its_place(
    line: str, where: str, expected: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = visits(tmp_path)
    remembered = tmp_path / "data.mappings"
    remembered.mkdir()
    kept = remembered / "HARBOUR-0123456789abcdef.toml"
    command = ["ingest", *map(str, file.paths), "--warehouse", str(tmp_path / "data"), "--practice", "HARBOUR"]
    for text in (f"[file]\n{line}\n", "file = 3\n", "[file\n"):
        kept.write_text(text, encoding="utf-8")
        draft = ["draft-mapping", *map(str, file.paths), "--remembered", str(remembered)]
        for words in (command, draft):
            assert main(words) == 1
            said = capsys.readouterr().err
            assert "where: data.mappings/HARBOUR-0123456789abcdef.toml" in said
            assert "expected: " in said
            assert "what to do: " in said
            if line in text:
                assert f"{where}\n  expected: {expected}\n" in said
    assert not (tmp_path / "data").exists()


def test_points_with_a_column_a_coordinate_and_a_ruler_are_brought_to_true_size(tmp_path: Path) -> None:
    # 100 px of the ruler are 50 mm, so 240 px from nasion to menton are 120 mm; y grows downwards
    points = "Case,Time,N x,N y,Me x,Me y,S x,S y,ruler1 x,ruler1 y,ruler2 x,ruler2 y\n"
    rows = "1,T1,300,100,300,340,100,110,10,10,10,110\n2,T1,300,100,300,300,100,110,10,10,10,110\n"
    file, draft = tmp_path / "points.csv", tmp_path / "draft.toml"
    file.write_text(points + rows, encoding="utf-8")
    assert main(["draft-mapping", str(file), "--out", str(draft)]) == 0
    text = draft.read_text(encoding="utf-8")
    assert 'y_axis = "down"' in text
    assert 'faces = "right"' in text
    said = (("constants", "view", "lateral_radiograph"), ("constants", "unit", "px"))
    text = corrected(text, said).replace("[file]", "[file]\nruler_mm = 50")
    mapping = tmp_path / "own.toml"
    mapping.write_text(text, encoding="utf-8")
    read = read_points([file], mapping=mapping)
    lengths = read.measured().filter(pl.col("measure") == "tafh_mm").sort("case_id")["value"].to_list()
    assert lengths == pytest.approx([120.0, 100.0])
    mapping.write_text(text.replace("ruler_mm = 50", ""), encoding="utf-8")
    with pytest.raises(MappingError, match="its length is not stated"):
        read_points([file], mapping=mapping)


def test_a_workbook_of_the_old_kind_is_read_and_loads(tmp_path: Path) -> None:
    # written once by a library for that format (BIFF8), of invented cases
    draft, warehouse = tmp_path / "draft.toml", tmp_path / "data"
    assert main(["draft-mapping", str(INVENTED_XLS), "--out", str(draft)]) == 0
    mapping = tmp_path / "own.toml"
    mapping.write_text(corrected(draft.read_text(encoding="utf-8"), (SELECTION, COMPARISON)), encoding="utf-8")
    command = ["ingest", str(INVENTED_XLS), "--warehouse", str(warehouse), "--practice", "HARBOUR"]
    assert main([*command, "--mapping", str(mapping)]) == 0
    with open_store(warehouse) as store:
        rows = store.rows(
            "select sex, age_at_start, start_quarter, status, sn_gogn_deg from cases join readings using (case_no)"
            " order by age_at_start"
        )
    assert rows == [
        ("female", 10.0, "2017-Q1", "finished", 28.125),
        ("female", 11.5, "2015-Q1", "finished", 31.5),
        ("male", 12.25, "2016-Q4", "in_treatment", 36.0),
    ]


def test_sheets_that_belong_together_find_their_cases_by_the_rule_of_numbers(tmp_path: Path) -> None:
    mapping, warehouse = tmp_path / "own.toml", tmp_path / "data"
    mapping.write_text(
        '[file]\ntogether = ["No"]\n[columns]\n"No" = "case_id"\n"Sex" = "sex"\n"Age" = "age_at_start"\n'
        '"Plane" = "sn_gogn_deg_start"\n[constants]\nselection = "consecutive"\nstatus = "in_treatment"\n'
        'comparison = "treated"\nphase_1_appliance_category = "fixed_labial"\n',
        encoding="utf-8",
    )
    texts = {"people": "No,Sex,Age\nIT-1,f,11\nIT-2,m,12\n", "planes": "No,Plane\nit-001,31\n It - 2 ,33\n"}
    for name, text in texts.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    command = ["ingest", *(str(tmp_path / f"{name}.csv") for name in texts), "--warehouse", str(warehouse)]
    assert main([*command, "--practice", "HARBOUR", "--mapping", str(mapping)]) == 0
    with open_store(warehouse) as store:
        rows = store.rows("select sex, sn_gogn_deg from cases inner join readings using (case_no) order by 2")
    assert rows == [("female", 31.0), ("male", 33.0)]


def test_a_draft_does_not_ask_about_teeth_it_understands(tmp_path: Path) -> None:
    draft = tmp_path / "draft.toml"
    assert main(["draft-mapping", *map(str, other_notations(tmp_path).paths), "--out", str(draft)]) == 0
    text = draft.read_text(encoding="utf-8")
    assert 'teeth = "universal"' in text
    assert "#5 #12" not in text


def test_a_spelling_that_says_nothing_is_said_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, draft = long_export(tmp_path), tmp_path / "draft.toml"
    assert main(["draft-mapping", *map(str, file.paths), "--out", str(draft)]) == 0
    mapping = tmp_path / "own.toml"
    mapping.write_text(corrected(draft.read_text(encoding="utf-8"), file.corrections), encoding="utf-8")
    command = ["ingest", *map(str, file.paths), "--warehouse", str(tmp_path / "data"), "--practice", "HARBOUR"]
    assert main([*command, "--mapping", str(mapping)]) == 0
    n = sum(2 if one.finish else 1 for one in file.people)
    assert f'"couleur" in {n} rows: left out' in capsys.readouterr().out


def test_a_stated_order_that_the_dates_contradict_refuses_the_file() -> None:
    columns = {"No": ["1", "2"], "Sex": ["m", "f"], "DOB": ["05/25/2001", "01/02/2001"], "S": ["2010-01-01"] * 2}
    mapping = '[file]\ndate_order = "dmy"\n' + WIDE_MAPPING.replace(
        '"Sex" = "sex"', '"Sex" = "sex"\n"DOB" = "birth_date"\n"S" = "start_date"'
    )
    with pytest.raises(
        MappingError, match=r"contradict the stated order dmy in \"DOB\" \(1 cell, the first in row 2\)"
    ):
        interpreted(columns, mapping)
    assert interpreted(columns, mapping.replace('"dmy"', '"mdy"')).problems.is_empty()


def test_letters_of_sex_are_read_as_a_set() -> None:
    columns = {"No": ["1", "2", "3"], "Sex": ["H", "M", "M"]}
    stated = WIDE_MAPPING + '[codes.sex]\n"h" = "male"\n'
    assert interpreted(columns, stated).tables["cases"]["sex"].to_list() == ["male", "female", "female"]
    against = WIDE_MAPPING + '[codes.sex]\n"h" = "female"\n'
    assert interpreted(columns, against).tables["cases"]["sex"].to_list() == ["female", None, None]


@pytest.mark.parametrize(
    "text", ["9y 4m", "9;4", "9 yrs 4 mths", "9 ans 4 mois", "9 años 4 meses", "9 J 4 M", "9.3333"]
)
def test_ages_in_years_and_months(text: str) -> None:
    columns = {"No": ["1"], "Sex": ["f"], "Age": [text]}
    mapping = WIDE_MAPPING.replace('"Sex" = "sex"', '"Sex" = "sex"\n"Age" = "age_at_start"')
    assert interpreted(columns, mapping).tables["cases"]["age_at_start"].to_list() == [9.33]


@pytest.mark.parametrize(
    "text", ["12-Mar-2019", "12. März 2019", "12 mars 2019", "12 marzo 2019", "Mar 12, 2019", "43536", "12-mar.-2019"]
)
def test_dates_with_names_of_months_and_days_of_spreadsheets(text: str) -> None:
    # 43536 is 12 March 2019 in the serial numbers of the 1900 system (checked with a spreadsheet program's DATE)
    columns = {"No": ["1"], "Sex": ["f"], "Start": [text]}
    mapping = WIDE_MAPPING.replace('"Sex" = "sex"', '"Sex" = "sex"\n"Start" = "start_date"')
    read = interpreted(columns, mapping)
    assert read.problems.is_empty()
    assert read.tables["cases"]["start_quarter"].to_list() == ["2019-Q1"]


def test_every_language_has_fifty_words_for_appliances_and_ambiguous_ones_are_asked() -> None:
    data = tomllib.loads(files("pipelines.contract").joinpath("words.toml").read_text(encoding="utf-8"))
    assert {language: sum(map(len, words.values())) > 50 for language, words in data["appliance_category"].items()} == (
        dict.fromkeys(("en", "de", "fr", "es", "it"), True)
    )
    settled = alias_spellings(CONTRACT.codes["appliance_category"])
    for word in ("headgear", "expander", "functional", "removable"):
        assert word not in settled
        assert word in {asked for one in written_in_cells().asks for asked in one.words}
    assert {
        squeezed(word) for one in written_in_cells().asks if one.codes == "appliance_category" for word in one.words
    }.isdisjoint(settled)
