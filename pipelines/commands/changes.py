"""``menton changes``: how much faces changed, group by group, as numbers; and the course over more than two times."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.commands.options import encryption_key, print_table, say
from pipelines.commands.options_compare import add_asked, listed, say_end, say_json, say_list
from pipelines.commands.rate import selection_from
from warehouse.words.sentences import caution_text

if TYPE_CHECKING:
    import argparse

    from warehouse.marts.reader import Reader
    from warehouse.questions.changes import ChangeComparison, GroupChange
    from warehouse.questions.course import Course

FEW_GROUPS = 3
"""Groups up to which every comparison is printed as a sentence rather than in a table."""

DECILES_SHOWN = (0.1, 0.3, 0.5, 0.7, 0.9)


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("changes", help="how much faces changed by group; the course over several times")
    add_asked(parser)
    by = "what the groups are made of (default: appliance_category; with --course, all cases together)"
    parser.add_argument("--by", metavar="GROUPING", help=by)
    parser.add_argument("--measure", metavar="CODE", help="the measure (default: that of the definition)")
    parser.add_argument("--span", default="start_to_finish", help="which two times (default start_to_finish)")
    parser.add_argument("--adjust", metavar="LIST", help="variables to adjust for besides the start, by commas")
    parser.add_argument("--reference", metavar="CODE", help="the group all others are compared with (default: largest)")
    parser.add_argument("--course", action="store_true", help="the course over all times of treatment, and after it")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the changes, or the course."""
    from warehouse.marts.reader import Reader

    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        if args.course:
            _course(args, reader)
        else:
            _changes(args, reader)
    return 0


def _changes(args: argparse.Namespace, reader: Reader) -> None:
    from warehouse.questions.changes import USUAL_ADJUSTMENT, compare_changes
    from warehouse.words.changes import change_sentence, covariance_sentences

    adjust = listed(args.adjust)
    result = compare_changes(
        reader,
        by=args.by or "appliance_category",
        measure=args.measure,
        span=args.span,
        definition=args.definition,
        selection=selection_from(args),
        adjust=USUAL_ADJUSTMENT if adjust is None else adjust,
        reference=args.reference,
        level=args.level,
    )
    if args.json:
        groups = [change_sentence(result, group) for group in result.groups]
        say_json(result, sentences=groups + covariance_sentences(result))
    else:
        print_changes(result)


def print_changes(result: ChangeComparison) -> None:
    """A row a group, the picture of deciles, then the groups from the same start."""
    unit = result.measure.unit
    say(f"{result.measure.label}, change from {result.span.replace('_', ' ')}, in {unit}")
    say(f"  more means: {result.measure.up_means}")
    say(f"  growth: {result.growth_reference}")
    say(f"  cases: {result.selection.sentence()}; build {result.build}")
    columns = ["group", "cases", "start", "months", "mean change", "interval", "median", "beyond growth", "interval"]
    print_table("", columns, [_row(group) for group in result.groups], right=range(1, 9))
    _print_picture(result)
    _print_covariance(result)
    if result.without_group:
        say(f"  {result.without_group:,} cases are left out: their group is not known.")
    say_end(result.standing, result.cautions)


def _print_covariance(result: ChangeComparison) -> None:
    """The groups from the same start: a table, and sentences where they are few."""
    from warehouse.words.changes import covariance_differences, covariance_sentences
    from warehouse.words.numbers import p_words, signed, span

    found = covariance_differences(result)
    if len(found) > FEW_GROUPS:
        columns = [f"from the same start, against {result.reference}", "difference", "interval", "p"]
        rows = [
            [label, signed(one.value), span(one.interval), p_words(one.p_value).removeprefix("p ").removeprefix("= ")]
            for label, one in found
        ]
        print_table("", columns, rows, right=range(1, 4))
    else:
        say_list(covariance_sentences(result))


def _row(group: GroupChange) -> list[str]:
    from warehouse.words.numbers import number, signed, span

    return [
        group.label,
        f"{group.n:,}",
        number(group.mean_start, digits=1),
        number(group.mean_months, digits=0),
        signed(group.mean.value),
        span(group.mean.interval),
        signed(group.median.value),
        signed(group.beyond_growth.value),
        span(group.beyond_growth.interval),
    ]


def _print_picture(result: ChangeComparison) -> None:
    from warehouse.words.numbers import signed

    by_group: dict[str, dict[float, float | None]] = {}
    for row in result.picture.iter_rows(named=True):
        by_group.setdefault(row["group"], {})[round(row["share"], 1)] = row["value"]
    columns = ["of the changes, this share lies below", *(f"{share:.0%}" for share in DECILES_SHOWN)]
    rows = [
        [group.label, *(signed(by_group.get(group.label, {}).get(share)) for share in DECILES_SHOWN)]
        for group in result.groups
    ]
    print_table("", columns, rows, right=range(1, len(columns)))


def _course(args: argparse.Namespace, reader: Reader) -> None:
    from warehouse.questions.changes import USUAL_ADJUSTMENT
    from warehouse.questions.course import course_of_measure
    from warehouse.words.changes import course_sentences

    adjust = listed(args.adjust)
    result = course_of_measure(
        reader,
        by=args.by,
        measure=args.measure,
        definition=args.definition,
        selection=selection_from(args),
        adjust=USUAL_ADJUSTMENT if adjust is None else adjust,
        level=args.level,
    )
    said = course_sentences(result)
    if args.json:
        say_json(result, sentences=said)
    else:
        _print_course(result, said)


def _print_course(result: Course, said: list[str]) -> None:
    say(f"{result.measure.label}: course over the months of treatment, in {result.measure.unit} a year")
    say(f"  cases: {result.selection.sentence()}; build {result.build}")
    say_list(said)
    say_list([caution_text(caution) for caution in result.model.warnings])
    say()
    print_changes(result.after)
