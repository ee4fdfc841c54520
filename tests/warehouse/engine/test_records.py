"""Records in Parquet: the marts are those of the warehouse they came from; what is not sound is refused in words."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.cli import main
from tests.conftest import Study
from tests.hand_made import load_rows, made_case
from tests.warehouse.engine.conftest import Built
from tests.warehouse.engine.same_marts import KEYS, table
from warehouse.engine.build import build
from warehouse.engine.duck import DuckPlace
from warehouse.engine.layout import TABLES, layout, write_records
from warehouse.errors import EngineError, RequestError
from warehouse.marts.reader import Reader
from warehouse.questions.shares import rates
from warehouse.store.store import open_store


def test_marts_of_the_records_are_those_published_by_the_warehouse(built: Built, study: Study) -> None:
    with Reader.open(study.warehouse) as reader:
        for name in set(KEYS) - {"rates", "mart_build"}:
            published = reader.connection.frame(f"select * from {name}").sort(KEYS[name], nulls_last=True)
            assert published.equals(table(built.marts, name).select(published.columns)), name


def test_rates_carry_definition_version_n_and_interval(built: Built, study: Study) -> None:
    with Reader.open(study.warehouse) as reader:
        own = rates(reader).groups[0]
    row = table(built.marts, "rates").filter((pl.col("definition_id") == "D1") & pl.col("grouped_by").is_null())
    assert own.rate.interval is not None
    assert row.select(
        "definition_version", "n_started", "n_assessable", "n_adverse", "share", "low", "high", "method"
    ).rows() == [
        (
            "2.0.0",
            own.started.n,
            own.counted.n,
            own.adverse.n,
            own.rate.value,
            own.rate.interval.low,
            own.rate.interval.high,
            "wilson",
        )
    ]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Records of three hand-written cases."""
    folder = tmp_path_factory.mktemp("small")
    rows = [made_case(case, sn_gogn_deg_start=32.0, sn_gogn_deg_finish=34.5) for case in "abc"]
    load_rows(folder / "w", rows)
    with open_store(folder / "w") as store:
        write_records(store, folder / "records")
    return folder / "records"


@pytest.fixture
def records(sound: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sound, tmp_path / "records"))


def refusal(records: Path, tmp_path: Path) -> EngineError:
    with DuckPlace(str(records), str(tmp_path / "out")) as place, pytest.raises(EngineError) as refused:
        build(place, records=str(records), out=str(tmp_path / "out"))
    assert not list((tmp_path / "out").iterdir()), "nothing is written where records are refused"
    return refused.value


def change(records: Path, name: str, **columns: Any) -> None:
    path = records / f"{name}.parquet"
    pl.read_parquet(path).with_columns(**columns).write_parquet(path)


def test_a_missing_table_is_named_with_its_columns(records: Path, tmp_path: Path) -> None:
    (records / "visits.parquet").unlink()
    error = refusal(records, tmp_path)
    assert error.found == "the records have no table visits"
    assert error.where.endswith("visits.parquet")
    assert "months_from_start" in error.expected


def test_a_missing_column_is_named_with_what_was_expected(records: Path, tmp_path: Path) -> None:
    path = records / "cases.parquet"
    pl.read_parquet(path).drop("status", "sex").write_parquet(path)
    error = refusal(records, tmp_path)
    assert error.found == "the table cases of the records lacks columns sex, status"
    assert error.where == "cases.parquet"
    assert "status (text)" in error.expected


def test_a_column_of_another_kind_is_named(records: Path, tmp_path: Path) -> None:
    change(records, "cases", age_at_start=pl.lit("eleven"))
    error = refusal(records, tmp_path)
    assert (error.found, error.expected) == ("the column age_at_start of the table cases holds text", "numbers")


@pytest.mark.parametrize(("number", "remedy"), [(1, "write them again"), (99, "use a newer menton")])
def test_another_schema_is_refused(records: Path, tmp_path: Path, number: int, remedy: str) -> None:
    path = records / "migrations.parquet"
    pl.read_parquet(path).head(1).with_columns(number=pl.lit(number, pl.Int32)).write_parquet(path)
    error = refusal(records, tmp_path)
    assert f"schema {number}" in error.found
    assert remedy in error.remedy


def test_a_column_that_is_no_measure_is_refused_with_near_names(records: Path, tmp_path: Path) -> None:
    change(records, "readings", sn_gogn_degg=pl.lit(1.0))
    error = refusal(records, tmp_path)
    assert "'sn_gogn_degg' of readings is no measure in force" in error.found
    assert "sn_gogn_deg" in error.remedy


