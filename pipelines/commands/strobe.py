"""``menton strobe``: the checklist for reports of observational studies, filled with what the warehouse knows."""

import argparse

from pipelines.commands.options import reading, say, say_json, selection_from
from warehouse.leaving.gate import TO_ITSELF, let_out
from warehouse.words.strobe import strobe_items, strobe_markdown


def run(args: argparse.Namespace) -> None:
    with reading(args) as reader:
        items = strobe_items(reader, definition=args.definition, selection=selection_from(args))
        build = reader.snapshot.build_id
    if args.json:
        say_json({"build": build, "items": items})
        return
    text = strobe_markdown(items, build=build)
    if args.out is None:
        print(text)
        return
    let_out(text, TO_ITSELF, to=args.out)
    blanks = sum(bool(item.to_write) for item in items)
    say(f"Checklist written to {args.out}: {len(items)} items, {blanks} with something left for you to write.")
