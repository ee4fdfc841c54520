"""The main job, end to end: from what practices hand over to an honest rate that anyone can recount."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipelines.cli import main
from pipelines.ingest.ingest import Request, ingest
from synthetic_data.exports import KEY_FOLDER
from tests.conftest import Study, take_in
from tests.hand_made import load_rows, made_case
from warehouse.errors import MentonError
from warehouse.marts.outcome_sql import Setting, results_parameters
from warehouse.marts.reader import Reader
from warehouse.marts.statements import filled
from warehouse.questions.shares import rates
from warehouse.selection import Selection
from warehouse.words.shares import other_way_sentence

GROUP_KEYS = {
    "group", "n_started", "n_finished", "n_assessable", "n_adverse", "rate", "interval", "level", "method", "warnings",
}  # fmt: skip


def printed(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(list(words)) == 0
    return capsys.readouterr().out


def rate_json(capsys: pytest.CaptureFixture[str], warehouse: Path, *words: str) -> dict:
    found: dict = json.loads(printed(capsys, "rate", "--warehouse", str(warehouse), "--json", *words))
    return found


def test_every_load_adds_up_and_no_clean_row_is_turned_away(study: Study) -> None:
    records = [record for outcome in study.outcomes for record in outcome.loaded]
    assert len(records) > 10
    assert all(record.n_read == record.n_loaded + record.n_turned_away for record in records)
    assert sum(record.n_turned_away for record in records) == 0


def test_the_rate_is_one_object_with_everything_a_figure_needs(
    study: Study, capsys: pytest.CaptureFixture[str]
) -> None:
    found = rate_json(capsys, study.warehouse)
    assert set(found["definition"]) == {"id", "version", "sentence"}
    assert found["definition"]["id"] == "D1"
    assert found["growth_reference"].startswith("R1 ")
    (group,) = found["groups"]
    assert set(group) >= GROUP_KEYS
    assert group["interval"][0] < group["rate"] < group["interval"][1]


@pytest.mark.parametrize("by", ["appliance_category", "age_band", "extraction"])
def test_the_rate_equals_a_recount_from_the_exported_cases(
    study: Study, capsys: pytest.CaptureFixture[str], tmp_path: Path, by: str
) -> None:
    printed(capsys, "cases", "--warehouse", str(study.warehouse), "--out", str(tmp_path / "cases.parquet"))
    column = {"appliance_category": "appliance_first"}.get(by, by)
    cases = pl.read_parquet(tmp_path / "cases.parquet").filter(comparison="treated", selection="consecutive")
    for group in rate_json(capsys, study.warehouse, "--by", by)["groups"]:
        mine = cases.filter(pl.col(column).fill_null("not known") == group["group"])
        assert mine.height == group["n_started"]
        assert (mine["status"] == "finished").sum() == group["n_finished"]
        assert (mine["outcome_D1"] != "not assessable").sum() == group["n_assessable"]
        assert (mine["outcome_D1"] == "adverse").sum() == group["n_adverse"]


def test_the_groups_add_up_to_all_cases(study: Study, capsys: pytest.CaptureFixture[str]) -> None:
    (whole,) = rate_json(capsys, study.warehouse)["groups"]
    for by in ("appliance_category", "age_band", "extraction"):
        groups = rate_json(capsys, study.warehouse, "--by", by)["groups"]
        for key in ("n_started", "n_finished", "n_assessable", "n_adverse"):
            assert sum(group[key] for group in groups) == whole[key]


def test_the_outcome_of_each_case_follows_from_its_own_readings(study: Study) -> None:
    """D1 worked out again in plain Polars, from the exported readings and the constant slopes."""
    from warehouse.questions.case_export import case_frame

    with Reader.open(study.warehouse) as reader:
        cases = case_frame(reader)
    counted = cases.filter(pl.col("outcome_D1") != "not assessable", pl.col("sn_gogn_deg__after").is_not_null())
    assert counted.height > 150
    for row in counted.iter_rows(named=True):
        until = min(row["age_at_start"] + row["months_observed"] / 12, 18.0)
        expected = -0.3 * max(0.0, until - min(row["age_at_start"], 18.0))
        change = round(row["sn_gogn_deg__after"] - row["sn_gogn_deg__before"] - expected, 6)
        assert row["outcome_D1"] == ("adverse" if change >= 2.0 else "not adverse")


EXPORTED_LONG = ("FERRY", "FOXGLOVE", "HARBOUR", "QUARRY")
"""Practices of the demonstration that hand over long tables of angles as read, not points or one wide sheet."""


@pytest.mark.parametrize("practice", EXPORTED_LONG)
def test_better_and_worse_equal_a_recount_from_the_files_handed_over(study: Study, practice: str) -> None:
    """D1 and its mirror from the raw exports alone, with R1's slope."""
    folder = study.exports / practice
    chosen = Selection(filters={"practice": (practice,)})
    with Reader.open(study.warehouse) as reader:
        (group,) = rates(reader, selection=chosen).groups
    changes = changes_in_files(folder)
    assert group.favourable is not None
    assert (group.counted.n, group.adverse.n, group.favourable.n) == (
        len(changes),
        sum(change >= 2.0 for change in changes),
        sum(change <= -2.0 for change in changes),
    )
    assert group.favourable.n > 0


