"""What was turned away and is still open: the rows, the reasons, and a workbook to correct them in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from pipelines.checking.rules import load_rules
from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import RawTable
from warehouse.errors import RequestError
from warehouse.measures.measure import Measure
from warehouse.store.quoting import statement
from warehouse.store.storage import Connection

if TYPE_CHECKING:
    import xlsxwriter


def open_reasons(
    store: Connection, measures: Mapping[str, Measure], *, remarks: bool = False, history: bool = False
) -> pl.DataFrame:
    """One row a reason: load, practice, file, sheet, table, row, column, rule, found, reason, what to do.

    Args:
        store: The store.
        measures: Measures in force (their range rules have ids of their own).
        remarks: List remarks on loaded rows instead of rows turned away.
        history: Also list reasons that a later load settled, and those of repeated loads of the same file.
    """
    table = "remarks" if remarks else "turned_away"
    found = store.frame(statement("pipelines.ingest", "open_reasons.sql", table=table))
    if not history:
        found = found.filter(~pl.col("is_settled"))
    rules = load_rules(load_contract(), measures)
    texts = pl.DataFrame(
        [{"rule": rule.id, "reason": rule.reason, "what to do": rule.remedy} for rule in rules.values()],
        schema={"rule": pl.String, "reason": pl.String, "what to do": pl.String},
    )
    joined = _once(found).join(texts, on="rule", how="left", maintain_order="left")
    return joined.select(
        pl.col("load_id").alias("load"),
        "practice",
        pl.col("source_name").alias("file"),
        pl.col("source_sheet").alias("sheet"),
        pl.col("table_name").alias("table"),
        pl.col("row_no").alias("row"),
        pl.col("column_name").alias("column"),
        "rule",
        "found",
        "reason",
        "what to do",
        "is_settled",
        "source_sha256",
    )


_NO_CASE = "-case_id-required"


def _once(found: pl.DataFrame) -> pl.DataFrame:
    """Each reason once a row of the file: one row of a wide file stands in several tables, and so does its case."""
    place = ["load_id", "row_no"]
    said_of_case = pl.col("rule").eq(f"C{_NO_CASE}").any().over(place)
    repeated = pl.col("rule").str.ends_with(_NO_CASE) & (pl.col("rule") != f"C{_NO_CASE}") & said_of_case
    return found.filter(~repeated).unique([*place, "column_name", "rule", "found"], maintain_order=True)


def write_workbook(reasons: pl.DataFrame, path: Path, *, sources: Sequence[RawTable] = ()) -> None:
    """An XLSX with a sheet of the reasons and a sheet of the rows with the reasons beside them.

    Without ``sources`` a row shows what the warehouse keeps of it: the offending cells after redaction. With the
    source files at hand (they stay at the practice), the rows stand as they were given.

    Raises:
        RequestError: The file cannot be written, or a source is not the file that was loaded.
    """
    import xlsxwriter

    from warehouse.export_safety import PLAIN_CELLS, neutralise_formulas

    try:
        with xlsxwriter.Workbook(str(path), PLAIN_CELLS) as book:
            _rows_frame(reasons, sources, book)
            shown = neutralise_formulas(reasons.drop("is_settled", "source_sha256"))
            shown.write_excel(book, "Reasons", autofit=True)
    except OSError as error:
        found = "the workbook cannot be written"
        raise RequestError(found, where=path.name, remedy="close it if it is open, or name another file") from error


def _rows_frame(reasons: pl.DataFrame, sources: Sequence[RawTable], book: xlsxwriter.Workbook) -> None:
    from warehouse.export_safety import neutralise_formulas

    grouped = reasons.group_by("load", "file", "sheet", "table", "row", "source_sha256", maintain_order=True).agg(
        pl.format("{}: {}", "rule", "reason").unique(maintain_order=True).str.join("; ").alias("reasons"),
        pl.format("{} = {}", pl.col("column").fill_null("row"), pl.col("found").fill_null("nothing"))
        .unique(maintain_order=True)
        .str.join("; ")
        .alias("cells"),
    )
    if not sources:
        neutralise_formulas(grouped.drop("source_sha256")).write_excel(book, "Rows", autofit=True)
        return
    for number, raw in enumerate(sources, start=1):
        given = raw.frame.with_columns(raw.rows.cast(pl.Int64).alias("row"))
        mine = grouped.filter(pl.col("source_sha256") == raw.source.sha256).select(
            pl.col("row").cast(pl.Int64), "reasons"
        )
        if mine.is_empty():
            found = "no row of this file is in the quarantine"
            remedy = "give the very file that was loaded; a changed copy has other rows"
            raise RequestError(found, where=raw.source.name, remedy=remedy)
        rows = mine.join(given, on="row", how="inner", maintain_order="left")
        neutralise_formulas(rows).write_excel(book, f"Rows {number}", autofit=True)
