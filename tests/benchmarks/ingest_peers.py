"""What a user would pick instead of `menton ingest`, each as a process of its own.

``python -m tests.benchmarks.ingest_peers read_csv FILE OUT``: bare DuckDB reads the file into a table on disk.
``python -m tests.benchmarks.ingest_peers pandas FILE OUT``: pandas holds the rows against the rules that turn a row of
this file away or remark on it, written out by hand, and writes good rows and findings. The same rows of the benchmark's
file go; it neither de-identifies, nor says which cell broke what, nor keeps history, nor publishes.
``python -m tests.benchmarks.ingest_peers pandera FILE OUT``: the same rules, rows and findings by a schema of pandera.
"""

from __future__ import annotations

import functools
import operator
import sys
from pathlib import Path
from typing import Any

CODES = {
    "sex": {"male", "female", "other", "unknown"},
    "cvm_stage": {"CS1", "CS2", "CS3", "CS4", "CS5", "CS6"},
    "incisor_class": {"I", "II/1", "II/2", "III"},
    "selection": {"consecutive", "selected"},
    "status": {"finished", "in_treatment", "stopped_early", "moved_away", "no_return"},
    "comparison": {"treated", "untreated"},
}
REQUIRED = ("case_id", "sex", "selection", "status", "comparison")
PATTERNS = {"extracted_teeth": r"none|[1-8][1-8](?: [1-8][1-8])*", "start_quarter": r"\d{4}-Q[1-4]"}
TURNED_AWAY, REMARKED = "turned away", "remarked on"
NUMBERS = ("age_at_start", "months_from_start_finish")


def read_csv(path: Path, out: Path) -> None:
    """The least anyone could do."""
    import duckdb

    connection = duckdb.connect(str(out / "bare.duckdb"))
    connection.execute(f"create table cases as select * from read_csv('{path}')")
    connection.execute("checkpoint")
    connection.close()


def pandas(path: Path, out: Path) -> None:
    """The usual way: a mask a rule over whole columns."""
    import pandas as pd

    from warehouse.measures.catalogue import CATALOGUE

    frame, times, no_numbers = read_by_pandas(path)
    wrong = {(f"{name} is no number", TURNED_AWAY): mask for name, mask in no_numbers.items()}
    for name in REQUIRED:
        wrong[f"{name} is empty", TURNED_AWAY] = frame[name].isna()
    for name, codes in CODES.items():
        wrong[f"{name} is no code", TURNED_AWAY] = frame[name].notna() & ~frame[name].isin(codes)
    for name, pattern in PATTERNS.items():
        texts = frame[name].astype("string")
        wrong[f"{name} is not as it should be", TURNED_AWAY] = ~texts.str.fullmatch(pattern).fillna(value=True)
    wrong["a case twice", TURNED_AWAY] = frame["case_id"].duplicated(keep=False)
    months, finished = frame["months_from_start_finish"], frame["status"] == "finished"
    wrong["age", TURNED_AWAY] = outside(frame["age_at_start"], 2, 120)
    wrong["months", TURNED_AWAY] = outside(months, -3, 600)
    wrong["finish before start", TURNED_AWAY] = months <= 0
    wrong["finished without months", REMARKED] = finished & months.isna()
    wrong["unusual length of treatment", REMARKED] = outside(months, 3, 120)
    wrong["in treatment with finish records", REMARKED] = (frame["status"] == "in_treatment") & months.notna()
    for measure, both in times.items():
        for what, (low, high), becomes in (
            ("plausible", CATALOGUE[measure].plausible, TURNED_AWAY),
            ("usual", CATALOGUE[measure].usual, REMARKED),
        ):
            wrong[f"{measure} is not {what}", becomes] = outside(frame[both[0]], low, high) | outside(
                frame[both[1]], low, high
            )
    for time in ("start", "finish"):
        lower, whole, share = (frame[f"{one}_{time}"] for one in ("lafh_mm", "tafh_mm", "lafh_direct_pct"))
        wrong[f"lower face higher than the face, {time}", TURNED_AWAY] = lower > whole
        wrong[f"share of the lower face, {time}", TURNED_AWAY] = (lower / whole * 100 - share).abs() > 6
    class_3 = frame["incisor_class"] == "III"
    wrong["overjet of a class III", REMARKED] = class_3 & (frame["overjet_mm_start"] > 2)
    wrong["values copied", REMARKED] = both_times_equal(frame, times)
    away = pd.concat([mask for (_, becomes), mask in wrong.items() if becomes == TURNED_AWAY], axis=1).any(axis=1)
    findings = [pd.DataFrame({"row": mask[mask].index + 2, "rule": rule}) for (rule, _), mask in wrong.items()]
    pd.concat(findings).to_csv(out / "findings.csv", index=False)
    frame[~away].to_parquet(out / "cases.parquet")


