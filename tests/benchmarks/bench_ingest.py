"""How long a million cases take from file to published rate, as a multiple of what a user would pick instead.

Run with ``make bench``. Nothing is asserted about time: seconds depend on the machine, ratios in one run much less so.
Imports are left out on both sides; a warehouse of one case is loaded first so that everything is imported.
"""

from __future__ import annotations

import hmac
import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from pipelines.ingest.ingest import Request, ingest
from tests.benchmarks.table import INGEST, Row, Table, Watched
from tests.large_file import large_wide_csv
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.questions.shares import rates

N = 1_000_000
N_BY_HAND = 20_000


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


CODES = {
    "sex": {"male", "female", "other", "unknown"},
    "cvm_stage": {"CS1", "CS2", "CS3", "CS4", "CS5", "CS6"},
    "incisor_class": {"I", "II/1", "II/2", "III"},
    "selection": {"consecutive", "selected"},
    "status": {"finished", "in_treatment", "stopped_early", "moved_away", "no_return"},
    "comparison": {"treated", "untreated"},
}


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