def changes_in_files(folder: Path) -> list[float]:
    """The growth-adjusted change of each case that counts: the first reading of who read most times, no surgery."""
    cases, visits, readings = (
        pl.read_csv(folder / f"{name}.csv", infer_schema_length=None) for name in ("cases", "visits", "measurements")
    )
    times = readings.group_by("case_id", "examiner").agg(pl.col("timepoint").n_unique().alias("times"))
    readings = readings.join(times, on=["case_id", "examiner"]).sort("times", "examiner", descending=[True, False])
    first = readings.sort("repeat_no", maintain_order=True).unique(
        ["case_id", "timepoint", "measure"], keep="first", maintain_order=True
    )
    operated = pl.read_csv(folder / "phases.csv").filter(appliance_category="surgery")["case_id"].to_list()
    values = {tuple(row[:3]): row[3] for row in first.select("case_id", "timepoint", "measure", "value").iter_rows()}
    months = dict(visits.filter(timepoint="finish").select("case_id", "months_from_start").iter_rows())
    found = []
    asked = cases.filter(selection="consecutive", comparison="treated", status="finished")
    asked = asked.filter(~pl.col("case_id").is_in(operated))
    for case, age in asked.select("case_id", "age_at_start").iter_rows():
        both = [
            (values[case, "start", measure], values[case, "finish", measure])
            for measure in ("sn_gogn_deg", "sn_gome_deg")
            if (case, "start", measure) in values and (case, "finish", measure) in values
        ]
        if both and months.get(case) is not None and months[case] >= 6:
            years = min(age + months[case] / 12, 18.0) - min(age, 18.0)
            found.append(round(both[0][1] - both[0][0] + 0.3 * years, 6))
    return found


def test_a_mirror_is_held_to_the_same_measuring_error(study: Study, tmp_path: Path) -> None:
    """The first D1, a practice whose own MDC95 is 3 degrees: neither +2.5 nor -2.5 counts, +3.5 and -3.5 do."""
    warehouse = tmp_path / "w"
    changed = {f"c{n}": change for n, change in enumerate((2.5, -2.5, 3.5, -3.5, 0.0))}
    rows = [
        made_case(name, age_at_start=20.0, sn_gogn_deg_start=32.0, sn_gogn_deg_finish=32.0 + change)
        for name, change in changed.items()
    ]
    load_rows(warehouse, rows)
    with Reader.open(warehouse) as reader:
        (plain,) = rates(reader).groups
        statement = results_with_margin(reader, 3.0)
        beyond = reader.connection.rows(
            f"select sum(d1_v1_adverse::int), sum(d1_v1_favourable::int) from ({statement})"
        )
    assert plain.favourable is not None
    assert (plain.adverse.n, plain.favourable.n) == (2, 2)
    assert beyond == [(1, 1)]


def results_with_margin(reader: Reader, margin: float) -> str:
    """The query of the results, as if the practice's own MDC95 were that."""
    setting = Setting(
        measures=["sn_gogn_deg"],
        grown=["sn_gogn_deg"],
        gonion=[],
        porion=[],
        photo=[],
        size=[],
        own_error={"HARBOUR": {"sn_gogn_deg": margin}},
        default_error={},
    )
    return filled("results.sql", **results_parameters([reader.definition("D1_V1")], setting))


@pytest.mark.parametrize("definition", ["D7", "J3"])
def test_a_definition_of_several_parts_has_no_other_way(study: Study, definition: str) -> None:
    with Reader.open(study.warehouse) as reader:
        (group,) = rates(reader, definition=definition).groups
    assert (group.favourable, group.share_favourable, group.net) == (None, None, None)
    assert other_way_sentence(group).startswith("Nothing is set against it")


def test_the_first_answer_prints_better_beside_worse(study: Study, capsys: pytest.CaptureFixture[str]) -> None:
    (group,) = rate_json(capsys, study.warehouse)["groups"]
    share, net = group["share_favourable"], group["net"]
    assert share["value"] == group["n_favourable"] / group["n_assessable"]
    assert share["interval"][0] < share["value"] < share["interval"][1]
    assert net["value"] == pytest.approx(group["rate"] - share["value"], abs=1e-12)
    assert net["interval"][0] < net["value"] < net["interval"][1]
    text = printed(capsys, "rate", "--warehouse", str(study.warehouse))
    assert f"Against that, {group['n_favourable']} moved as far the other way: {share['value']:.1%}" in text
    listed = printed(capsys, "rate", "--warehouse", str(study.warehouse), "--by", "sex")
    by = rate_json(capsys, study.warehouse, "--by", "sex")["groups"]
    assert sum(one["n_favourable"] for one in by) == group["n_favourable"]
    for one in by[:2]:
        assert f"adverse {one['n_adverse']}; cases the other way {one['n_favourable']};" in listed


