"""What a page costs the server with a hundred thousand cases and a million, against one bare query and one bare chart.

Run with ``python -m pytest tests/benchmarks/bench_dashboard.py -m benchmark -s``. Processor seconds spent while the
page's script runs, so that waiting plays no part; nothing is asserted about time, only that every page has drawn.

Then what one waits for in a real browser: from start to the first page at rest, and from the click on a choice to the
last change of the page; beside it a bare page of Streamlit with the same choices, one query and one chart.

Then fifty people who open a page at once, and beside it pages of Streamlit alone: one line of text, which is the least
that any page costs, and one query and one chart.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import altair as alt
import polars as pl
import psutil
import pytest
from playwright.sync_api import Browser, sync_playwright
from streamlit.runtime.scriptrunner.script_runner import ScriptRunner
from streamlit.testing.v1 import AppTest

from pipelines.ingest.ingest import Request, ingest
from tests.benchmarks.fifty import PATIENCE
from tests.benchmarks.table import Row, Table
from tests.dashboard.browsing import ENDS_WITH_US, FLAGS, Served, choose, free_port, person, rest, served
from tests.large_file import large_wide_csv
from warehouse.marts.reader import Reader
from warehouse.store.snapshot import current_snapshot

N = 100_000
APP = Path(__file__).parents[2] / "dashboard" / "entry" / "app.py"
MILLION = 10 * N
PAGES = ("answer", "comparisons", "cases", "present", "readings", "data", "methods", "drift")
FILTERS = (("sex", "female"), ("age_band", "10-11"), ("extraction", "extraction"))


def warehouse_of(n: int, made: Path) -> Path:
    """A warehouse of so many invented cases."""
    ingest(Request(paths=(large_wide_csv(made / "large.csv", n, 1),), warehouse=made / "cases"))
    return made / "cases"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse of a hundred thousand invented cases."""
    return warehouse_of(N, tmp_path_factory.mktemp("large"))


@pytest.fixture(scope="module")
def larger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse of a million."""
    return warehouse_of(MILLION, tmp_path_factory.mktemp("larger"))


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
    measure(N, folder, spent, monkeypatch, table)


@pytest.mark.benchmark
def test_what_a_page_costs_at_a_million(
    larger: Path, spent: list[float], monkeypatch: pytest.MonkeyPatch, table: Table
) -> None:
    measure(MILLION, larger, spent, monkeypatch, table)


def measure(n: int, folder: Path, spent: list[float], monkeypatch: pytest.MonkeyPatch, table: Table) -> None:
    """A row for each page first opened, opened by the next person, and with each of the filters set."""
    monkeypatch.setenv("MENTON_WAREHOUSE", str(folder))
    opened(PAGES[0])  # everything is imported now
    base = bare(folder)
    print(f"\n{n:,} cases; one bare query and chart: {base:.3f} s (1.0 x)")

    bare_row = table.add(
        Row("dashboard", "one query and one chart, processor seconds: bare DuckDB and Altair", n, base, base)
    )

    def line(what: str) -> None:
        table.add(Row("dashboard", f"{what}, processor seconds", n, spent[-1], spent[-1]), against=[bare_row])
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


CHOICES = (("Sex", "female"), ("Extraction status", "extraction"), ("Age at start", "10 to 11 years"))
"""What is chosen, each on the page as it first is: the title of the menu, and the option."""

BARE_CHOICES = """
import os
import altair, duckdb, streamlit
streamlit.title("Adverse by age")
wanted = ["true"]
for title, column, named in (
    ("Sex", "sex", {"female": "female"}),
    ("Extraction status", "extraction", {"extraction": "extraction"}),
    ("Age at start", "age_band", {"10 to 11 years": "10-11"}),
):
    wanted += [f"{column} = '{named[one]}'" for one in streamlit.multiselect(title, list(named))]
with duckdb.connect(os.environ["STORE"], read_only=True) as store:
    rows = store.sql(
        "select age_band, count(*) as n from mart_outcomes inner join mart_cases using (case_no)"
        " where definition_id = 'D1' and mart_outcomes.status = 'adverse' and " + " and ".join(wanted) + " group by 1"
    ).pl()
