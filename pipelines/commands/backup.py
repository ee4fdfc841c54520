"""``menton backup``: copy the warehouse into a folder."""

from __future__ import annotations

import argparse
from pathlib import Path

from pipelines.commands.options import add_warehouse, encryption_key, progress, say

NO_KEY = "The case key is not in the backup. Keep a copy of it apart: without it no later file finds its cases again."
NO_ENCRYPTION_KEY = "The encryption key is not in it either: without it nobody can read the backup, you included."


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("backup", help="copy the warehouse into a folder, with a hash of every file")
    add_warehouse(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="a new folder, outside the warehouse")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Back up."""
    from warehouse.upkeep.backup import backup

    made = backup(args.warehouse, args.out, key=encryption_key(args), progress=progress)
    say(f"{made.n_loads} loads and {made.n_cases} cases are copied to {args.out}, {len(made.files)} files with hashes")
    say(NO_KEY)
    say(NO_ENCRYPTION_KEY if made.is_encrypted else "The backup is not encrypted, as the warehouse is not.")
    return 0
