"""``menton definitions``: outcome definitions in force; add one; choose the headline one."""

from __future__ import annotations

import argparse
from importlib.resources import files
from pathlib import Path

from pipelines.commands.options import add_json, add_warehouse, published_again, reading, say, say_json, storing
from warehouse.errors import WarehouseError
from warehouse.marts.catalogues import in_force, register
from warehouse.outcomes.definition import FAMILIES, Definition
from warehouse.outcomes.registry import DEFAULT_ID, definition_to_dict, load_definitions, shipped_registry

EXAMPLE = files(__package__).joinpath("definition_example.toml").read_text(encoding="utf-8")


def add(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    add_warehouse(parser)
    parser.add_argument("--add", type=Path, metavar="FILE", help="add the definitions of a TOML file")
    parser.add_argument("--headline", metavar="ID", help="make this definition the headline one")
    parser.add_argument("--example", action="store_true", help="print an example of a definition file")
    add_json(parser)
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
        say_json({"headline": headline, "definitions": [definition_to_dict(definition) for definition in listed]})
    else:
        _print(listed, headline)
    return 0


def _change(args: argparse.Namespace) -> None:
    with storing(args) as store:
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
        published_again(args, store)


def _in_force(args: argparse.Namespace) -> tuple[list[Definition], str]:
    try:
        with reading(args) as reader:
            return list(reader.registry), reader.settings["definition"]
    except WarehouseError:
        return list(shipped_registry()), DEFAULT_ID


def _print(listed: list[Definition], headline: str) -> None:
    family = ""
    for definition in listed:
        if definition.family != family:
            family = definition.family
            say(f"\n{FAMILIES[family]}{'' if family == 'vertical' else ' (secondary)'}")
        mark = "  <- headline" if definition.id == headline else ""
        say(f"  {definition.name:12} {definition.label}{mark}")
        say(f"               {definition.sentence}")
        say(f"               shortest interval {definition.minimum_months:g} months; source: {definition.source}")
