"""``menton strobe``: the checklist for reports of observational studies, filled with what the warehouse knows."""

from __future__ import annotations

import argparse
from pathlib import Path

from pipelines.commands.options import encryption_key, say
from pipelines.commands.options_compare import add_asked, say_json
from pipelines.commands.rate import selection_from
from warehouse.errors import RequestError


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("strobe", help="reporting checklist, filled with what the warehouse knows")
    add_asked(parser)
    parser.add_argument("--out", type=Path, metavar="FILE", help="write it to a Markdown file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print or write the checklist."""
    from warehouse.marts.reader import Reader
    from warehouse.words.strobe import strobe_items, strobe_markdown

    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        items = strobe_items(reader, definition=args.definition, selection=selection_from(args))
        build = reader.snapshot.build_id
    if args.json:
        say_json({"build": build, "items": items}, sentences=[])
        return 0
    text = strobe_markdown(items, build=build)
    if args.out is None:
        say(text)
        return 0
    _write(args.out, text)
    blanks = sum(bool(item.to_write) for item in items)
    say(f"Checklist written to {args.out}: {len(items)} items, {blanks} with something left for you to write.")
    return 0


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        found = "the checklist cannot be written"
        raise RequestError(found, where=path.name, remedy="name a folder you may write to") from error
