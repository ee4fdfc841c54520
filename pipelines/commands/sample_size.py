"""``menton sample-size``: how many cases would settle it, from the practice's own rates, and how long that takes."""

import argparse

from pipelines.commands.options import (
    add_cases,
    add_pair,
    check_pair,
    question_from,
    reading,
    say,
    say_end,
    say_json,
    say_list,
)
from warehouse.questions.sample_size import DifferencePlan, PrecisionPlan, plan_difference, plan_precision
from warehouse.words.planning import difference_sentences, precision_sentences


def add(parser: argparse.ArgumentParser) -> None:
    add_cases(parser)
    parser.add_argument(
        "--precision", type=float, default=0.05, metavar="HALF-WIDTH", help="half-width wanted, 0.05 for ±5 points"
    )
    parser.add_argument("--share", type=float, help="share to plan with (default: the present one)")
    parser.add_argument("--by", metavar="GROUPING", default="appliance_category", help="what --a and --b are groups of")
    add_pair(parser, "one group, to plan for a difference", "the other group")
    parser.add_argument("--share-a", type=float, help="share to plan with in the one (default: its present one)")
    parser.add_argument("--share-b", type=float, help="share to plan with in the other")
    parser.add_argument("--power", type=float, default=0.8, help="wanted chance of telling them apart (default 0.8)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    check_pair(args)
    question = question_from(args)
    with reading(args) as reader:
        if args.a:
            shares = (args.share_a, args.share_b)
            two = plan_difference(reader, question, shares=shares, power=args.power)
            _say(args, two, "Cases to tell two groups apart", difference_sentences(two))
        else:
            one = plan_precision(reader, question, half_width=args.precision, share=args.share)
            _say(args, one, "Cases for a share", precision_sentences(one))
    return 0


def _say(args: argparse.Namespace, plan: PrecisionPlan | DifferencePlan, title: str, said: list[str]) -> None:
    if args.json:
        say_json(plan, sentences=said)
        return
    say(f"{title} — {plan.definition.name}, {plan.definition.label}")
    say_list(said)
    say_end()
