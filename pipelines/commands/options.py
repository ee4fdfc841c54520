"""Options that several commands share, and how tables are printed."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from warehouse.errors import KeyProblemError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable, Sequence

WAREHOUSE_VARIABLE = "MENTON_WAREHOUSE"
ENCRYPTION_VARIABLE = "MENTON_ENCRYPTION_KEY_FILE"
DEFAULT_WAREHOUSE = "menton-data"


def add_warehouse(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which warehouse is meant."""
    parser.add_argument(
        "--warehouse",
        type=Path,
        default=Path(os.environ.get(WAREHOUSE_VARIABLE, DEFAULT_WAREHOUSE)),
        metavar="FOLDER",
        help=f"the warehouse folder (default: {DEFAULT_WAREHOUSE}, or the variable {WAREHOUSE_VARIABLE})",
    )
    parser.add_argument(
        "--encryption-key-file",
        type=Path,
        default=Path(found) if (found := os.environ.get(ENCRYPTION_VARIABLE)) else None,
        metavar="FILE",
        help=f"key file of an encrypted warehouse (default: the variable {ENCRYPTION_VARIABLE})",
    )


def encryption_key(args: argparse.Namespace) -> str | None:
    """The key of an encrypted warehouse, read from its file; None for a plain one."""
    path: Path | None = args.encryption_key_file
    if path is None:
        return None
    try:
        text = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        found = "the encryption key file cannot be read"
        raise KeyProblemError(found, where=path.name, remedy="name the right file") from error
    if len(text) < MINIMUM_KEY:
        found = f"the encryption key is shorter than {MINIMUM_KEY} characters"
        raise KeyProblemError(found, where=path.name, remedy="use a long random key")
    return text


MINIMUM_KEY = 16


def say(line: str = "") -> None:
    """Print a line for a person on standard output."""
    print(line)


def progress(line: str) -> None:
    """Print what is being done, on standard error, so that the answer alone is on standard output."""
    print(f"  … {line}", file=sys.stderr, flush=True)


def print_table(
    title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[int] = ()
) -> None:
    """Print a table; columns at the positions in ``right`` are set flush right."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(title=title or None, box=box.SIMPLE_HEAD, title_justify="left", title_style="bold")
    for position, column in enumerate(columns):
        table.add_column(column, justify="right" if position in right else "left", overflow="fold")
    for row in rows:
        table.add_row(*[str(cell).replace("[", "\\[") for cell in row])
    console = Console() if sys.stdout.isatty() else Console(width=140)
    console.print(table)
