"""One door for every file: by its kind to the reader that takes it."""

from __future__ import annotations

from pathlib import Path

from pipelines.contract.delivery import RawTable
from pipelines.reading.settings import ReadSettings
from pipelines.reading.source import load_bytes


def read_file(path: Path, settings: ReadSettings | None = None) -> list[RawTable]:
    """The tables of a file: one of a text, Parquet or flat JSON file, one for each sheet of a workbook.

    The kind is decided by the bytes, not by the name. Columns are named as in the file; values of text files and
    workbooks are text, dates of workbooks as ``YYYY-MM-DD``, their numbers in shortest form; Parquet keeps its types.

    Args:
        path: The file.
        settings: What is stated about it; what is not is found out and recorded on the tables.

    Raises:
        BadFileError: The file cannot be used; nothing of it is returned.
    """
    settings = settings or ReadSettings()
    file = load_bytes(path)
    if file.kind == "workbook":
        from pipelines.reading.workbook import read_workbook

        return read_workbook(file, settings)
    if file.kind == "parquet":
        from pipelines.reading.columnar import read_parquet

        return [read_parquet(file, settings)]
    if file.kind == "json":
        from pipelines.reading.json_records import read_json

        return read_json(file, settings)
    from pipelines.reading.text import read_text

    return [read_text(file, settings)]
