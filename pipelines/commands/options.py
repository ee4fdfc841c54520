"""Options that several commands share, and how tables are printed."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence

from warehouse.command_options import add_warehouse, encryption_key

__all__ = ["add_warehouse", "encryption_key", "print_table", "progress", "say"]


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