def pandera(path: Path, out: Path) -> None:
    """The same by a schema: checks of columns, wide checks across them, every failure collected."""
    sys.path.append(str(Path(sys.prefix) / "benching"))  # .ci/benching.lock; of no other process
    import pandas as pd
    import pandera.pandas as pa

    from warehouse.measures.catalogue import CATALOGUE

    frame, times, no_numbers = read_by_pandas(path)  # coercion by the schema leaves a column with a word in it as text
    remarks: set[str] = set()

    def check(rule: str, becomes: str, kind: Any, *given: Any, **more: Any) -> Any:
        remarks.update([rule] if becomes == REMARKED else [])
        return kind(*given, error=rule, **more)

    def wide_check(rule: str, becomes: str, work: Any) -> Any:
        return check(rule, becomes, pa.Check, work, ignore_na=False)

    columns = {name: pa.Column(str, nullable=name not in REQUIRED) for name in {*REQUIRED, *CODES, *PATTERNS}}
    columns |= {name: pa.Column(float, nullable=True) for name in no_numbers}
    columns["case_id"].unique = True
    for name, codes in CODES.items():
        columns[name].checks = [check(f"{name} is no code", TURNED_AWAY, pa.Check.isin, codes)]
    for name, pattern in PATTERNS.items():
        whole = f"^(?:{pattern})$"
        columns[name].checks = [check(f"{name} is not as it should be", TURNED_AWAY, pa.Check.str_matches, whole)]
    columns["age_at_start"].checks = [check("age", TURNED_AWAY, pa.Check.in_range, 2, 120)]
    columns["months_from_start_finish"].checks = [
        check("months", TURNED_AWAY, pa.Check.in_range, -3, 600),
        check("finish before start", TURNED_AWAY, pa.Check.gt, 0),
        check("unusual length of treatment", REMARKED, pa.Check.in_range, 3, 120),
    ]
    for measure, both in times.items():
        one = CATALOGUE[measure]
        for cell in both:
            columns[cell].checks = [
                check(f"{measure} is not plausible", TURNED_AWAY, pa.Check.in_range, *one.plausible),
                check(f"{measure} is not usual", REMARKED, pa.Check.in_range, *one.usual),
            ]
    wide = [
        wide_check(
            "finished without months",
            REMARKED,
            lambda f: (f["status"] != "finished") | f["months_from_start_finish"].notna(),
        ),
        wide_check(
            "in treatment with finish records",
            REMARKED,
            lambda f: (f["status"] != "in_treatment") | f["months_from_start_finish"].isna(),
        ),
        wide_check(
            "overjet of a class III",
            REMARKED,
            lambda f: ~((f["incisor_class"] == "III") & (f["overjet_mm_start"] > 2)),
        ),
        wide_check("values copied", REMARKED, lambda f: ~both_times_equal(f, times)),
    ]
    for time in ("start", "finish"):
        lower, face, share = (f"{one}_{time}" for one in ("lafh_mm", "tafh_mm", "lafh_direct_pct"))
        wide += [
            wide_check(
                f"lower face higher than the face, {time}",
                TURNED_AWAY,
                lambda f, lower=lower, face=face: ~(f[lower] > f[face]),
            ),
            wide_check(
                f"share of the lower face, {time}",
                TURNED_AWAY,
                lambda f, lower=lower, face=face, share=share: ~((f[lower] / f[face] * 100 - f[share]).abs() > 6),
            ),
        ]
    found = [pd.DataFrame({"index": m.index[m], "check": f"{name} is no number"}) for name, m in no_numbers.items()]
    try:
        pa.DataFrameSchema(columns, checks=wide).validate(frame, lazy=True)
    except pa.errors.SchemaErrors as errors:
        found.append(errors.failure_cases)
    findings = pd.concat(found)
    away = findings.loc[~findings["check"].isin(remarks), "index"].astype(int).unique()
    findings.to_csv(out / "findings.csv", index=False)
    frame.drop(index=away).to_parquet(out / "cases.parquet")


def read_by_pandas(path: Path) -> tuple[Any, dict[str, list[str]], dict[str, Any]]:
    """The rows with their numbers; measure -> its columns at both times; column -> where it held no number."""
    import pandas as pd

    from warehouse.measures.catalogue import CATALOGUE

    frame = pd.read_csv(path)
    measures = sorted({name.removesuffix("_start") for name in frame if name.endswith("_start")} & set(CATALOGUE))
    times = {one: [f"{one}_{time}" for time in ("start", "finish")] for one in measures}
    no_numbers = {}
    for name in (*NUMBERS, *(cell for both in times.values() for cell in both)):
        number = pd.to_numeric(frame[name], errors="coerce")
        no_numbers[name] = number.isna() & frame[name].notna()
        frame[name] = number
    return frame, times, no_numbers


def outside(column, low: float, high: float):  # type: ignore[no-untyped-def]  # noqa: ANN001, ANN201 - pandas has no types here
    return (column < low) | (column > high)


def both_times_equal(frame, times: dict[str, list[str]]):  # type: ignore[no-untyped-def]  # noqa: ANN001, ANN201
    """Whether all values of the finish equal those of the start."""
    equal = [frame[start] == frame[finish] for start, finish in times.values()]
    return functools.reduce(operator.and_, equal)


if __name__ == "__main__":
    {"read_csv": read_csv, "pandas": pandas, "pandera": pandera}[sys.argv[1]](Path(sys.argv[2]), Path(sys.argv[3]))
