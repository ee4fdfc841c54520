"""``menton measures``: measures in force; add one."""

import argparse
from importlib.resources import files

from pipelines.commands.options import catalogues_of, print_table, published_again, say_json, storing
from warehouse.marts.catalogues import in_force, measure_body, register
from warehouse.measures.catalogue import load_own_measures
from warehouse.measures.measure import Measure

_KEYS = (
    "code",
    "label",
    "definition",
    "unit",
    "plausible",
    "usual",
    "up_means",
    "sign",
    "family",
    "formula_text",
    "source",
)
EXAMPLE = files(__package__).joinpath("measure_example.toml").read_text(encoding="utf-8")


def run(args: argparse.Namespace) -> None:
    if args.example:
        print(EXAMPLE)
        return
    listed = _add(args) if args.add else list(catalogues_of(args).measures.values())
    if args.json:
        say_json({"measures": [{key: getattr(measure, key) for key in _KEYS} for measure in listed]})
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


def _add(args: argparse.Namespace) -> list[Measure]:
    added = load_own_measures(args.add)
    with storing(args, create=True) as store:
        present = in_force(store).measures
        present.with_own(measure for measure in added if measure.code not in present)
        with store.transaction():
            for measure in added:
                register(store, "measure", measure.code, "1", measure_body(measure))
        listed = list(in_force(store).measures.values())
        published_again(args, store)
    return listed