def test_the_planted_share_lies_within_the_interval(study: Study, capsys: pytest.CaptureFixture[str]) -> None:
    """The truth of the counted cases, from the answer key, against the interval (seeded, so this cannot flicker)."""
    key = pl.read_parquet(study.exports / KEY_FOLDER / "cases.parquet")
    truth = key.filter(pl.col("hidden") == "counted", pl.col("kind") == "consecutive")
    (group,) = rate_json(capsys, study.warehouse)["groups"]
    assert group["interval"][0] <= truth["true_adverse"].mean() <= group["interval"][1]


def test_differences_as_printed_hold_the_answer_key(study: Study, capsys: pytest.CaptureFixture[str]) -> None:
    """Every appliance against the reference, as counted, against the true shares of the same cases (seeded)."""
    key = pl.read_parquet(study.exports / KEY_FOLDER / "cases.parquet")
    counted = key.filter(pl.col("hidden") == "counted", pl.col("kind") == "consecutive")
    true = dict(counted.group_by("appliance_first").agg(pl.col("true_adverse").mean()).iter_rows())
    told = printed(capsys, "compare", "--warehouse", str(study.warehouse), "--by", "appliance_category", "--json")
    found = json.loads(told)["comparison"]
    compared = {code: one["difference"] for code, one in found["compared"].items() if one["difference"]["interval"]}
    assert len(compared) >= 8
    missed = []
    for code, difference in compared.items():
        low, high = difference["interval"]
        if not low <= true[code] - true[found["reference"]] <= high:
            missed.append(code)
    assert len(missed) <= 1, "of a dozen 95% intervals"


def test_a_comparison_of_groups_that_hardly_meet_is_withheld(study: Study, capsys: pytest.CaptureFixture[str]) -> None:
    """In the planted cohort the facemask is given where hardly any other child could be."""
    asked = ("--by", "appliance_category", "--a", "facemask", "--b", "fixed_labial")
    told = printed(capsys, "compare", "--warehouse", str(study.warehouse), *asked)
    assert "no adjusted comparison" in told
    assert "What would help" in told


def test_the_worst_spreadsheet_gives_the_same_cases_as_its_clean_form(study: Study, tmp_path: Path) -> None:
    worst = next(one for one in study.handovers if one.mapping is not None)
    take_in(worst, tmp_path / "worst")
    clean = study.exports / KEY_FOLDER / f"{worst.practice.lower()}-clean.csv"
    shutil.copy(tmp_path / "worst.key", tmp_path / "clean.key")
    ingest(Request(paths=(clean,), warehouse=tmp_path / "clean", practice=worst.practice))
    assert_same_cases(tmp_path / "worst", tmp_path / "clean")


def assert_same_cases(first: Path, second: Path) -> None:
    from warehouse.questions.case_export import case_frame

    with Reader.open(first) as one, Reader.open(second) as other:
        left, right = case_frame(one), case_frame(other)
    assert left.height > 20
    assert left.select(sorted(left.columns)).equals(right.select(sorted(right.columns)))


def test_the_same_files_twice_change_nothing(study: Study, tmp_path: Path) -> None:
    handover = study.handovers[0]
    first = take_in(handover, tmp_path / "w")
    second = take_in(handover, tmp_path / "w")
    assert second.loaded == ()
    assert len(second.skipped) == len(first.loaded)
    assert second.build == first.build


