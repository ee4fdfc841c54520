"""``menton worklist``: what is left to do, with the practice's own numbers where its file is given."""

import argparse

from pipelines.commands.options import print_table, reading, say, say_list
from pipelines.ingest.own_numbers import own_numbers
from pipelines.template.tables_out import write_table
from warehouse.cases.worklist import worklist
from warehouse.errors import RequestError
from warehouse.selection import Selection
from warehouse.words.sentences import say as text
from warehouse.words.worklist import worklist_counts, worklist_table

SHOWN = 20


def run(args: argparse.Namespace) -> None:
    with reading(args) as reader:
        if args.practice:
            reader.refuse_unknown({"practice": (args.practice,)})
        selection = Selection(selection="both", filters={"practice": (args.practice,)} if args.practice else {})
        found = worklist(reader, selection=selection, definition=args.definition)
        numbers = None
        if args.source:
            if not args.practice and len(reader.practices) > 1:
                found_several = "the warehouse holds several practices"
                remedy = "say with --practice whose file this is"
                raise RequestError(found_several, expected=", ".join(reader.practices), remedy=remedy)
            practice = args.practice or "".join(reader.practices)
            numbers = own_numbers(args.source, warehouse=args.warehouse, reader=reader, practice=practice,
                                  mapping=args.mapping, key_file=args.key_file)  # fmt: skip
        table = worklist_table(found, reader.settings, numbers)
    say(text("worklist.head", definition=found.definition.name, build=found.build))
    say_list(worklist_counts(found))
    if args.out:
        write_table(table, args.out)
        say(text("worklist.written", n=table.height, file=args.out.name))
    elif table.height:
        columns = ["what", "case", "record", "why"]
        rows = [[str(cell or "") for cell in row] for row in table.head(SHOWN).select(columns).iter_rows()]
        print_table("", columns, rows)
        if table.height > SHOWN:
            say(text("worklist.more", n=table.height - SHOWN))
    say(text("worklist.no_radiograph"))
    say(text("audit.short"))
