"""``menton template``: write a spreadsheet template with dictionary and drop-down codes."""

import argparse
from pathlib import Path

from pipelines.commands.options import say
from pipelines.template.entries import table_sheets, wide_sheet
from pipelines.template.workbook import write_template

DEFAULT = "menton-template.xlsx"


def add(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--out", type=Path, default=Path(DEFAULT), metavar="FILE", help=f"the file (default: {DEFAULT})"
    )
    layout = parser.add_mutually_exclusive_group()
    layout.add_argument("--wide", action="store_true", help="one sheet, one row a case (the default)")
    layout.add_argument("--tables", action="store_true", help="one sheet a table: cases, phases, visits, measurements")
    layout.add_argument("--long", action="store_true", help="one row a measurement: case, time, measure, value")
    layout.add_argument("--points", action="store_true", help="one row a point of a tracing")
    parser.add_argument("--overwrite", action="store_true", help="replace the file if it is already there")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    sheets = table_sheets() if args.tables or args.long or args.points else (wide_sheet(),)
    if args.long or args.points:
        wanted = ("cases", "landmarks") if args.points else ("cases", "phases", "visits", "measurements")
        sheets = tuple(sheet for sheet in sheets if sheet.name in wanted)
    write_template(args.out, sheets, overwrite=args.overwrite)
    say(f"template written to {args.out}")
    say("Fill in one row a case below the example row; its sheet Read me says how, and what must never be entered.")
    say(f"Then run: menton ingest {args.out}")
    return 0
