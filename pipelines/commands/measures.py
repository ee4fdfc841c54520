"""``menton measures``: measures in force; add one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands.options import add_warehouse, encryption_key, print_table, progress, say

if TYPE_CHECKING:
    import argparse

    from warehouse.measures.measure import Measure

EXAMPLE = """\
# A measure of your own. Add it with: menton measures --add FILE
[[measure]]
code = "own_distance_mm"      # lower case; its ending names the unit
label = "Our own distance"
definition = "Distance between two points that we measure on every case."
unit = "mm"                   # degrees | mm | percent | points
plausible = [5.0, 60.0]       # a value outside is turned away
usual = [10.0, 45.0]          # a value outside is kept with a remark
up_means = "larger distance"
sign = 0                      # +1: a rise means a longer face, -1: a fall does, 0: neither
source = "our own protocol"
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("measures", help="measures in force; add one")
    add_warehouse(parser)
    parser.add_argument("--add", type=Path, metavar="FILE", help="add the measures of a TOML file")
    parser.add_argument("--example", action="store_true", help="print an example of a measure file")
    parser.add_argument("--json", action="store_true", help="print one JSON list")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """List or add measures."""
    if args.example:
        say(EXAMPLE)
        return 0
    listed = _add(args) if args.add else _in_force(args)
    if args.json:
        say(json.dumps([_plain(measure) for measure in listed], indent=2))
    else:
        rows = [
            [
                m.code,
                m.label,
                m.unit,
                f"{m.plausible[0]:g} to {m.plausible[1]:g}",
                f"{m.usual[0]:g} to {m.usual[1]:g}",
                m.up_means,
            ]
            for m in listed
        ]
        print_table("", ["code", "trade name", "unit", "plausible", "usual", "a rise means"], rows)
    return 0


def _plain(measure: Measure) -> dict[str, object]:
    keys = ("code", "label", "definition", "unit", "plausible", "usual", "up_means", "sign", "family", "source")
    return {key: getattr(measure, key) for key in keys}


def _add(args: argparse.Namespace) -> list[Measure]:
    from warehouse.marts.catalogues import in_force, measure_body, register
    from warehouse.marts.publish import publish
    from warehouse.measures.catalogue import load_own_measures
    from warehouse.store.store import open_store

    key = encryption_key(args)
    added = load_own_measures(args.add)
    with open_store(args.warehouse, create=True, key=key) as store:
        present = in_force(store).measures
        present.with_own(measure for measure in added if measure.code not in present)
        with store.transaction():
            for measure in added:
                register(store, "measure", measure.code, "1", measure_body(measure))
        listed = list(in_force(store).measures.values())
        publish(args.warehouse, store, key=key, progress=progress)
    return listed


def _in_force(args: argparse.Namespace) -> list[Measure]:
    from warehouse.errors import WarehouseError
    from warehouse.marts.catalogues import in_force
    from warehouse.measures.catalogue import CATALOGUE
    from warehouse.store.store import open_store

    try:
        with open_store(args.warehouse, key=encryption_key(args)) as store:
            return list(in_force(store).measures.values())
    except WarehouseError:
        return list(CATALOGUE.values())
