"""``menton publish``: publish the warehouse again for readers."""

from __future__ import annotations

import argparse

from pipelines.commands.options import add_warehouse, encryption_key, progress, say


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("publish", help="publish the warehouse again for readers")
    add_warehouse(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Publish."""
    from warehouse.marts.publish import publish
    from warehouse.store.store import open_store

    key = encryption_key(args)
    with open_store(args.warehouse, key=key) as store:
        snapshot = publish(args.warehouse, store, key=key, again=True, progress=progress)
    say(f"build {snapshot.build_id} is published")
    return 0