def test_a_file_that_is_no_parquet_is_refused(records: Path, tmp_path: Path) -> None:
    (records / "phases.parquet").write_bytes(b"not parquet")
    assert "phases of the records cannot be read as Parquet" in refusal(records, tmp_path).found


UNSOUND: list[tuple[str, str, Any, str]] = [
    ("cases", "case_no", pl.lit(1, pl.Int32), "stands more than once among the rows in force (cases, 1)"),
    ("visits", "case_no", pl.lit(77, pl.Int32), "rows name a case that is not registered"),
    ("visits", "timepoint", pl.lit("later"), "a code in timepoint that the contract does not know"),
    ("cases", "status", pl.lit(None, pl.String), "3 rows of cases: no value in status"),
    ("readings", "sn_gogn_deg", pl.lit(float("nan")), "sn_gogn_deg is not a number (a missing value must be null)"),
    ("visits", "magnification_pct", pl.lit(-100.0), "magnification_pct is -100 or less"),
    ("cases", "start_quarter", pl.lit("spring"), "start_quarter of cases is not of the form"),
    ("loads", "n_loaded", pl.lit(9, pl.Int64), "read is not loaded plus turned away"),
    ("case_registry", "case_key", pl.lit("same"), "a case has two numbers, or a number has two cases"),
]


@pytest.mark.parametrize(("name", "column", "value", "said"), UNSOUND, ids=[f"{t}.{c}" for t, c, *_ in UNSOUND])
def test_records_that_are_not_sound_are_refused(
    records: Path, tmp_path: Path, name: str, column: str, value: Any, said: str
) -> None:
    change(records, name, **{column: value})
    error = refusal(records, tmp_path)
    assert "the records are not sound" in error.found
    assert said in error.found


def test_tables_may_be_folders_of_parts_with_wider_numbers_and_columns_in_another_order(
    records: Path, tmp_path: Path
) -> None:
    for name in TABLES:
        path = records / f"{name}.parquet"
        frame = pl.read_parquet(path)
        path.unlink()
        path.mkdir()
        shuffled = frame.with_columns(pl.col(pl.Int32).cast(pl.Int64)).select(reversed(frame.columns))
        shuffled.head(1).write_parquet(path / "part-0.parquet")
        shuffled.slice(1).write_parquet(path / "part-1.parquet")
    with DuckPlace(str(records), str(tmp_path / "out")) as place:
        assert rates(build(place, records="r", out=str(tmp_path))).groups[0].adverse.n == 3


def test_the_layout_is_the_stores_own_schema(study: Study) -> None:
    with open_store(study.warehouse) as store:
        for name, columns in layout().items():
            assert [column.name for column in columns] == store.columns(name)[: len(columns)], name


def test_a_folder_with_files_is_not_written_over(records: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("kept")
    with pytest.raises(EngineError, match="not empty"):
        DuckPlace(str(records), str(tmp_path / "out"))
    with pytest.raises(RequestError, match="there already"), open_store(records.parent / "w", create=True) as store:
        write_records(store, records)


def test_the_commands_from_warehouse_to_rates(study: Study, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    records, out = str(tmp_path / "records"), str(tmp_path / "marts")
    assert main(["records", "--warehouse", str(study.warehouse), "--out", records]) == 0
    assert "case_registry" in capsys.readouterr().out
    assert main(["build", "--records", records, "--out", out, "--by", "sex"]) == 0
    printed = capsys.readouterr().out
    assert "Share adverse by sex — D1 v2.0.0" in printed
    assert (tmp_path / "marts" / "rates.parquet").exists()
    assert sorted(path.name for path in Path(out).iterdir() if "draft" in path.name) == []


def test_the_layout_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["records", "--layout"]) == 0
    printed = capsys.readouterr().out
    assert all(name in printed for name in TABLES)
    assert "appliance_category" in printed


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--engine", "spark"], "the engine spark needs the address of a master"),
        (["--master", "local[1]"], "the engine is duckdb"),
        (["--engine", "spark", "--master", "local[1]", "--conf", "x"], "not of the form NAME=VALUE"),
    ],
)
def test_requests_that_do_not_fit_are_refused(
    options: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["build", "--records", "r", "--out", str(tmp_path / "o"), *options]) == 1
    assert said in capsys.readouterr().err


def test_an_encrypted_warehouse_is_not_written_out_plainly_unasked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    key = tmp_path / "key"
    key.write_text("a long enough key for a test")
    key.chmod(0o600)
    options = ["--warehouse", str(tmp_path / "w"), "--encryption-key-file", str(key), "--out", str(tmp_path / "r")]
    assert main(["records", *options]) == 1
    assert "--unencrypted" in capsys.readouterr().err
    assert not (tmp_path / "r").exists()
