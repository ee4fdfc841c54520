"""``menton rekey``: encrypt the warehouse, change its key, or take the encryption away."""

from __future__ import annotations

import argparse
from pathlib import Path

from pipelines.commands.options import add_warehouse, encryption_key, progress, say

OLD_BYTES = (
    "What the disk held before is no longer part of any file, but a disk may keep deleted bytes for a while, and"
    " earlier backups stay as they were."
)


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    line = "encrypt the warehouse, change its key, or take the encryption away"
    parser = subparsers.add_parser("rekey", help=line)
    add_warehouse(parser)
    wanted = parser.add_mutually_exclusive_group(required=True)
    wanted.add_argument("--new-key-file", type=Path, metavar="FILE", help="file of the new encryption key")
    wanted.add_argument("--no-encryption", action="store_true", help="take the encryption away")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Change the key."""
    from warehouse.upkeep.rekey import rekey

    snapshot = rekey(args.warehouse, key=encryption_key(args), new_key=_new_key(args), progress=progress)
    state = "is no longer encrypted" if args.no_encryption else "is encrypted with the new key"
    say(f"the warehouse {state}; build {snapshot.build_id} is published")
    if not args.no_encryption:
        say(OLD_BYTES)
        say("From now on name the key file with --encryption-key-file or MENTON_ENCRYPTION_KEY_FILE. Nobody can open")
        say("the warehouse without it: keep a copy in a safe place.")
    return 0


def _new_key(args: argparse.Namespace) -> str | None:
    from warehouse.command_options import read_encryption_key
    from warehouse.errors import RequestError

    path: Path | None = args.new_key_file
    if path is None:
        return None
    if path.resolve().is_relative_to(args.warehouse.resolve()):
        found = "the key would lie inside the warehouse folder"
        raise RequestError(found, where=path.name, remedy="keep it elsewhere: whoever gets the folder must not get it")
    return read_encryption_key(path)
