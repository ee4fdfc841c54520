"""``menton missing``: what the outcomes that are missing could do to a share, or to a difference."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.commands.options import encryption_key, print_table
from pipelines.commands.options_compare import add_asked, listed, say_end, say_head, say_json, say_list
from pipelines.commands.rate import selection_from
from warehouse.errors import RequestError

if TYPE_CHECKING:
    import argparse

    from warehouse.marts.reader import Reader
    from warehouse.questions.missing import GroupMissing, SharesAndMissing


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("missing", help="what the missing outcomes could do: bounds, imputation, tipping")
    add_asked(parser)
    parser.add_argument("--by", metavar="GROUPING", help="groups of cases, each with its bounds")
    parser.add_argument("--a", metavar="CODE", help="one group, to look at a difference")
    parser.add_argument("--b", metavar="CODE", help="the other group")
    parser.add_argument("--value", type=float, default=0.10, help="the share a message is about (default 0.10)")
    parser.add_argument("--adjust", metavar="LIST", help="what the imputation knows of a case, by commas")
    parser.add_argument("--imputations", type=int, default=20, metavar="N", help="completed data sets (default 20)")
    parser.add_argument("--seed", type=int, default=None, help="where the random draws start")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print bounds, imputation and tipping points."""
    from warehouse.marts.reader import Reader

    if bool(args.a) != bool(args.b):
        found = "one of --a and --b is missing"
        raise RequestError(found, expected="both groups, or neither", remedy="name the other group too")
    if not 0.0 < args.value < 1.0:
        found = f"--value is {args.value:g}"
        raise RequestError(found, expected="a share between 0 and 1, such as 0.10", remedy="divide a percentage by 100")
    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        if args.a:
            _pair(args, reader)
        else:
            _shares(args, reader)
    return 0


def _pair(args: argparse.Namespace, reader: Reader) -> None:
    from warehouse.questions.missing import SEED, pair_and_missing
    from warehouse.words.changes import missing_pair_sentences

    result = pair_and_missing(
        reader,
        by=args.by or "appliance_category",
        first=args.a,
        second=args.b,
        definition=args.definition,
        selection=selection_from(args),
        adjust=listed(args.adjust),
        n_imputations=args.imputations,
        seed=SEED if args.seed is None else args.seed,
        level=args.level,
    )
    said = missing_pair_sentences(result)
    if args.json:
        say_json(result, sentences=said)
        return
    say_head(
        f"Missing outcomes: {result.labels[0]} against {result.labels[1]}",
        result.definition,
        growth=reader.growth_reference,
        selection=result.selection,
        build=result.build,
    )
    say_list(said)
    say_end(None, ())


def _shares(args: argparse.Namespace, reader: Reader) -> None:
    from warehouse.questions.missing import shares_and_missing
    from warehouse.words.changes import missing_sentence

    result = shares_and_missing(
        reader,
        by=args.by,
        definition=args.definition,
        selection=selection_from(args),
        value=args.value,
        level=args.level,
    )
    said = [missing_sentence(group) for group in result.groups]
    if args.json:
        say_json(result, sentences=said)
        return
    _print_shares(result, said)


def _print_shares(result: SharesAndMissing, said: list[str]) -> None:
    found = result.rates
    say_head(
        "What the missing could do",
        found.definition,
        growth=found.growth_reference,
        selection=found.selection,
        build=found.build,
    )
    columns = ["group", "counted", "share", "missing", "if none adverse", "if all adverse"]
    print_table("", columns, [_row(group) for group in result.groups], right=range(1, 6))
    say_list(said)
    say_end(None, ())


def _row(group: GroupMissing) -> list[str]:
    from warehouse.words.numbers import percent

    rate = group.rate
    counted = rate.rate.value is not None
    return [
        rate.label,
        f"{rate.counted.n:,}",
        percent(rate.rate.value) if counted else "none counted",
        f"{rate.missing.n:,}",
        percent(rate.if_none.value) if rate.if_none.value is not None else "—",
        percent(rate.if_all.value) if rate.if_all.value is not None else "—",
    ]
