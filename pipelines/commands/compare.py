"""``menton compare``: groups of cases compared, one grouping, two groupings, one group before another, or a plan."""

from __future__ import annotations

import argparse

from pipelines.commands.compare_print import (
    print_crossed,
    print_groups,
    print_outcomes,
    print_pair,
    print_plan_result,
)
from pipelines.commands.options import (
    add_cases,
    add_pair,
    check_pair,
    progress,
    question_from,
    reading,
    say_answer,
    say_json,
)
from warehouse.analysis.inputs import check_method
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.question import WITHIN, Question
from warehouse.questions.contrast import compare_all_outcomes, compare_pair
from warehouse.questions.crossed import compare_crossed
from warehouse.questions.groups import compare_groups, share_over_age
from warehouse.questions.methods import METHODS, SEED, Resampling
from warehouse.questions.run_plan import run_plan
from warehouse.words.changes import age_sentence, outcome_sentences, plan_sentences
from warehouse.words.contrasts import groups_sentences, pair_sentences, resampling_sentence, within_sentence

EPILOG = """examples:
  menton compare --by appliance_category
  menton compare --by extraction --by2 vertical_type
  menton compare --by appliance_category --a expander_tooth_borne --b fixed_labial --adjust age_at_start,sex
  menton compare --plan P1
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.epilog = EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_cases(parser)
    parser.add_argument("--by", metavar="GROUPING", help="what the groups are made of (default: appliance_category)")
    parser.add_argument("--by2", metavar="GROUPING", help="a second grouping, held alike")
    add_pair(parser, "the group whose excess is asked about", "the group it is compared with")
    parser.add_argument("--reference", metavar="CODE", help="the group all others are compared with (default: largest)")
    parser.add_argument("--adjust", metavar="LIST", help="variables to adjust for, by commas; none for none")
    parser.add_argument("--strata", metavar="LIST", help="what to stratify by, by commas; none for none")
    parser.add_argument("--primary", metavar="METHOD", help="crude, stratified, standardised, overlap or inverse")
    parser.add_argument("--resamples", type=int, metavar="N", help="bootstrap intervals, N resamples; 2000 are usual")
    parser.add_argument("--seed", type=int, help="where the resamples begin (printed with the result)")
    parser.add_argument("--within", choices=WITHIN, default="practice", help="compare like with like within these")
    parser.add_argument("--workings", action="store_true", help="with --a and --b: how the answer was worked out")
    parser.add_argument("--outcomes", action="store_true", help="the same two groups on every outcome definition")
    parser.add_argument("--plan", metavar="ID", help="carry out a registered audit plan")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the comparison asked for."""
    _check(args)
    question = question_from(args, by="appliance_category")
    with reading(args) as reader:
        if args.plan:
            planned = run_plan(reader, args.plan)
            say_answer(args, planned, print_plan_result, sentences=plan_sentences(planned))
        elif args.a and args.outcomes:
            outcomes = compare_all_outcomes(reader, question)
            say_answer(args, outcomes, print_outcomes, sentences=outcome_sentences(outcomes))
        elif args.a:
            _pair(args, reader, question)
        elif args.by2:
            crossed = compare_crossed(reader, question)
            sentences = [within_sentence(crossed, one) for one in crossed.within]
            say_answer(args, crossed, print_crossed, sentences=sentences)
        else:
            _groups(args, reader, question)
    return 0


_SAID_BY_PLAN = ("by", "by2", "a", "b", "reference", "adjust", "strata", "primary", "outcomes", "resamples")
_NEEDS_PAIR = ("adjust", "strata", "primary", "outcomes", "resamples", "workings")


def _check(args: argparse.Namespace) -> None:
    """Refuse options that do not go together, before anything is read.

    Raises:
        RequestError: They do not.
    """
    given = [f"--{option}" for option in _SAID_BY_PLAN if getattr(args, option)] if args.plan else []
    if given:
        found = f"a plan says what is compared and how; {' and '.join(given)} cannot be given with --plan"
        raise RequestError(found, remedy="leave out what the plan says, or compare without a plan")
    check_pair(args)
    for option in _NEEDS_PAIR:
        if getattr(args, option) and not args.a:
            found = f"--{option} is given without two groups"
            raise RequestError(found, expected="--a CODE --b CODE", remedy="name the two groups")
    if args.a and (args.by2 or args.reference):
        found = "--by2 and --reference do not go with --a and --b"
        raise RequestError(found, expected="one or the other", remedy="adjust for the second grouping with --adjust")
    if args.outcomes and args.resamples:
        found = "--resamples does not go with --outcomes"
        raise RequestError(found, remedy="ask for one outcome with --definition")
    if args.seed is not None and not args.resamples:
        found = "--seed is given without --resamples"
        raise RequestError(found, remedy="say how many resamples, --resamples 2000")
    if args.primary:
        check_method(args.primary, METHODS)


def _pair(args: argparse.Namespace, reader: Reader, question: Question) -> None:
    resampling = _resampling(args)
    result = compare_pair(reader, question, resampling=resampling)
    note = resampling_sentence(resampling) if resampling else ""
    sentences = [*pair_sentences(result), note] if note else pair_sentences(result)
    say_answer(args, result, lambda found: print_pair(found, note=note, workings=args.workings), sentences=sentences)


def _resampling(args: argparse.Namespace) -> Resampling | None:
    if args.resamples is None:
        return None
    return Resampling(n=args.resamples, seed=SEED if args.seed is None else args.seed, progress=progress)


def _groups(args: argparse.Namespace, reader: Reader, question: Question) -> None:
    result = compare_groups(reader, question)
    curve = share_over_age(reader, question) if question.by == "age_band" else None
    said = groups_sentences(result) + ([age_sentence(curve)] if curve else [])
    if args.json:
        say_json({"comparison": result, "over_age": curve}, sentences=said)
    else:
        print_groups(result, said)
