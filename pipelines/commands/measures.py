"""``menton measures``: measures in force; add one."""

import argparse
from importlib.resources import files

from pipelines.commands.options import catalogues_of, print_table, published_again, reading, say, say_json, storing
from warehouse.marts.catalogues import in_force, measure_body, register
from warehouse.measures.catalogue import load_own_measures
from warehouse.measures.formulae import WeightedTotal
from warehouse.measures.measure import Measure
from warehouse.plans.planned_or_explored import stand
from warehouse.plans.question import Question
from warehouse.words.sentences import say as say_text

_KEYS = [
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
]
TRACED = files(__package__).joinpath("traced.sql").read_text(encoding="utf-8")
EXAMPLE = files(__package__).joinpath("measure_example.toml").read_text(encoding="utf-8")


def run(args: argparse.Namespace) -> None:
    if args.example:
        print(EXAMPLE)
        return
    if args.tried:
        _try(args)
        return
    listed = _add(args) if args.add else list(catalogues_of(args).measures.values())
    if args.json:
        say_json({"measures": [{key: getattr(measure, key) for key in _KEYS} for measure in listed]})
    else:
        spans = [[f"{low:g} to {high:g}" for low, high in (one.plausible, one.usual)] for one in listed]
        rows = [[m.code, m.label, m.unit, *span, m.up_means] for m, span in zip(listed, spans, strict=True)]
        print_table("", ["code", "trade name", "unit", "plausible", "usual", "a rise means"], rows)


def _try(args: argparse.Namespace) -> None:
    """Count the cases with the points of each measure at both times, and write the look down."""
    added = load_own_measures(args.tried)
    with reading(args) as reader:
        catalogues_of(args).measures.with_own(added)  # refuses what does not fit
        of = int(reader.connection.rows("select count(*) from mart_spans where span = 'start_to_finish'")[0][0])
        for one in added:
            points = one.formula.points if one.formula and not isinstance(one.formula, WeightedTotal) else ()
            rows = reader.connection.rows(TRACED, [list(points), len(points)]) if points else []
            say(say_text("measure.tried" if points else "measure.by_hand", label=one.label, n=len(rows), of=of))
            stand(reader, [Question(measure=one.code)])
    say(say_text("definition.look"))


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
