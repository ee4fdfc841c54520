"""Reading files under names that may be shown: people name files and sheets after patients.

Every command that is given a file of a practice reads it by this door, so that neither its answer nor its errors say a
name that could be a person's, but on the owner's own screen.
"""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from pipelines.contract.delivery import RawTable
from pipelines.deidentify.file_names import screen_name, shown_source
from pipelines.reading.files import discover, read_file
from pipelines.reading.settings import ReadSettings
from warehouse.errors import BadFileError


def discover_shown(paths: Sequence[Path], named: Iterable[str] = ()) -> list[Path]:
    """The files that ``paths`` mean; see ``pipelines.reading.files.discover``.

    Raises:
        BadFileError: A path does not exist, or a folder holds no table; told without a name that could be a person's.
    """
    with names_withheld(paths, named):
        return discover(tuple(paths))


def read_shown(path: Path, settings: ReadSettings | None = None, named: Iterable[str] = ()) -> list[RawTable]:
    """The tables of a file, their origin under names that may be shown; see ``pipelines.reading.files.read_file``.

    ``path``: The file. ``settings``: What is stated about it. ``named``: Further words that name nobody, such as the
    pseudonym of the practice. Raises BadFileError: the file cannot be used; told without a name that could be a
    person's.
    """
    named = tuple(named)
    with names_withheld([path], named):
        tables = read_file(path, settings or ReadSettings())
    return [replace(table, source=shown_source(table.source, named)) for table in tables]


@contextmanager
def names_withheld(paths: Sequence[Path], named: Iterable[str] = ()) -> Iterator[None]:
    """Replace names of files in an error by those that may be shown."""
    try:
        yield
    except BadFileError as error:
        found, where = error.found, error.where
        for path in paths:
            shown = screen_name(path.name, named)
            found, where = found.replace(path.name, shown), where.replace(path.name, shown)
        raise BadFileError(found, where=where, expected=error.expected, remedy=error.remedy) from error
