"""``menton verify``: is everything in the warehouse as it must be."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pipelines.commands.options import add_warehouse, encryption_key, say

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from warehouse.upkeep.verify import Verification


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("verify", help="check that nothing in the warehouse is lost or damaged")
    add_warehouse(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Verify; gives 1 where something is wrong."""
    from warehouse.upkeep.verify import verify

    found = _with_contributions(verify(args.warehouse, key=encryption_key(args)), args.warehouse)
    for note in found.notes:
        say(f"note: {note}")
    for fault in found.faults:
        say(f"WRONG ({fault.check}): {fault.sentence}")
    if found.is_sound:
        say(f"{len(found.checks)} checks, nothing wrong")
        return 0
    say(f"{len(found.checks)} checks, {len(found.faults)} things wrong")
    return 1


def _with_contributions(found: Verification, warehouse: Path) -> Verification:
    """The same, with the record of what was handed over to study groups."""
    from pipelines.group.chain import RecordChain
    from pipelines.group.practice_record import FILE
    from warehouse.errors import MentonError
    from warehouse.upkeep.verify import FoundFault

    check = "record_of_contributions_is_whole"
    faults: tuple[FoundFault, ...] = ()
    try:
        RecordChain(warehouse / FILE).read()
    except MentonError as error:
        faults = (FoundFault(check, f"{FILE}: {error.found}"),)
    return replace(found, checks=(*found.checks, check), faults=(*found.faults, *faults))
