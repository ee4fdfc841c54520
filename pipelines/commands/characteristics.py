"""``menton characteristics``: the table of starting characteristics by group."""

import argparse

from pipelines.commands.options import print_table, question_from, reading, say, say_cautions, say_json
from pipelines.template.tables_out import write_table
from warehouse.questions.characteristics import starting_table
from warehouse.words.characteristics import FOOTNOTE, table_as_printed


def run(args: argparse.Namespace) -> None:
    with reading(args) as reader:
        result = starting_table(reader, question_from(args), of_counted=args.counted)
        frame = table_as_printed(result, reader.labels)
    who = "cases counted" if result.of_counted else "cases started"
    if args.json:
        say_json(result, sentences=[FOOTNOTE])
        return
    if args.out:
        write_table(frame, args.out)
        say(f"Starting characteristics of {sum(result.table.sizes):,} {who} written to {args.out}")
    else:
        say(f"Starting characteristics by {result.by.title.lower()}, {who}: {result.selection.sentence()}")
        print_table("", frame.columns, frame.rows(), right=range(1, frame.width))
    say_cautions(result.table.warnings)
    say(f"  {FOOTNOTE}")
