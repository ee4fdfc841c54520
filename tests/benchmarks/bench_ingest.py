"""How long a file takes from rows to published rate, as a multiple of what a user would pick instead.

Run with ``make bench``. Nothing is asserted about time: seconds depend on the machine, ratios in one run much less so.
Whole processes are measured as people wait for them, imports included, each the least of three and the others in turn
between. Within one process imports are left out on both sides; a small warehouse is loaded first.
"""

from __future__ import annotations

import hmac
import resource
import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import polars as pl
import pytest

from pipelines.ingest.ingest import Request, ingest
from tests.benchmarks.ingest_peers import CODES
from tests.benchmarks.table import INGEST, Row, Table, Watched, whole
from tests.large_file import large_wide_csv
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.questions.shares import rates

N = 1_000_000
N_BY_HAND = 20_000
ROUNDS = 3
FAULTY = 0.02
"""Share of rows with one cell that no rule lets through."""
ASKED = {10_000: 2.0, 100_000: 1.5, 1_000_000: 1.2}
"""Rows -> how often the processor seconds of pandas and pandera, with the same rules, an ingest may take."""
ASKED_OF_WALL = {1_000_000: 2.5}
"""Rows -> how often the seconds of a bare read_csv to disk it may take."""
MOST_MEMORY = {1_000_000: 1.5e9}
BARE, PANDAS = "bare DuckDB, read_csv to disk", "pandas, the same rules by hand"
PANDERA = "pandas and pandera, the same rules"
PEERS = {BARE: "read_csv", PANDAS: "pandas", PANDERA: "pandera"}
OURS = "menton ingest, published"
STARTED = "starting Great Expectations, Polars and DuckDB"
WRONG = {
    "sex": "maleish", "age_at_start": "99", "cvm_stage": "CS9", "status": "gone", "sn_gogn_deg_start": "200.5",
    "overjet_mm_finish": "abc", "lafh_mm_start": "-5", "start_quarter": "2015-Q9", "extracted_teeth": "99",
    "months_from_start_finish": "-4",
}  # fmt: skip
"""Column -> what stands in it in a faulty row."""


