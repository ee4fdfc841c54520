"""Which files a set of paths means, and one door for every file: by its kind to the reader that takes it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from pipelines.contract.delivery import RawTable
from pipelines.reading.kinds import SUFFIXES
from pipelines.reading.settings import ReadSettings
from pipelines.reading.source import load_bytes
from warehouse.errors import BadFileError

DESCRIPTOR = "datapackage.json"
"""The description that may lie beside the tables of an export; it is no table."""


def discover(paths: Iterable[Path]) -> list[Path]:
    """The files that ``paths`` mean, each once, in the order given; a folder stands for its tables in order of name.

    A folder is not searched below its first level, so that a warehouse or an archive in it is not taken for a delivery.
    Hidden files, lock files of spreadsheet programs and package descriptors are passed over. A file named directly is
    taken whatever its ending.

    Raises:
        BadFileError: A path does not exist, or a folder holds no table.
    """
    found: dict[Path, Path] = {}
    for path in paths:
        for file in _tables_in(path) if path.is_dir() else [_existing(path)]:
            found.setdefault(file.resolve(), file)
    return list(found.values())


def _existing(path: Path) -> Path:
    if not path.exists():
        remedy = "check the spelling and the folder you are in"
        raise BadFileError(
            "there is no such file or folder", where=path.name, expected="an existing path", remedy=remedy
        )
    return path


def _tables_in(folder: Path) -> list[Path]:
    try:
        entries = sorted(folder.iterdir(), key=lambda entry: (entry.name.casefold(), entry.name))
    except OSError as error:
        found = f"the folder cannot be read: {error.strerror or type(error).__name__}"
        raise BadFileError(found, where=folder.name, remedy="check that you may read it") from error
    tables = [entry for entry in entries if _is_table(entry)]
    within = folder.resolve()
    for table in tables:
        if not table.resolve().is_relative_to(within):
            found = "a link in the folder leads to a file outside it"
            remedy = "put the file itself into the folder, or take the link out; nothing was read"
            raise BadFileError(found, where=table.name, expected="files that lie in the folder", remedy=remedy)
    if tables:
        return tables
    below = any(entry.is_dir() and not entry.name.startswith(".") for entry in entries)
    remedy = (
        "name the folder below it that holds them" if below else "put the exported tables there, or name another folder"
    )
    expected = f"files ending in {', '.join(SUFFIXES)}"
    raise BadFileError("the folder holds no table", where=folder.name, expected=expected, remedy=remedy)


def _is_table(path: Path) -> bool:
    if path.name.startswith((".", "~$")) or path.name == DESCRIPTOR:
        return False
    return path.suffix.lower() in SUFFIXES and path.is_file()


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
