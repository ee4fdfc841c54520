"""A store with any number of invented cases, filled by DuckDB itself, and the same answer got in other ways."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import polars as pl

from warehouse.store.storage import Connection
from warehouse.store.store import open_store

MEASURES = ("sn_gogn_deg", "facial_axis_deg", "lafh_mm", "tafh_mm", "lafh_direct_pct", "overjet_mm")
APPLIANCES = ("fixed_labial", "expander_tooth_borne", "functional_removable", "headgear_cervical", "clear_aligner")


def filled_store(folder: Path, n: int) -> Connection:
    """A store of ``n`` treated cases with records at start and finish, numbers made from the case's own number.

    One case in ten has no finish; one in seven takes teeth out; five appliances; no repeats.
    """
    store = open_store(folder, create=True)
    for measure in MEASURES:
        store.execute(f"alter table readings add column {measure} double")
    digest = "0" * 64
    store.execute(
        f"insert into loads values (1, 'P0', 'wide', 'cases', 'made.csv', null, '{digest}', 1, '{digest}',"
        f" now()::timestamp, '0', '1.0.0', '{{}}', {n}, {n}, 0)"
    )
    numbers = (
        "from (select i::integer as i, (hash(i) % 1000)::integer as a, (hash(i, 1) % 1000)::integer as b"
        f" from range(1, {n + 1}) as made(i))"
    )
    store.execute(f"insert into case_registry select i, 'P' || a % 20, printf('%024d', i) {numbers}")
    store.execute(
        "insert into cases by name select i as case_no, 1 as load_id, i + 1 as row_no,"
        " case when a % 2 = 0 then 'female' else 'male' end as sex, 8 + b / 125e0 as age_at_start,"
        " case when a % 7 = 0 then '14 24 34 44' else 'none' end as extracted_teeth,"
        " (2015 + a % 8) || '-Q' || (1 + b % 4) as start_quarter, 'consecutive' as selection,"
        " case when a % 10 = 9 then 'in_treatment' else 'finished' end as status,"
        f" 'treated' as comparison {numbers}"
    )
    kinds = " ".join(f"when {k} then '{appliance}'" for k, appliance in enumerate(APPLIANCES))
    store.execute(
        "insert into phases by name select i as case_no, 1 as load_id, i + 1 as row_no, 1 as phase_no,"
        f" case b % 5 {kinds} end as appliance_category {numbers}"
    )
    for timepoint, months, change, condition in (
        ("start", "0", "0", "true"),
        ("finish", "12 + b % 24", "(a % 80 - 30) / 1e1", "a % 10 <> 9"),
    ):
        keys = f"i as case_no, 1 as load_id, i + 1 as row_no, '{timepoint}' as timepoint"
        where = f"{numbers} where {condition}"
        store.execute(f"insert into visits by name select {keys}, {months} as months_from_start {where}")
        values = ", ".join(f"round(30 + {k} + b % 90 / 1e1 + {change}, 1) as {m}" for k, m in enumerate(MEASURES))
        store.execute(f"insert into readings by name select {keys}, 'E1' as examiner, 1 as repeat_no, {values} {where}")
    return store


ADVERSE = (
    "round(later.sn_gogn_deg - earlier.sn_gogn_deg + 0.3e0 * (least(age_at_start + visits.months_from_start / 12e0,"
    " 18e0) - least(age_at_start, 18e0)), 6) >= 2.0e0"
)
"""One definition of the many (D1, growth reference R1), written out."""

BARE_MARTS = f"""
create table bare.main.cases as
select cases.*, case_registry.practice, phases.appliance_category, {ADVERSE} as adverse,
    {", ".join(f"earlier.{m} as {m}_start, later.{m} as {m}_finish" for m in MEASURES)}