def timed(work: Callable[[], Any]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def bare_read(path: Path, database: Path) -> None:
    """The least anyone could do: read the file into an on-disk table and write it out."""
    connection = duckdb.connect(str(database))
    connection.execute("create table cases as select * from read_csv(?)", [str(path)])
    connection.execute("checkpoint")
    connection.close()


def by_hand(path: Path, database: Path) -> int:
    """The same job written the usual way: pandas, and a Python check of each row.

    It is less than the whole job: one outcome of the many, no reasons kept, no history.
    """
    frame = pd.read_csv(path)
    good = []
    for _, row in frame.iterrows():
        faults = [name for name in frame.columns if not cell_is_right(name, row[name])]
        if row["status"] == "finished" and pd.isna(row["months_from_start_finish"]):
            faults.append("months_from_start_finish")
        if row["incisor_class"] == "III" and row["overjet_mm_start"] > 2:
            faults.append("overjet_mm_start")
        if faults:
            continue
        change = row["sn_gogn_deg_finish"] - row["sn_gogn_deg_start"]
        age = row["age_at_start"]
        years = max(0.0, min(age + row["months_from_start_finish"] / 12, 18.0) - min(age, 18.0))
        case_id = hmac.new(b"key", str(row["case_id"]).encode(), "sha256").hexdigest()[:24]
        good.append({**row, "case_id": case_id, "adverse": change + 0.3 * years >= 2.0})
    kept = pd.DataFrame(good)
    connection = duckdb.connect(str(database))
    connection.register("kept", kept)
    connection.execute("create table cases as select * from kept")
    connection.execute("checkpoint")
    connection.close()
    return len(good)


def cell_is_right(name: str, value: Any) -> bool:
    if name in CODES:
        return pd.isna(value) or value in CODES[name]
    measure = CATALOGUE.get(name.removesuffix("_start").removesuffix("_finish"))
    if measure is None or pd.isna(value):
        return True
    return measure.plausible[0] <= float(str(value)) <= measure.plausible[1]


def faulty_csv(path: Path, n: int) -> Path:
    """Invented cases in 25 columns, two in a hundred with a cell that is wrong, one column after the other."""
    frame = pl.read_csv(large_wide_csv(path, n, 1), infer_schema=False)
    every = int(1 / FAULTY)
    row = pl.int_range(pl.len())
    changed = [
        pl.when(row % (every * len(WRONG)) == every * place).then(pl.lit(text)).otherwise(pl.col(column)).alias(column)
        for place, (column, text) in enumerate(WRONG.items())
    ]
    frame.with_columns(changed).write_csv(path)
    return path


def ways(path: Path, out: Path) -> dict[str, list[str]]:
    """What is measured as a whole process -> the words that start it."""
    peer = [sys.executable, "-m", "tests.benchmarks.ingest_peers"]
    ours = [sys.executable, "-m", "pipelines.cli", "ingest", str(path), "--practice", "AAA"]
    return {name: [*peer, what, str(path), str(out)] for name, what in PEERS.items()} | {
        OURS: [*ours, "--warehouse", str(out / "w")],
        STARTED: [
            sys.executable,
            "-c",
            "import duckdb; from pipelines.checking.validation import Examiner; Examiner()",
        ],
    }


@pytest.mark.benchmark
@pytest.mark.parametrize("n", ASKED)
def test_an_ingest_as_people_wait_for_it(tmp_path: Path, table: Table, n: int) -> None:
    path, out = faulty_csv(tmp_path / "cases.csv", n), tmp_path / "out"
    took: dict[str, list[tuple[float, float, int]]] = {}
    kept: dict[str, int] = {}
    for _ in range(ROUNDS):
        for name, words in ways(path, out).items():
            shutil.rmtree(out, ignore_errors=True)
            out.mkdir()
            took.setdefault(name, []).append(whole(words))
            if name in {PANDAS, PANDERA}:
                kept[name] = pl.scan_parquet(out / "cases.parquet").select(pl.len()).collect().item()
    assert n * 0.9 < kept[PANDAS] == kept[PANDERA] < n
    seconds, spent, most = ({name: pick(one) for name, one in took.items()} for pick in (first, second, highest))

    def row(name: str, *, clock: bool, asked: str = "") -> Row:
        what = f"whole process{'' if clock else ', processor seconds'}: {name}"
        time_taken = seconds[name] if clock else spent[name]
        return Row("ingest", what, n, time_taken, spent[name], most[name], asked=asked)

    by_clock = [table.add(row(name, clock=True)) for name in PEERS]
    asked = f"asked: {ASKED_OF_WALL[n]:g} × bare DuckDB" if n in ASKED_OF_WALL else ""
    table.add(row(OURS, clock=True, asked=asked), against=by_clock)
    by_processor = [table.add(row(name, clock=False)) for name in PEERS]
    asked = f"asked: {ASKED[n]:g} × pandas and pandera"
    table.add(row(OURS, clock=False, asked=asked), against=by_processor)
    table.add(row(STARTED, clock=False))
    ratio, start = spent[OURS] / spent[PANDERA], spent[STARTED]
    reached = [f"{ratio:.1f} × pandas and pandera by processor (asked: {ASKED[n]:g} ×)"]
    if n in ASKED_OF_WALL:
        times = seconds[OURS] / seconds[BARE]
        reached.append(f"{times:.1f} × a bare read_csv by the clock (asked: {ASKED_OF_WALL[n]:g} ×)")
        reached.append(f"{most[OURS] / 1e9:.2f} GB (asked: {MOST_MEMORY[n] / 1e9:g})")
    table.notes.append(
        f"Ingest of {n:,} rows, {FAULTY:.0%} faulty: {'; '.join(reached)}. Of its {spent[OURS]:.1f} processor seconds"
        f" {start:.1f} go into {STARTED}; the rest reads, keys, judges, keeps with history and publishes every outcome"
        " definition, which no peer does."
    )


def first(took: list[tuple[float, float, int]]) -> float:
    return min(seconds for seconds, _, _ in took)


def second(took: list[tuple[float, float, int]]) -> float:
    return min(processor for _, processor, _ in took)


def highest(took: list[tuple[float, float, int]]) -> int:
    return max(memory for _, _, memory in took)


@pytest.mark.benchmark
def test_a_million_cases_from_file_to_rate(tmp_path: Path, table: Table) -> None:
    small, large = large_wide_csv(tmp_path / "small.csv", N_BY_HAND, 1), large_wide_csv(tmp_path / "large.csv", N, 1)
    ingest(Request(paths=(small,), warehouse=tmp_path / "warm"))
    bare = timed(lambda: bare_read(large, tmp_path / "bare.duckdb"))
    with Watched() as watched:
        ingest(Request(paths=(large,), warehouse=tmp_path / "w"))
    ours = watched.seconds
    small_ours = timed(lambda: ingest(Request(paths=(small,), warehouse=tmp_path / "s")))
    small_by_hand = timed(lambda: by_hand(small, tmp_path / "hand.duckdb"))
    with Reader.open(tmp_path / "w") as reader:
        results = []
        asked = timed(lambda: results.append(rates(reader)))
        assert results[0].groups[0].n_started > 0.9 * N
    by_hand_scaled = small_by_hand * N / N_BY_HAND
    others = [
        table.add(Row("ingest", "read_csv into an on-disk table: bare DuckDB", N, bare)),
        table.add(Row("ingest", "a check of each row, one outcome: pandas, row by row", N_BY_HAND, small_by_hand)),
    ]
    table.add(Row("ingest", INGEST, N, ours, watched.processor, watched.memory), against=others)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"\n{N:,} cases x 25 columns"
        f"\n  bare read_csv to an on-disk table   {bare:6.1f} s"
        f"\n  menton ingest and publish           {ours:6.1f} s   {ours / bare:.1f} x bare"
        f"\n  pandas, a check of each row         {by_hand_scaled:6.1f} s   {by_hand_scaled / ours:.1f} x menton"
        f" (measured on {N_BY_HAND:,}: {small_by_hand:.1f} s against {small_ours:.1f} s)"
        f"\n  menton rate                         {asked:6.2f} s"
        f"\n  peak memory of the whole process    {peak:6.1f} GB"
    )