def test_a_row_turned_away_comes_in_corrected_and_the_earlier_rows_stay_in_history(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    header = (
        "case_id,sex,age_at_start,selection,status,comparison,phase_1_appliance_category,months_from_start_finish,"
        "sn_gogn_deg_start,sn_gogn_deg_finish\n"
    )
    wrong = (
        "a,female,11.0,consecutive,finished,treated,fixed_labial,24,32,34\n"
        "b,female,11.0,consecutive,finished,treated,fixed_labial,24,32,340\n"
    )
    path, warehouse = tmp_path / "cases.csv", tmp_path / "w"
    path.write_text(header + wrong, encoding="utf-8")
    ingest(Request(paths=(path,), warehouse=warehouse))
    listed = json.loads(printed(capsys, "quarantine", "--warehouse", str(warehouse), "--json"))["reasons"]
    found = [(one["row"], one["column"], one["rule"]) for one in listed]
    assert found == [(3, "sn_gogn_deg_finish", "M-sn_gogn_deg-plausible")]
    assert rate_json(capsys, warehouse)["n_turned_away"] == 1
    path.write_text(header + wrong.replace("340", "33"), encoding="utf-8")
    outcome = ingest(Request(paths=(path,), warehouse=warehouse))
    assert outcome.loaded[0].n_replaced == 1
    assert json.loads(printed(capsys, "quarantine", "--warehouse", str(warehouse), "--json"))["reasons"] == []
    found = rate_json(capsys, warehouse)
    assert (found["groups"][0]["n_assessable"], found["n_turned_away"]) == (2, 0)
    from warehouse.store.store import open_store

    with open_store(warehouse) as store:
        assert store.value("select count(*) from cases where replaced_by is not null") == 1
        assert store.value("select count(*) from cases where replaced_by is null") == 2


UNUSABLE: dict[str, bytes] = {
    "empty.csv": b"",
    "header-only.csv": b"case_id,sex\n",
    "picture.csv": b"\x89PNG\r\n\x1a\n" + b"\0" * 200,
    "locked.xlsx": bytes.fromhex("d0cf11e0a1b11ae1") + b"\0" * 2000,
    "twice.csv": b"case_id,sex,sex\n1,female,female\n",
    "no-key.csv": b"sex,age_at_start,selection,status,comparison\nfemale,11,consecutive,finished,treated\n",
    "one-column.csv": b"case_id/sex/status\n1/female/finished\n2/male/finished\n",
    "named.csv": b"case_id,sex,Surname\n1,female,Fogbell\n2,male,Tidewick\n",
}


@pytest.mark.parametrize("name", UNUSABLE)
def test_unusable_input_gets_one_message_and_leaves_nothing_behind(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    path.write_bytes(UNUSABLE[name])
    assert main(["ingest", str(path), "--warehouse", str(tmp_path / "w")]) == 1
    error = capsys.readouterr().err
    assert error.count("menton: ") == 1
    assert "Traceback" not in error
    assert "what to do" in error
    assert not (tmp_path / "w").exists()


def test_a_refused_file_names_the_column_but_no_value(tmp_path: Path) -> None:
    path = tmp_path / "named.csv"
    path.write_bytes(UNUSABLE["named.csv"])
    with pytest.raises(MentonError, match="Surname") as refused:
        ingest(Request(paths=(path,), warehouse=tmp_path / "w"))
    assert "Fogbell" not in str(refused.value)


def test_no_case_number_and_no_key_lies_in_the_warehouse(study: Study) -> None:
    worst = next(one for one in study.handovers if one.mapping is not None)
    secret = study.warehouse.with_name(study.warehouse.name + ".key").read_text(encoding="utf-8").split()[-1]
    written = b"".join(path.read_bytes() for path in study.warehouse.iterdir())
    assert secret.encode() not in written
    assert f"{worst.practice[:3]}-0001".encode() not in written


def test_another_key_is_refused(study: Study, tmp_path: Path) -> None:
    handover = study.handovers[0]
    take_in(handover, tmp_path / "w")
    other = study.handovers[1]
    request = Request(paths=other.files, warehouse=tmp_path / "w", key_file=tmp_path / "other.key")
    with pytest.raises(MentonError, match="not the one this warehouse was made with"):
        ingest(request)


def test_a_definition_of_ones_own_is_in_force_and_a_bad_one_is_explained(
    tmp_path: Path, study: Study, capsys: pytest.CaptureFixture[str]
) -> None:
    warehouse = tmp_path / "w"
    shutil.copytree(study.warehouse, warehouse)
    own = tmp_path / "own.toml"
    own.write_text(printed(capsys, "definitions", "--example"), encoding="utf-8")
    printed(capsys, "definitions", "--warehouse", str(warehouse), "--add", str(own))
    mine = rate_json(capsys, warehouse, "--definition", "P1")
    assert mine["definition"]["version"] == "1.0.0"
    assert mine["groups"][0]["n_adverse"] <= rate_json(capsys, warehouse)["groups"][0]["n_adverse"]
    own.write_text(own.read_text(encoding="utf-8").replace('"rise"', '"up"'), encoding="utf-8")
    assert main(["definitions", "--warehouse", str(warehouse), "--add", str(own)]) == 1
    assert "direction is 'up'" in capsys.readouterr().err


def test_selected_cases_never_mix_with_consecutive_ones(study: Study, capsys: pytest.CaptureFixture[str]) -> None:
    consecutive = rate_json(capsys, study.warehouse)["groups"][0]["n_started"]
    selected = rate_json(capsys, study.warehouse, "--selection", "selected")["groups"][0]["n_started"]
    both = rate_json(capsys, study.warehouse, "--selection", "both")["groups"][0]["n_started"]
    assert selected > 0
    assert both == consecutive + selected
