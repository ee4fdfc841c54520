"""``menton restore``: put a backup back."""

from __future__ import annotations

import argparse
from pathlib import Path

from pipelines.commands.options import add_warehouse, encryption_key, progress, say


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("restore", help="put a backup back, after checking it")
    add_warehouse(parser)
    parser.add_argument("--from", dest="source", type=Path, required=True, metavar="FOLDER", help="the backup")
    parser.add_argument("--replace", action="store_true", help="move the warehouse that is there aside")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Restore."""
    from warehouse.upkeep.backup import restore

    made, aside = restore(
        args.source, args.warehouse, key=encryption_key(args), replace=args.replace, progress=progress
    )
    say(f"the backup of {made.made_at} is in place: {made.n_loads} loads, {made.n_cases} cases; every hash was checked")
    if aside is not None:
        say(f"the warehouse that was there lies in {aside}")
    say("The case key is not part of a backup: put yours beside the warehouse folder, or name it with --key-file.")
    return 0
