"""``menton characteristics``: the table of starting characteristics by group."""

from __future__ import annotations

import argparse
from pathlib import Path

from pipelines.commands.options import encryption_key, print_table, say
from pipelines.commands.options_compare import add_asked, say_json
from pipelines.commands.rate import selection_from


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("characteristics", help="starting characteristics by group, as journals print them")
    add_asked(parser)
    parser.add_argument("--by", metavar="GROUPING", default="appliance_category", help="what the groups are made of")
    parser.add_argument("--counted", action="store_true", help="only cases counted, not all those started")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the table to a .xlsx, .csv or .parquet file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print or write the table."""
    from warehouse.marts.reader import Reader
    from warehouse.questions.characteristics import starting_table
    from warehouse.words.characteristics import FOOTNOTE, table_as_printed
    from warehouse.words.sentences import caution_text

    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        result = starting_table(
            reader,
            by=args.by,
            definition=args.definition,
            selection=selection_from(args),
            of_counted=args.counted,
        )
        frame = table_as_printed(result, reader.labels)
    who = "cases counted" if result.of_counted else "cases started"
    if args.json:
        say_json(result, sentences=[FOOTNOTE])
        return 0
    if args.out:
        from pipelines.template.tables_out import write_table

        write_table(frame, args.out)
        say(f"Starting characteristics of {sum(result.table.sizes):,} {who} written to {args.out}")
    else:
        say(f"Starting characteristics by {result.by.title.lower()}, {who}: {result.selection.sentence()}")
        print_table("", frame.columns, frame.rows(), right=range(1, frame.width))
    for caution in result.table.warnings:
        say(f"  {caution_text(caution)}")
    say(f"  {FOOTNOTE}")
    return 0
