"""Writing a table to a file a person opens: Parquet, CSV or XLSX, told by the file's ending."""

import io
from pathlib import Path

import polars as pl

from warehouse.errors import RequestError
from warehouse.leaving.gate import TO_ITSELF, let_out

ENDINGS = (".parquet", ".csv", ".xlsx")


def write_table(frame: pl.DataFrame, path: Path) -> None:
    """Write a frame. Text that a spreadsheet would take for a formula is made harmless in CSV and XLSX.

    Raises RequestError: the file's ending is none of those known, or the file cannot be written.
    """
    import xlsxwriter

    from warehouse.export_safety import PLAIN_CELLS, neutralise_formulas

    ending = path.suffix.lower()
    if ending not in ENDINGS:
        found = f"a table cannot be written to a file ending in {ending!r}"
        raise RequestError(found, where=path.name, expected=" or ".join(ENDINGS))
    made = io.BytesIO()
    if ending == ".parquet":
        frame.write_parquet(made)
    elif ending == ".csv":
        neutralise_formulas(frame).write_csv(made)
    else:
        with xlsxwriter.Workbook(made, PLAIN_CELLS) as book:
            neutralise_formulas(frame).write_excel(book, autofit=True)
    let_out(made.getvalue(), TO_ITSELF, to=path)
