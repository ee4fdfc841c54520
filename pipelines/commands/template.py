"""``menton template``: write a spreadsheet template with dictionary and drop-down codes."""

import argparse

from pipelines.commands.options import say
from pipelines.template.entries import table_sheets, wide_sheet
from pipelines.template.workbook import write_template


def run(args: argparse.Namespace) -> None:
    sheets = table_sheets() if args.tables or args.long or args.points else (wide_sheet(),)
    if args.long or args.points:
        wanted = ("cases", "landmarks") if args.points else ("cases", "phases", "visits", "measurements")
        sheets = tuple(sheet for sheet in sheets if sheet.name in wanted)
    write_template(args.out, sheets, overwrite=args.overwrite)
    say(f"template written to {args.out}")
    say("Fill in one row a case below the example row; its sheet Read me says how, and what must never be entered.")
    say(f"Then run: menton ingest {args.out}")
