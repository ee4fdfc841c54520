"""``menton definitions``: outcome definitions in force; add one; choose the headline one."""

import argparse
import shutil
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

from pipelines.commands.options import published_again, reading, say, say_json, storing
from warehouse.errors import WarehouseError
from warehouse.marts.catalogues import in_force, register
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import FAMILIES, Definition
from warehouse.outcomes.registry import DEFAULT_ID, definition_to_dict, load_definitions, shipped_registry
from warehouse.plans.planned_or_explored import stand
from warehouse.plans.question import Question
from warehouse.questions.beside import within_error
from warehouse.questions.shares import rates, redefined
from warehouse.repeats.error_band import error_band
from warehouse.selection import Selection
from warehouse.store.store import STORE
from warehouse.words.sentences import caution_text
from warehouse.words.sentences import say as say_text

EXAMPLE = files(__package__).joinpath("definition_example.toml").read_text(encoding="utf-8")


def run(args: argparse.Namespace) -> int:
    if args.example:
        print(EXAMPLE)
        return 0
    if args.tried:
        return _try(args)
    if args.add or args.headline:
        _change(args)
    listed, headline, remarks = _in_force(args)
    if args.json:
        say_json({"headline": headline, "definitions": [definition_to_dict(definition) for definition in listed]})
    else:
        _print(listed, headline, remarks)
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


def _try(args: argparse.Namespace) -> int:
    """Add to a copy, count there, and write the look down."""
    with reading(args) as reader, TemporaryDirectory(prefix="menton-") as room:
        shutil.copy2(args.warehouse / STORE, room)
        on_copy = argparse.Namespace(**vars(args) | {"warehouse": Path(room), "add": args.tried, "headline": None})
        _change(on_copy)
        with reading(on_copy) as copy:
            for one in copy.registry:
                if one.id not in {known.id for known in reader.registry}:
                    stand(reader, [Question(definition=one.id)])
                    _say_tried(copy, one)
    say(say_text("definition.look"))
    return 0


def _say_tried(copy: Reader, one: Definition) -> None:
    now = copy.definition()
    tried, held = (rates(copy, definition=each.id).groups[0] for each in (one, now))
    told = {"name": one.name, "adverse": tried.adverse.n, "counted": tried.counted.n, "share": tried.rate.value}
    beside = {f"headline_{name}": getattr(held, name).n for name in ("adverse", "counted")}
    say(say_text("definition.tried", **told, **beside, headline=now.name, headline_share=held.rate.value))
    both, turned, back = redefined(copy, one=one, now=now, selection=Selection())
    say(say_text("definition.differ", both=both, turned=turned, back=back))


def _in_force(args: argparse.Namespace) -> tuple[list[Definition], str, dict[str, str]]:
    """The definitions with the retired ones, the headline one's id, and by id what is to be said of a threshold."""
    try:
        with reading(args) as reader:
            definitions = list(reader.registry.definitions)
            remarks = {one.id: _within_error(reader, one) for one in definitions}
            return definitions, reader.settings["definition"], remarks
    except WarehouseError:
        return list(shipped_registry().definitions), DEFAULT_ID, {}


def _within_error(reader: Reader, definition: Definition) -> str:
    """That the threshold lies below the measuring error of its measure here, where it does."""
    part = definition.single_change
    band = error_band(reader, measure=part.measures[0], selection=Selection()) if part else None
    if part is None or band is None or band.mdc95 is None or band.mdc95 <= part.threshold:
        return ""
    return caution_text(within_error(part.threshold, band.mdc95))


def _print(listed: list[Definition], headline: str, remarks: Mapping[str, str]) -> None:
    family = ""
    for definition in listed:
        if definition.retired and not family.startswith("retired"):
            family = "retired"
            say("\nno longer in force: ask for them by name to make an old figure again")
        elif not definition.retired and definition.family != family:
            family = definition.family
            say(f"\n{FAMILIES[family]}{'' if family == 'vertical' else ' (secondary)'}")
        mark = "  <- headline" if definition.id == headline else ""
        say(f"  {definition.name:12} {definition.label}{mark}")
        say(f"               {definition.sentence}")
        say(f"               shortest interval {definition.minimum_months:g} months; source: {definition.source}")
        if remarks.get(definition.id):
            say(f"               {remarks[definition.id]}")
