"""What a page costs the server with a hundred thousand cases, as a multiple of one bare query and one bare chart.

Run with ``python -m pytest tests/benchmarks/bench_dashboard.py -m benchmark -s``. Processor seconds spent while the
page's script runs, so that waiting plays no part; nothing is asserted about time, only that every page has drawn.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import altair as alt
import polars as pl
import pytest
from streamlit.runtime.scriptrunner.script_runner import ScriptRunner
from streamlit.testing.v1 import AppTest

from pipelines.ingest.ingest import Request, ingest
from tests.benchmarks.table import Row, Table
from tests.large_file import large_wide_csv
from warehouse.marts.reader import Reader

N = 100_000
APP = Path(__file__).parents[2] / "dashboard" / "entry" / "app.py"
PAGES = ("answer", "comparisons", "cases", "present", "readings", "data", "methods")
FILTERS = (("sex", "female"), ("age_band", "10-11"), ("extraction", "extraction"))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse of a hundred thousand invented cases."""
    made = tmp_path_factory.mktemp("large")
    ingest(Request(paths=(large_wide_csv(made / "large.csv", N, 1),), warehouse=made / "cases"))
    return made / "cases"


@pytest.fixture
def spent(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Processor seconds of every run of a script, in order."""
    seconds: list[float] = []
    run = ScriptRunner._run_script

    def timed(runner: ScriptRunner, *given: Any, **named: Any) -> Any:
        start = time.process_time()
        try:
            return run(runner, *given, **named)
        finally:
            seconds.append(time.process_time() - start)

    monkeypatch.setattr(ScriptRunner, "_run_script", timed)
    return seconds


def bare(folder: Path) -> float:
    """Processor seconds of one query over the cases and their outcomes, and one plain chart of what it gives."""

    def once() -> None:
        with Reader.open(folder) as reader:
            rows = reader.connection.rows(
                "select age_band, count(*) from mart_outcomes inner join mart_cases using (case_no)"
                " where definition_id = 'D1' and mart_outcomes.status = 'adverse' and sex = 'female' group by 1"
            )
        frame = pl.DataFrame(rows, schema=["group", "n"], orient="row")
        alt.Chart(frame).mark_bar().encode(x="n:Q", y="group:N").to_dict()

    once()
    return _seconds(once)


def _seconds(work: Callable[[], Any]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def opened(page: str) -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=600)
    if page != PAGES[0]:
        app.switch_page(f"../pages/{page}.py")
    return app.run()


@pytest.mark.benchmark
def test_what_a_page_costs(folder: Path, spent: list[float], monkeypatch: pytest.MonkeyPatch, table: Table) -> None:
    monkeypatch.setenv("MENTON_WAREHOUSE", str(folder))
    opened(PAGES[0])  # everything is imported now
    base = bare(folder)
    print(f"\n{N:,} cases; one bare query and chart: {base:.3f} s (1.0 x)")

    bare_row = table.add(
        Row("dashboard", "one query and one chart, processor seconds: bare DuckDB and Altair", N, base, base)
    )

    def line(what: str) -> None:
        table.add(Row("dashboard", f"{what}, processor seconds", N, spent[-1], spent[-1]), against=[bare_row])
        print(f"  {what:34} {spent[-1]:6.3f} s  {spent[-1] / base:5.1f} x")

    for page in PAGES:
        app = opened(page)
        line(f"{page}: first opened")
        opened(page)
        line(f"{page}: opened by the next person")
        for name, value in FILTERS:
            for choice in (one for one in app.multiselect if one.key == name):
                app = choice.set_value([value]).run()
                line(f"{page}: {name} = {value}")
        assert not app.exception
        assert app.title[0].value
