"""What was turned away and is still open: the rows, the reasons, and a workbook to correct them in."""

import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl
import xlsxwriter

from pipelines.checking.rules import load_rules
from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import RawTable
from pipelines.deidentify.file_names import shown_sheet_name
from pipelines.reading.template_marks import FROM_ROW, REASONS, TEMPLATE_MARK, WHY
from warehouse.errors import RequestError
from warehouse.export_safety import PLAIN_CELLS, neutralise_formulas
from warehouse.leaving.gate import TO_ITSELF, let_out
from warehouse.marts.statements import filled
from warehouse.measures.measure import Measure
from warehouse.store.storage import Connection


def open_reasons(
    store: Connection, measures: Mapping[str, Measure], *, remarks: bool = False, history: bool = False
) -> pl.DataFrame:
    """One row a reason: load, practice, file, sheet, table, row, column, rule, found, reason, what to do.

    ``remarks``: List remarks on loaded rows instead. ``history``: Also what a later load settled, and repeated loads.
    """
    table = "remarks" if remarks else "turned_away"
    listed = filled("reasons.sql", table=table)
    found = store.frame(
        "select listed.*, not listed.is_open as is_settled, loads.practice, loads.source_name, loads.source_sheet,"
        f" loads.source_sha256 from ({listed}) as listed inner join loads on loads.load_id = listed.load_id"
        " order by listed.load_id, listed.row_no, listed.rule"
    )
    if not history:
        found = found.filter(~pl.col("is_settled"))
    rules = load_rules(load_contract(), measures)
    texts = pl.DataFrame(
        [{"rule": rule.id, "reason": rule.reason, "what to do": rule.remedy} for rule in rules.values()],
        schema={"rule": pl.String, "reason": pl.String, "what to do": pl.String},
    )
    joined = said_once(found, "load_id", "row_no", "column_name").join(
        texts, on="rule", how="left", maintain_order="left"
    )
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


def said_once(found: pl.DataFrame, *place: str) -> pl.DataFrame:
    """Each reason once a row of the file: one row of a wide file stands in several tables, and so does its case.

    ``place``: The columns that tell a row, and last that of the column.
    """
    said_of_case = pl.col("rule").eq(f"C{_NO_CASE}").any().over(place[:-1])
    repeated = pl.col("rule").str.ends_with(_NO_CASE) & (pl.col("rule") != f"C{_NO_CASE}") & said_of_case
    return found.filter(~repeated).unique([*place, "rule", "found"], maintain_order=True)


def corrected(raw: RawTable) -> tuple[RawTable, pl.DataFrame | None]:
    """A table without the columns that ``write_workbook`` put before its own, and where its rows were turned away.

    The latter has row, load_id and row_no; it is None for any other table.
    """
    if FROM_ROW not in raw.frame.columns:
        return raw, None
    place = raw.frame[FROM_ROW].cast(pl.String).str.extract_groups(r"load (?<load_id>\d+) row (?<row_no>\d+)")
    origin = place.struct.unnest().cast(pl.Int64, strict=False).with_columns(raw.rows.alias("row")).drop_nulls()
    return replace(raw, frame=raw.frame.drop(FROM_ROW, WHY, strict=False)), origin


def name_cases(store: Connection, practice: str, origin: pl.DataFrame, delivered: pl.DataFrame) -> None:
    """Say of rows turned away without a legible case whose they are, now that the corrected rows tell."""
    named = origin.join(delivered.select("row", "case_id").drop_nulls(), on="row").drop("row")
    with store.given(named=named):
        store.execute(
            "update turned_away set case_key = named.case_id from named where turned_away.load_id = named.load_id"
            " and turned_away.row_no = named.row_no and turned_away.case_key is null"
            " and turned_away.load_id in (select load_id from loads where practice = ?)",
            [practice],
        )


def write_workbook(reasons: pl.DataFrame, path: Path, *, sources: Sequence[RawTable] = ()) -> None:
    """An XLSX with a sheet of the reasons and a sheet of the rows with the reasons beside them.

    Without ``sources`` a row shows what the warehouse keeps of it: the offending cells after redaction. With the source
    files at hand (they stay at the practice), the rows stand as they were given, to be corrected in place: the workbook
    is loaded like the file, with its mapping. RequestError where it cannot be written, or a source is another file.
    """
    made = io.BytesIO()
    with xlsxwriter.Workbook(made, PLAIN_CELLS) as book:
        book.define_name(TEMPLATE_MARK, f"={REASONS}!$A$1")
        _rows_frame(reasons, sources, book)
        shown = neutralise_formulas(reasons.drop("is_settled", "source_sha256"))
        shown.write_excel(book, REASONS, autofit=True)
    let_out(made.getvalue(), TO_ITSELF, to=path)


def _rows_frame(reasons: pl.DataFrame, sources: Sequence[RawTable], book: xlsxwriter.Workbook) -> None:
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
        given = raw.frame.rename({"row": "row "} if "row" in raw.frame.columns else {})
        given = given.with_columns(raw.rows.cast(pl.Int64).alias("row"))
        of_file = grouped.filter(
            pl.col("source_sha256") == raw.source.sha256,
            pl.col("sheet").fill_null("").str.starts_with(shown_sheet_name(raw.source.given_sheet) or ""),
        )
        mine = of_file.select(
            pl.col("row").cast(pl.Int64),
            pl.format("load {} row {}", "load", "row").alias(FROM_ROW),
            pl.col("reasons").alias(WHY),
        )
        if mine.is_empty():
            found = "no row of this file is in the quarantine"
            remedy = "give the very file that was loaded; a changed copy has other rows"
            raise RequestError(found, where=raw.source.name, remedy=remedy)
        rows = mine.join(given, on="row", how="inner", maintain_order="left").drop("row")
        neutralise_formulas(rows).write_excel(book, raw.source.given_sheet or f"Rows {number}", autofit=True)