streamlit.altair_chart(altair.Chart(rows).mark_bar().encode(x="n:Q", y="age_band:N"))
"""
ROUNDS = 2
# The last change of a page since a click, in milliseconds, as its browser saw it.
WATCH = """
() => {
  window.lastChange = 0;
  const seen = new MutationObserver(() => { window.lastChange = performance.now() - window.clicked; });
  seen.observe(document.body, {subtree: true, childList: true, attributes: true, characterData: true});
  document.addEventListener('pointerdown', () => { window.clicked = performance.now(); }, {capture: true});
}
"""


def processor_of_children() -> float:
    """Processor seconds so far of all that this process started, but for the browser."""
    total = 0.0
    for one in psutil.Process().children(recursive=True):
        with suppress(psutil.Error):
            words = " ".join(one.cmdline())
            if words and "chrom" not in words and "playwright" not in words:  # one that is ending has no words
                total += one.cpu_times().user + one.cpu_times().system
    return total


def clicked(browser: Browser, address: str, cookies: list[Any], title: str, option: str) -> float:
    """Seconds from the click on an option to the last change of the page."""
    context = person(browser)
    context.add_cookies(cookies)
    page = context.new_page()
    page.goto(address)
    rest(page)
    page.evaluate(WATCH)
    choose(page, title, option)
    seconds: float = page.evaluate("() => window.lastChange / 1000")
    context.close()
    return seconds


@pytest.mark.benchmark
@pytest.mark.parametrize("n", [N, MILLION])
def test_what_a_person_waits_for(n: int, request: pytest.FixtureRequest, table: Table, tmp_path: Path) -> None:
    folder = request.getfixturevalue("folder" if n == N else "larger")
    starts: dict[str, list[Row]] = {"bare": [], "first page": []}
    clicks: dict[str, list[float]] = {"bare": [], "first page": []}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=list(FLAGS))
        for turn in range(ROUNDS):
            for name in starts:
                before, began = processor_of_children(), time.perf_counter()
                opens = bare_page(folder, tmp_path, BARE_CHOICES) if name == "bare" else served(folder, begins=True)
                with opens as address:
                    cookies = address.cookies if isinstance(address, Served) else []
                    context = person(browser)
                    context.add_cookies(cookies)
                    page = context.new_page()
                    page.goto(str(address))
                    rest(page)
                    seconds, spent = time.perf_counter() - began, processor_of_children() - before
                    context.close()
                    starts[name].append(Row("dashboard", f"{name}: from start to rest", n, seconds, spent))
                    if turn == 0:
                        clicks[name] = [clicked(browser, str(address), cookies, *choice) for choice in CHOICES]
        browser.close()
    least = {name: min(rows, key=lambda row: row.processor or 0.0) for name, rows in starts.items()}
    bare = table.add(replace(least["bare"], by_processor=True, what="from start to rest in a browser: bare page"))
    ours = replace(least["first page"], by_processor=True, what="from start to rest in a browser: first page")
    table.add(replace(ours, asked="asked: 1.3 ×"), against=[bare])
    middle = {name: sorted(seconds)[len(seconds) // 2] for name, seconds in clicks.items()}
    bare = table.add(Row("dashboard", "from click to rest in a browser: bare page", n, middle["bare"]))
    click = Row("dashboard", "from click to rest in a browser: first page", n, middle["first page"])
    table.add(replace(click, asked="asked: 2 ×"), against=[bare])


BARE_PAGE = """
import os
import altair, duckdb, streamlit
with duckdb.connect(os.environ["STORE"], read_only=True) as store:
    rows = store.sql(
        "select age_band, count(*) as n from mart_outcomes inner join mart_cases using (case_no)"
        " where definition_id = 'D1' and mart_outcomes.status = 'adverse' group by 1"
    ).pl()
