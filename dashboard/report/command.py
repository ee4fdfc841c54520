"""``menton report``: write the report of the audit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse


def run(args: argparse.Namespace, key: str | None) -> int:
    """Write the report."""
    from dashboard.report.write import write_report

    written = write_report(args.warehouse, args.out, key=key, definition=args.definition, title=args.title)
    print(f"The report is written to {written}")
    return 0


def describe(parser: argparse.ArgumentParser) -> None:
    """Add the options of the command."""
    parser.add_argument("--out", type=Path, default=Path("menton-report.html"), metavar="FILE", help="an .html file")
    parser.add_argument("--definition", metavar="ID", help="outcome definition (default: the headline one)")
    parser.add_argument("--title", help="title of the report")
