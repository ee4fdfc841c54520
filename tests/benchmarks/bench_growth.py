"""How the time of the main steps grows from ten thousand cases on, and what else one could do instead.

Run with ``make bench``. ``MENTON_BENCH_LARGEST=10000000`` goes on to ten million. The store is filled by DuckDB itself,
so that publishing is measured apart from reading files (``bench_ingest.py`` measures those).
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from dashboard.report.write import write_report
from pipelines.ingest.ingest import Request, ingest
from tests.benchmarks.growing import (
    bare_marts,
    bare_rate,
    counted_by_hand,
    filled_store,
    frames,
    looked_up_marts,
    pandas_marts,
    pandas_rate,
    polars_marts,
    polars_rate,
)
from tests.benchmarks.table import INGEST, Table
from tests.large_file import large_wide_csv
from warehouse.marts.publish import publish
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.contrast import compare_pair
from warehouse.questions.shares import rates

LARGEST = int(os.environ.get("MENTON_BENCH_LARGEST", "1000000"))
SIZES = tuple(n for n in (10_000, 100_000, 1_000_000, 10_000_000) if n <= LARGEST)
FILES = tuple(n for n in (1_000, 10_000, 100_000) if n <= LARGEST)
"""Cases read from a file; ``bench_ingest.py`` adds a million."""
IN_MEMORY = 1_000_000
"""Cases up to which the ways that work in memory are tried."""
BY_HAND = 100_000
COMPARED = 1_000_000
REPORTED = 100_000


@pytest.fixture(scope="module", autouse=True)
def _imported(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Everything is imported, and every query compiled once, before the clock runs."""
    folder = tmp_path_factory.mktemp("warm")
    with filled_store(folder, 500) as store:
        publish(folder, store)
    with Reader.open(folder) as reader:
        rates(reader, by="appliance_category")
        compare(reader)
    file = large_wide_csv(folder / "cases.csv", 500, 1)
    ingest(Request(paths=(file,), warehouse=folder / "w"))
    write_report(folder / "w", folder / "report.html")


def compare(reader: Reader) -> object:
    pair = ("expander_tooth_borne", "fixed_labial")
    adjust = ("age_at_start", "sex")
    return compare_pair(reader, Question(by="appliance_category", first=pair[0], second=pair[1], adjust=adjust))


@pytest.mark.benchmark
@pytest.mark.parametrize("n", SIZES)
def test_from_store_to_rate(n: int, tmp_path: Path, table: Table) -> None:
    with filled_store(tmp_path, n) as store:
        others = [
            table.take("marts", "one table, one outcome: bare DuckDB", lambda: bare_marts(store, tmp_path / "b"), n=n)
        ]
        if n <= IN_MEMORY:
            held = frames(store)
            others.append(table.take("marts", "one table, one outcome: Polars", lambda: polars_marts(held), n=n))
            as_pandas = {name: frame.to_pandas() for name, frame in held.items()}
            others.append(table.take("marts", "one table, one outcome: pandas", lambda: pandas_marts(as_pandas), n=n))
            del as_pandas
        if n <= BY_HAND:
            rows = {name: frame.to_dicts() for name, frame in held.items()}
            others.append(table.take("marts", "one table, one outcome: row by row", lambda: looked_up_marts(rows), n=n))
            del rows
        held = {}
        table.take(
            "marts", "publish: every mart, every definition", lambda: publish(tmp_path, store), n=n, against=others
        )
    assert len({other.result for other in others}) == 1, "all ways agree"
    _rates(n, tmp_path, table, others[0].result)


def _rates(n: int, folder: Path, table: Table, n_adverse: int) -> None:
    with Reader.open(folder) as reader:
        others = [table.take("rate", "by appliance: bare DuckDB", lambda: bare_rate(reader.snapshot.path), n=n)]
        if n <= IN_MEMORY:
            cases = reader.connection.frame(
                "select appliance_first, comparison, selection, d1_step, d1_adverse from mart_cases"
                " inner join mart_results using (case_no)"
            )
            others.append(table.take("rate", "by appliance: Polars, in memory", lambda: polars_rate(cases), n=n))
            as_pandas = cases.to_pandas()
            others.append(table.take("rate", "by appliance: pandas, in memory", lambda: pandas_rate(as_pandas), n=n))
        if n <= BY_HAND:
            rows = cases.to_dicts()
            others.append(table.take("rate", "by appliance: row by row", lambda: counted_by_hand(rows), n=n))
        row = table.take(
            "rate", "menton rate --by appliance_category",
            lambda: rates(reader, by="appliance_category"), n=n, against=others,
        )  # fmt: skip
        ours = {group.group: (group.adverse.n, group.counted.n) for group in row.result.groups}
        assert all(other.result == ours for other in others)
        assert sum(adverse for adverse, _ in ours.values()) == n_adverse
        if n <= COMPARED:
            table.take("compare", "menton compare, two appliances, adjusted", lambda: compare(reader), n=n)


@pytest.mark.benchmark
@pytest.mark.parametrize("n", FILES)
def test_from_file_to_warehouse(n: int, tmp_path: Path, table: Table) -> None:
    path = large_wide_csv(tmp_path / "cases.csv", n, 1)
    row = table.take(
        "ingest",
        INGEST,
        lambda: ingest(Request(paths=(path,), warehouse=tmp_path / "w")),
        n=n,
    )
    assert row.result.loaded
    if n <= REPORTED:
        warehouse = tmp_path / "w"
        table.take("report", "menton report, HTML", lambda: write_report(warehouse, tmp_path / "report.html"), n=n)
        assert (tmp_path / "report.html").stat().st_size > 50_000
