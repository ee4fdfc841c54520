"""``menton compare``: groups of cases compared, one grouping, two groupings, one group before another, or a plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.commands.options import encryption_key, progress
from pipelines.commands.options_compare import add_asked, asked, listed, say_answer, say_json
from warehouse.errors import RequestError

if TYPE_CHECKING:
    import argparse

    from warehouse.marts.reader import Reader
    from warehouse.questions.resampled import Resampling

EPILOG = """examples:
  menton compare --by appliance_category
  menton compare --by extraction --by2 vertical_type
  menton compare --by appliance_category --a expander_tooth_borne --b fixed_labial --adjust age_at_start,sex
  menton compare --plan P1
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    import argparse

    parser = subparsers.add_parser(
        "compare",
        help="compare groups: crude, stratified, standardised and weighted",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_asked(parser)
    parser.add_argument("--by", metavar="GROUPING", help="what the groups are made of (default: appliance_category)")
    parser.add_argument("--by2", metavar="GROUPING", help="a second grouping, held alike")
    parser.add_argument("--a", metavar="CODE", help="the group whose excess is asked about")
    parser.add_argument("--b", metavar="CODE", help="the group it is compared with")
    parser.add_argument("--reference", metavar="CODE", help="the group all others are compared with (default: largest)")
    parser.add_argument("--adjust", metavar="LIST", help="variables to adjust for, by commas; none for none")
    parser.add_argument("--strata", metavar="LIST", help="what to stratify by, by commas; none for none")
    parser.add_argument("--primary", metavar="METHOD", help="crude, stratified, standardised, overlap or inverse")
    parser.add_argument("--resamples", type=int, metavar="N", help="bootstrap intervals, N resamples; 2000 are usual")
    parser.add_argument("--seed", type=int, help="where the resamples begin (printed with the result)")
    parser.add_argument("--outcomes", action="store_true", help="the same two groups on every outcome definition")
    parser.add_argument("--plan", metavar="ID", help="carry out a registered audit plan")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the comparison asked for."""
    from warehouse.marts.reader import Reader

    _check(args)
    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        if args.plan:
            _plan(args, reader)
        elif args.a and args.outcomes:
            _outcomes(args, reader)
        elif args.a:
            _pair(args, reader)
        elif args.by2:
            _crossed(args, reader)
        else:
            _groups(args, reader)
    return 0


_SAID_BY_PLAN = ("by", "by2", "a", "b", "reference", "adjust", "strata", "primary", "outcomes", "resamples")
_NEEDS_PAIR = ("adjust", "strata", "primary", "outcomes", "resamples")


def _check(args: argparse.Namespace) -> None:
    """Refuse options that do not go together, before anything is read.

    Raises:
        RequestError: They do not.
    """
    given = [f"--{option}" for option in _SAID_BY_PLAN if getattr(args, option)] if args.plan else []
    if given:
        found = f"a plan says what is compared and how; {' and '.join(given)} cannot be given with --plan"
        raise RequestError(found, remedy="leave out what the plan says, or compare without a plan")
    if bool(args.a) != bool(args.b):
        found = "one of --a and --b is missing"
        raise RequestError(found, expected="both groups, or neither", remedy="name the other group too")
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
        _check_method(args.primary)


def _check_method(method: str) -> None:
    from warehouse.analysis.inputs import check_method
    from warehouse.questions.methods import METHODS

    check_method(method, METHODS)


def _by(args: argparse.Namespace) -> str:
    by: str = args.by or "appliance_category"
    return by


def _pair(args: argparse.Namespace, reader: Reader) -> None:
    from pipelines.commands.compare_print import print_pair
    from warehouse.questions.contrast import compare_pair
    from warehouse.words.contrasts import pair_sentences, resampling_sentence

    resampling = _resampling(args)
    result = compare_pair(
        reader,
        by=_by(args),
        first=args.a,
        second=args.b,
        adjust=listed(args.adjust),
        strata=listed(args.strata),
        primary=args.primary,
        resampling=resampling,
        **asked(args),
    )
    note = resampling_sentence(resampling) if resampling else ""
    sentences = [*pair_sentences(result), note] if note else pair_sentences(result)
    say_answer(args, result, lambda found: print_pair(found, note=note), sentences=sentences)


def _resampling(args: argparse.Namespace) -> Resampling | None:
    from warehouse.questions.resampled import SEED, Resampling

    if args.resamples is None:
        return None
    return Resampling(n=args.resamples, seed=SEED if args.seed is None else args.seed, progress=progress)


def _outcomes(args: argparse.Namespace, reader: Reader) -> None:
    from pipelines.commands.compare_print import print_outcomes
    from warehouse.questions.families import compare_all_outcomes
    from warehouse.words.changes import outcome_sentences

    result = compare_all_outcomes(
        reader,
        by=_by(args),
        first=args.a,
        second=args.b,
        adjust=listed(args.adjust),
        method=args.primary or "overlap",
        **asked(args),
    )
    say_answer(args, result, print_outcomes, sentences=outcome_sentences(result))


def _crossed(args: argparse.Namespace, reader: Reader) -> None:
    from pipelines.commands.compare_print import print_crossed
    from warehouse.questions.crossed import compare_crossed
    from warehouse.words.contrasts import within_sentence

    result = compare_crossed(reader, by=_by(args), by2=args.by2, reference=args.reference, **asked(args))
    sentences = [within_sentence(result, one) for one in result.within]
    say_answer(args, result, print_crossed, sentences=sentences)


def _groups(args: argparse.Namespace, reader: Reader) -> None:
    from pipelines.commands.compare_print import print_groups
    from warehouse.questions.ages import share_over_age
    from warehouse.questions.groups import compare_groups
    from warehouse.words.changes import age_sentence
    from warehouse.words.contrasts import groups_sentences

    by = _by(args)
    result = compare_groups(reader, by=by, reference=args.reference, **asked(args))
    curve = share_over_age(reader, **asked(args)) if by == "age_band" else None
    said = groups_sentences(result) + ([age_sentence(curve)] if curve else [])
    if args.json:
        say_json({"comparison": result, "over_age": curve}, sentences=said)
    else:
        print_groups(result, said)


def _plan(args: argparse.Namespace, reader: Reader) -> None:
    from pipelines.commands.compare_print import print_plan_result
    from warehouse.questions.run_plan import run_plan
    from warehouse.words.changes import plan_sentences

    result = run_plan(reader, args.plan)
    say_answer(args, result, print_plan_result, sentences=plan_sentences(result))
