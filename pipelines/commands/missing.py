"""``menton missing``: what the outcomes that are missing could do to a share, or to a difference."""

import argparse

from pipelines.commands.options import (
    check_pair,
    print_table,
    question_from,
    reading,
    say_answer,
    say_end,
    say_head,
    say_list,
)
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.questions.missing import (
    GroupMissing,
    PairAndMissing,
    SharesAndMissing,
    pair_and_missing,
    shares_and_missing,
)
from warehouse.words.changes import missing_pair_sentences, missing_sentence
from warehouse.words.numbers import percent


def run(args: argparse.Namespace) -> None:
    check_pair(args)
    if not 0.0 < args.value < 1.0:
        found = f"--value is {args.value:g}"
        raise RequestError(found, expected="a share between 0 and 1, such as 0.10", remedy="divide a percentage by 100")
    with reading(args) as reader:
        if args.a:
            _pair(args, reader)
        else:
            result = shares_and_missing(reader, question_from(args), value=args.value)
            said = [missing_sentence(group) for group in result.groups]
            say_answer(args, result, _print_shares, sentences=said)


def _pair(args: argparse.Namespace, reader: Reader) -> None:
    question = question_from(args, by="appliance_category")
    result = pair_and_missing(reader, question, n_imputations=args.imputations, seed=args.seed)
    say_answer(args, result, _print_pair, sentences=missing_pair_sentences(result))


def _print_pair(result: PairAndMissing) -> None:
    say_head(f"Missing outcomes: {result.labels[0]} against {result.labels[1]}", result)
    say_list(missing_pair_sentences(result))
    say_end()


def _print_shares(result: SharesAndMissing) -> None:
    say_head("What the missing could do", result.rates)
    columns = ["group", "counted", "share", "missing", "if none adverse", "if all adverse"]
    print_table("", columns, [_row(group) for group in result.groups], right=range(1, 6))
    say_list(missing_sentence(group) for group in result.groups)
    say_end()


def _row(group: GroupMissing) -> list[str]:
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
