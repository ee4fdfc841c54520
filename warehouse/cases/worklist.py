"""What is left to do: records due, outcomes missing and why, records to read again, rows turned away, adverse cases.

It asks for what is in the practice's own files already; no record is to be taken for the audit.
"""

import hashlib
from dataclasses import dataclass

import numpy as np
import polars as pl

from warehouse.marts.method_errors import TAKEN_AGAIN
from warehouse.marts.outcome_sql import outcomes_of
from warehouse.marts.reader import Reader
from warehouse.marts.steps import STEPS
from warehouse.outcomes.definition import Definition
from warehouse.repeats.repeat_plan import ADVISED, plan_repeats
from warehouse.selection import Selection
from warehouse.store.quoting import statement

TASKS = ("records_due", "outcome_missing", "read_again", "turned_away", "adverse")
"""Kinds of entries, in the order they are listed."""

LONG, SECOND_READING, ADVERSE = "long_in_treatment", "second_reading", "adverse"
LONG_QUARTERS = 12
"""Quarters after which a case still in treatment is asked about; common practice, no source."""

COLUMNS = {
    "task": pl.String,
    "practice": pl.String,
    "case_key": pl.String,
    "timepoint": pl.String,
    "why": pl.String,
    "file": pl.String,
    "row": pl.Int64,
}
"""``why`` is a step of the sampling frame, the rules that a row broke, or one of the codes above."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Worklist:
    """Entries, one a row (``COLUMNS``), by task, practice and case."""

    frame: pl.DataFrame
    definition: Definition
    build: str


def worklist(reader: Reader, *, selection: Selection, definition: str | None = None) -> Worklist:
    """What is left to do in the practices selected; other filters are not applied."""
    chosen = reader.definition(definition)
    practices = selection.filters.get("practice", ()) or reader.practices
    parts = [_of_cases(reader, chosen), _of_rows(reader, "turned_away"), _of_rows(reader, "read_again")]
    parts += [_second_readings(reader, practice) for practice in practices if practice in reader.practices]
    frame = pl.concat(parts, how="diagonal_relaxed").select(pl.col(name).cast(kind) for name, kind in COLUMNS.items())
    order = pl.col("task").replace_strict({task: place for place, task in enumerate(TASKS)}, return_dtype=pl.Int8)
    if "practice" in selection.filters:
        frame = frame.filter(pl.col("practice").is_in(list(practices)))
    frame = frame.sort(order, "practice", "file", "row", "case_key")
    return Worklist(frame=frame, definition=chosen, build=reader.snapshot.build_id)


def _of_cases(reader: Reader, definition: Definition) -> pl.DataFrame:
    """Treated cases with something due, and those that went adverse."""
    frame = reader.connection.frame(
        statement("warehouse.cases", "worklist_cases.sql", outcomes=outcomes_of(definition))
    )
    due = [step for step, said in STEPS.items() if said.is_due and step != "counted"]
    records = [step for step in due if STEPS[step].reached == "finished"]
    quarter = pl.col("start_quarter").str.slice(0, 4).cast(pl.Int32) * 4 + pl.col("start_quarter").str.slice(6).cast(
        pl.Int32
    )
    year, month = (int(part) for part in reader.snapshot.published_at.split("-")[:2])
    long = (pl.col("step") == "in_treatment") & (quarter <= year * 4 + (month + 2) // 3 - LONG_QUARTERS)
    task = (
        pl.when(pl.col("step").is_in(records) | long.fill_null(False))
        .then(pl.lit("records_due"))
        .when(pl.col("step").is_in(due))
        .then(pl.lit("outcome_missing"))
        .when("is_adverse")
        .then(pl.lit(ADVERSE))
    )
    why = pl.when(long.fill_null(False)).then(pl.lit(LONG)).when("is_adverse").then(pl.lit(ADVERSE)).otherwise("step")
    return frame.with_columns(task.alias("task"), why.alias("why")).drop_nulls("task")


def _of_rows(reader: Reader, task: str) -> pl.DataFrame:
    """Rows turned away and still open; or remarked on, whose records are to be looked at again."""
    table = "mart_turned_away" if task == "turned_away" else "mart_remarks"
    frame = reader.connection.frame(statement("warehouse.cases", "worklist_rows.sql", table=table))
    return frame.with_columns(pl.lit(task).alias("task"))


def _second_readings(reader: Reader, practice: str) -> pl.DataFrame:
    """Records drawn to be read a second time, as many as are lacking; the same ones as long as the build is."""
    query = (
        "select count(distinct (mart_repeats.case_no, mart_repeats.timepoint)) from mart_repeats"
        " inner join mart_cases on mart_cases.case_no = mart_repeats.case_no"
        f" where mart_cases.practice = ? and mart_repeats.repeat_no > 1 and mart_repeats.repeat_no < {TAKEN_AGAIN}"
    )
    lacking = ADVISED - int(reader.connection.value(query, [practice]))
    if lacking < 1:
        return pl.DataFrame(schema=COLUMNS)
    seed = hashlib.sha256(f"{reader.snapshot.build_id} {practice}".encode()).digest()[:8]
    drawn = plan_repeats(reader, n=lacking, rng=np.random.default_rng(int.from_bytes(seed)), practice=practice)
    return drawn.frame.with_columns(pl.lit("read_again").alias("task"), pl.lit(SECOND_READING).alias("why"))
