"""``menton definitions``: outcome definitions in force; add one; choose the headline one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands.options import add_warehouse, encryption_key, progress, say

if TYPE_CHECKING:
    import argparse

    from warehouse.outcomes.definition import Definition

EXAMPLE = """\
# A definition of your own. Add it with: menton definitions --add FILE
[[definition]]
id = "P1"
version = "1.0.0"
family = "vertical"
label = "Mandibular plane, 3 degrees"
sentence = "The mandibular plane opened against the cranial base by at least 3.0 degrees more than ordinary growth."
combine = "all"               # all | any | at_least (with at_least = 2)
missing = "not_assessable"    # not_assessable | decide
minimum_months = 12
source = "agreed in our practice before looking at results"

[[definition.part]]
kind = "change"               # change | crossing | answer | definition
measures = ["sn_gogn_deg", "sn_gome_deg"]
basis = "growth_adjusted"     # raw | growth_adjusted
direction = "rise"            # rise | fall
threshold = 3.0
beyond_error = "own_repeats"  # never | own_repeats | always
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("definitions", help="outcome definitions in force; add one")
    add_warehouse(parser)
    parser.add_argument("--add", type=Path, metavar="FILE", help="add the definitions of a TOML file")
    parser.add_argument("--headline", metavar="ID", help="make this definition the headline one")
    parser.add_argument("--example", action="store_true", help="print an example of a definition file")
    parser.add_argument("--json", action="store_true", help="print one JSON list")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """List, add or choose definitions."""
    if args.example:
        say(EXAMPLE)
        return 0
    if args.add or args.headline:
        _change(args)
    listed, headline = _in_force(args)
    if args.json:
        from warehouse.outcomes.registry import definition_to_dict

        say(json.dumps([definition_to_dict(definition) for definition in listed], indent=2))
    else:
        _print(listed, headline)
    return 0


def _change(args: argparse.Namespace) -> None:
    from warehouse.marts.catalogues import in_force, register
    from warehouse.marts.publish import publish
    from warehouse.outcomes.registry import definition_to_dict, load_definitions
    from warehouse.store.store import open_store

    key = encryption_key(args)
    with open_store(args.warehouse, key=key) as store:
        catalogues = in_force(store)
        if args.add:
            added = load_definitions(args.add, measures=catalogues.measures)
            catalogues.definitions.with_added(added)  # refuses what does not fit, before anything is kept
            with store.transaction():
                for definition in added:
                    register(store, "definition", definition.id, definition.version, definition_to_dict(definition))
        if args.headline:
            chosen = in_force(store).definitions.get(args.headline)
            with store.transaction():
                register(store, "setting", "definition", "1", chosen.id)
        publish(args.warehouse, store, key=key, progress=progress)


def _in_force(args: argparse.Namespace) -> tuple[list[Definition], str]:
    from warehouse.errors import WarehouseError
    from warehouse.marts.reader import Reader
    from warehouse.outcomes.registry import DEFAULT_ID, shipped_registry

    try:
        with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
            return list(reader.registry), reader.settings["definition"]
    except WarehouseError:
        return list(shipped_registry()), DEFAULT_ID


def _print(listed: list[Definition], headline: str) -> None:
    from warehouse.outcomes.definition import FAMILIES

    family = ""
    for definition in listed:
        if definition.family != family:
            family = definition.family
            say(f"\n{FAMILIES[family]}{'' if family == 'vertical' else ' (secondary)'}")
        mark = "  <- headline" if definition.id == headline else ""
        say(f"  {definition.name:12} {definition.label}{mark}")
        say(f"               {definition.sentence}")
        say(f"               shortest interval {definition.minimum_months:g} months; source: {definition.source}")
