"""Writing a table to a file a person opens: Parquet, CSV or XLSX, told by the file's ending."""

from pathlib import Path

import polars as pl

from warehouse.errors import RequestError

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
    try:
        if ending == ".parquet":
            frame.write_parquet(path)
        elif ending == ".csv":
            neutralise_formulas(frame).write_csv(path)
        else:
            with xlsxwriter.Workbook(str(path), PLAIN_CELLS) as book:
                neutralise_formulas(frame).write_excel(book, autofit=True)
    except OSError as error:
        found = "the file cannot be written"
        raise RequestError(found, where=path.name, remedy="name a folder you may write to") from error
