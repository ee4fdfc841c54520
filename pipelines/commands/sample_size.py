"""``menton sample-size``: how many cases would settle it, from the practice's own rates, and how long that takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.commands.options import encryption_key, say
from pipelines.commands.options_compare import add_asked, say_end, say_json, say_list
from pipelines.commands.rate import selection_from
from warehouse.errors import RequestError

if TYPE_CHECKING:
    import argparse

    from warehouse.marts.reader import Reader
    from warehouse.questions.sample_size import DifferencePlan, PrecisionPlan


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("sample-size", help="how many cases would settle it, and how many months")
    add_asked(parser)
    parser.add_argument("--precision", type=float, metavar="HALF-WIDTH", help="half-width wanted, 0.05 for ±5 points")
    parser.add_argument("--share", type=float, help="share to plan with (default: the present one)")
    parser.add_argument("--by", metavar="GROUPING", default="appliance_category", help="what --a and --b are groups of")
    parser.add_argument("--a", metavar="CODE", help="one group, to plan for a difference")
    parser.add_argument("--b", metavar="CODE", help="the other group")
    parser.add_argument("--share-a", type=float, help="share to plan with in the one (default: its present one)")
    parser.add_argument("--share-b", type=float, help="share to plan with in the other")
    parser.add_argument("--power", type=float, default=0.8, help="wanted chance of telling them apart (default 0.8)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the number of cases."""
    from warehouse.marts.reader import Reader

    if bool(args.a) != bool(args.b):
        found = "one of --a and --b is missing"
        raise RequestError(found, expected="both groups, or neither", remedy="name the other group too")
    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        if args.a:
            _difference(args, reader)
        else:
            _precision(args, reader)
    return 0


def _precision(args: argparse.Namespace, reader: Reader) -> None:
    from warehouse.questions.sample_size import plan_precision
    from warehouse.words.planning import precision_sentences

    plan = plan_precision(
        reader,
        half_width=0.05 if args.precision is None else args.precision,
        share=args.share,
        definition=args.definition,
        selection=selection_from(args),
        level=args.level,
    )
    _say(args, plan, "Cases for a share", precision_sentences(plan))


def _say(args: argparse.Namespace, plan: PrecisionPlan | DifferencePlan, title: str, said: list[str]) -> None:
    if args.json:
        say_json(plan, sentences=said)
        return
    say(f"{title} — {plan.definition.name}, {plan.definition.label}")
    say_list(said)
    say_end(None, ())


def _difference(args: argparse.Namespace, reader: Reader) -> None:
    from warehouse.questions.sample_size import plan_difference
    from warehouse.words.planning import difference_sentences

    plan = plan_difference(
        reader,
        by=args.by,
        first=args.a,
        second=args.b,
        shares=(args.share_a, args.share_b),
        definition=args.definition,
        selection=selection_from(args),
        power=args.power,
    )
    _say(args, plan, "Cases to tell two groups apart", difference_sentences(plan))