streamlit.altair_chart(altair.Chart(rows).mark_bar().encode(x="n:Q", y="age_band:N"))
"""
LEAST_PAGE = 'import streamlit\n\nstreamlit.text("one line")\n'
AT_ONCE, ALONE = 50, 5


@contextmanager
def bare_page(folder: Path, tmp_path: Path, script: str) -> Iterator[str]:
    """A page of Streamlit alone, served; gives its address."""
    (tmp_path / "bare.py").write_text(script, encoding="utf-8")
    port = free_port()
    words = ["-m", "streamlit", "run", "bare.py", "--server.headless=true", f"--server.port={port}"]
    words += ["--server.fileWatcherType=none", "--browser.gatherUsageStats=false"]
    told = os.environ | {"STORE": str(current_snapshot(folder).path)}
    address = f"http://127.0.0.1:{port}"
    with (
        subprocess.Popen(  # what it says goes nowhere: a pipe that nobody reads fills up, and the server waits for ever
            [*ENDS_WITH_US, sys.executable, *words],
            cwd=tmp_path,
            env=told,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        ) as server
    ):
        try:
            wait_for(address, server)
            yield address
        finally:
            server.kill()
            server.wait()


def wait_for(address: str, server: subprocess.Popen[bytes]) -> None:
    """Wait until a server answers; an error in words where it ends, or does not within the limit."""
    began = time.monotonic()
    while time.monotonic() - began < PATIENCE:
        if server.poll() is not None:
            message = f"the bare page at {address} ended with {server.returncode} before it answered"
            raise RuntimeError(message)
        with suppress(OSError), urllib.request.urlopen(f"{address}/_stcore/health", timeout=5):
            return
        time.sleep(0.1)
    message = f"the bare page at {address} did not answer within {PATIENCE} seconds"
    raise TimeoutError(message)


def opened_by(number: int, address: str, cookie: str, page: str) -> dict[str, list[float]]:
    """Seconds of each page and each look at the health page, asked by a process of its own."""
    words = [sys.executable, "-m", "tests.benchmarks.fifty", address, cookie, str(number), page]
    try:
        said = subprocess.run(words, capture_output=True, text=True, timeout=2 * PATIENCE)
    except subprocess.TimeoutExpired as late:
        message = f"{number} visits to the page {page or 'first shown'} did not end within {2 * PATIENCE} seconds"
        raise TimeoutError(message) from late
    assert said.returncode == 0, said.stderr.strip().splitlines()[-1:]
    found: dict[str, list[float]] = json.loads(said.stdout)
    return found


def fifty_people(table: Table, name: str, address: str, cookie: str, page: str) -> None:
    """Rows of a page first opened, opened again by one person, and by fifty at once."""
    (first,) = opened_by(1, address, cookie, page)["pages"]
    table.add(Row("fifty people", f"{name}: first opened, at rest", N, first))
    again = sorted(opened_by(1, address, cookie, page)["pages"][0] for _ in range(ALONE))[ALONE // 2]
    alone = table.add(Row("fifty people", f"{name}: one person, at rest", N, again))
    found = opened_by(AT_ONCE, address, cookie, page)
    assert len(found["pages"]) == AT_ONCE
    for which, seconds in (("the middle one", found["pages"][AT_ONCE // 2]), ("the last one", found["pages"][-1])):
        table.add(Row("fifty people", f"{name}: fifty at once, {which} at rest", N, seconds), against=[alone])
    table.add(Row("fifty people", f"{name}: fifty at once, longest wait for the health page", N, found["health"][-1]))


@pytest.mark.benchmark
def test_fifty_people_at_once(folder: Path, table: Table, tmp_path: Path) -> None:
    for name, script in (("one line of text", LEAST_PAGE), ("one query and one chart", BARE_PAGE)):
        with bare_page(folder, tmp_path, script) as address:
            fifty_people(table, f"Streamlit alone, {name}", address, "", "")
    with served(folder, begins=True) as address:
        cookie = "; ".join(f"{one['name']}={one['value']}" for one in address.cookies)
        for page in ("", "comparisons", "behind", "present"):
            fifty_people(table, page or "answer", address, cookie, page)
