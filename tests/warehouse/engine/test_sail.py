"""The quick check of the cluster route: the same build by an engine that speaks Spark's protocol, without Java.

The real master and workers are in ``test_cluster.py`` (slow). Run by ``make sail``, which ``make test`` calls;
skipped where pysail is missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from polars.testing import assert_frame_equal

from pipelines.cli import main
from tests.warehouse.engine.conftest import Built, build_all
from tests.warehouse.engine.same_marts import assert_same_marts, names, table
from warehouse.engine.session import start
from warehouse.engine.spark import SparkPlace
from warehouse.errors import EngineError

pysail = pytest.importorskip("pysail.spark", reason="pysail is not installed: make sail does it")


@pytest.fixture(scope="module")
def master() -> Iterator[str]:
    server = pysail.SparkConnectServer()
    server.start()
    host, port = server.listening_address
    yield f"sc://{host}:{port}"
    server.stop()


def test_every_mart_and_rate_is_that_of_duckdb(built: Built, master: str, tmp_path: Path) -> None:
    place = SparkPlace(start(master), str(built.records), str(tmp_path / "marts"))
    build_all(place, built.records, tmp_path / "marts")
    assert assert_same_marts(built.marts, tmp_path / "marts", no_file_if_empty=True) > 100_000


def test_the_command_on_a_remote_master(
    built: Built, master: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = ["--engine", "spark", "--master", master, "--records", str(built.records), "--out", str(tmp_path / "o")]
    assert main(["build", *options, "--by", "sex", "--json"]) == 0
    assert '"engine": "spark"' in capsys.readouterr().out
    ours = table(built.marts, "rates").filter(definition_id="D1").drop("grouped_by")
    theirs = table(tmp_path / "o", "rates")
    # sums of many cases may come in another order on another engine, and differ in the last digits
    assert_frame_equal(
        theirs.filter(theirs["grouped_by"].is_null()).drop("grouped_by"),
        ours.filter(ours["group"] == "all cases"),
        rel_tol=1e-12,
        abs_tol=1e-12,
    )


def test_records_that_are_not_there(master: str, tmp_path: Path) -> None:
    place = SparkPlace(start(master), str(tmp_path / "nowhere"), str(tmp_path / "marts"))
    with pytest.raises(EngineError, match="the records have no table migrations"):
        build_all(place, tmp_path / "nowhere", tmp_path / "marts")


def test_marts_are_not_written_over(built: Built, master: str, tmp_path: Path) -> None:
    (tmp_path / "marts" / "mart_timeline.parquet").mkdir(parents=True)
    (tmp_path / "marts" / "mart_timeline.parquet" / "mine").write_text("kept")
    place = SparkPlace(start(master), str(built.records), str(tmp_path / "marts"))
    with pytest.raises(EngineError, match="holds a table of this name"):
        build_all(place, built.records, tmp_path / "marts")
    assert names(tmp_path / "marts") == {"mart_timeline"}
