"""``menton sample-size``: how many cases would settle it, from the practice's own rates, and how long that takes."""

import argparse

from pipelines.commands.options import check_pair, question_from, reading, say, say_end, say_json, say_list
from warehouse.questions.sample_size import DifferencePlan, PrecisionPlan, plan_difference, plan_precision
from warehouse.words.planning import difference_sentences, precision_sentences


def run(args: argparse.Namespace) -> None:
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


def _say(args: argparse.Namespace, plan: PrecisionPlan | DifferencePlan, title: str, said: list[str]) -> None:
    if args.json:
        say_json(plan, sentences=said)
        return
    say(f"{title} — {plan.definition.name}, {plan.definition.label}")
    say_list(said)
    say_end()
