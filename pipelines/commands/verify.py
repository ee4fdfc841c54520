"""``menton verify``: is everything in the warehouse as it must be."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.commands.options import add_warehouse, encryption_key, say

if TYPE_CHECKING:
    import argparse


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("verify", help="check that nothing in the warehouse is lost or damaged")
    add_warehouse(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Verify; gives 1 where something is wrong."""
    from warehouse.verify import verify

    found = verify(args.warehouse, key=encryption_key(args))
    for note in found.notes:
        say(f"note: {note}")
    for fault in found.faults:
        say(f"WRONG ({fault.check}): {fault.sentence}")
    if found.is_sound:
        say(f"{len(found.checks)} checks, nothing wrong")
        return 0
    say(f"{len(found.checks)} checks, {len(found.faults)} things wrong")
    return 1