from menton.main.cases
left join menton.main.case_registry on case_registry.case_no = cases.case_no
left join menton.main.phases on phases.case_no = cases.case_no
left join menton.main.readings as earlier on earlier.case_no = cases.case_no and earlier.timepoint = 'start'
left join menton.main.readings as later on later.case_no = cases.case_no and later.timepoint = 'finish'
left join menton.main.visits on visits.case_no = cases.case_no and visits.timepoint = 'finish'
"""


def bare_marts(store: Connection, path: Path) -> int:
    """One wide table with one outcome, by one hand-written statement of DuckDB."""
    store.execute(f"attach '{path}' as bare")
    store.execute(BARE_MARTS)
    n: int = store.value("select count(*) from bare.main.cases where adverse and status = 'finished'")
    store.execute("detach bare")
    return n


def frames(store: Connection) -> dict[str, pl.DataFrame]:
    """Cases, visits and readings as they lie in the store, for those who work in memory."""
    return {
        table: store.frame(f"select * from menton.main.{table}") for table in ("cases", "phases", "visits", "readings")
    }


def polars_marts(tables: dict[str, pl.DataFrame]) -> int:
    """The same wide table and outcome with Polars."""
    earlier, later = (
        tables["readings"]
        .filter(pl.col("timepoint") == time)
        .select("case_no", pl.col(MEASURES).name.suffix(f"_{time}"))
        for time in ("start", "finish")
    )
    at_finish = tables["visits"].filter(pl.col("timepoint") == "finish").select("case_no", "months_from_start")
    wide = tables["cases"]
    for other in (tables["phases"].select("case_no", "appliance_category"), earlier, later, at_finish):
        wide = wide.join(other, on="case_no", how="left")
    age, end = pl.col("age_at_start"), pl.col("age_at_start") + pl.col("months_from_start") / 12
    years = pl.min_horizontal(end, pl.lit(18.0)) - pl.min_horizontal(age, pl.lit(18.0))
    change = pl.col("sn_gogn_deg_finish") - pl.col("sn_gogn_deg_start")
    wide = wide.with_columns(adverse=(change + 0.3 * years).round(6) >= 2.0)
    return wide.filter(pl.col("adverse") & (pl.col("status") == "finished")).height


def pandas_marts(tables: dict[str, pd.DataFrame]) -> int:
    """The same with pandas."""
    earlier, later = (
        tables["readings"].query("timepoint == @time").set_index("case_no")[list(MEASURES)].add_suffix(f"_{time}")
        for time in ("start", "finish")
    )
    at_finish = tables["visits"].query("timepoint == 'finish'").set_index("case_no")[["months_from_start"]]
    appliances = tables["phases"].set_index("case_no")[["appliance_category"]]
    wide = tables["cases"].set_index("case_no").join([appliances, earlier, later, at_finish])
    end = (wide["age_at_start"] + wide["months_from_start"] / 12).clip(upper=18.0)
    years = end - wide["age_at_start"].clip(upper=18.0)
    change = wide["sn_gogn_deg_finish"] - wide["sn_gogn_deg_start"]
    wide["adverse"] = (change + 0.3 * years).round(6) >= 2.0
    return int((wide["adverse"] & (wide["status"] == "finished")).sum())


def looked_up_marts(tables: dict[str, list[dict[str, Any]]]) -> int:
    """The same as a spreadsheet does it: a row at a time, the other sheets looked up by case and time."""
    readings = {(row["case_no"], row["timepoint"]): row for row in tables["readings"]}
    visits = {(row["case_no"], row["timepoint"]): row for row in tables["visits"]}
    appliances = {row["case_no"]: row["appliance_category"] for row in tables["phases"]}
    n = 0
    for case in tables["cases"]:
        earlier, later = readings.get((case["case_no"], "start")), readings.get((case["case_no"], "finish"))
        row = {**case, "appliance": appliances.get(case["case_no"])}
        row |= {f"{m}_start": earlier[m] if earlier else None for m in MEASURES}
        row |= {f"{m}_finish": later[m] if later else None for m in MEASURES}
        if earlier is None or later is None or case["status"] != "finished":
            continue
        age = case["age_at_start"]
        years = min(age + visits[case["case_no"], "finish"]["months_from_start"] / 12, 18.0) - min(age, 18.0)
        n += round(row["sn_gogn_deg_finish"] - row["sn_gogn_deg_start"] + 0.3 * years, 6) >= 2.0
    return n


def bare_rate(database: Path) -> dict[str, tuple[int, int]]:
    """Adverse and counted by appliance, asked of the published tables by bare DuckDB."""
    with duckdb.connect(str(database), read_only=True) as connection:
        rows = connection.execute(
            "select appliance_first, sum(d1_adverse::integer), count(*) from mart_results"
            " inner join mart_cases using (case_no) where d1_step = 0 and comparison = 'treated'"
            " and selection = 'consecutive' group by 1"
        ).fetchall()
    return {str(name): (int(adverse), int(counted)) for name, adverse, counted in rows}


def polars_rate(cases: pl.DataFrame) -> dict[str, tuple[int, int]]:
    """The same of a frame in memory, with Polars."""
    kept = cases.filter(
        (pl.col("d1_step") == 0) & (pl.col("comparison") == "treated") & (pl.col("selection") == "consecutive")
    )
    rows = kept.group_by("appliance_first").agg(pl.col("d1_adverse").sum(), pl.len())
    return {name: (adverse, counted) for name, adverse, counted in rows.iter_rows()}


def pandas_rate(cases: pd.DataFrame) -> dict[str, tuple[int, int]]:
    """The same with pandas."""
    kept = cases[(cases["d1_step"] == 0) & (cases["comparison"] == "treated") & (cases["selection"] == "consecutive")]
    counted = kept.groupby("appliance_first")["d1_adverse"].agg(["sum", "count"])
    return {str(name): (int(row["sum"]), int(row["count"])) for name, row in counted.iterrows()}


def counted_by_hand(cases: list[dict[str, Any]]) -> dict[str, tuple[int, int]]:
    """The same as a spreadsheet does it, a row at a time."""
    found: dict[str, tuple[int, int]] = {}
    for row in cases:
        if row["d1_step"] == 0 and row["comparison"] == "treated" and row["selection"] == "consecutive":
            adverse, counted = found.get(row["appliance_first"], (0, 0))
            found[row["appliance_first"]] = (adverse + bool(row["d1_adverse"]), counted + 1)
    return found
