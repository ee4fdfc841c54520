"""``menton changes``: how much faces changed, group by group, as numbers; and the course over more than two times."""

import argparse

from pipelines.commands.options import (
    print_table,
    question_from,
    reading,
    say,
    say_answer,
    say_cautions,
    say_end,
    say_list,
)
from warehouse.questions.changes import ChangeComparison, Course, GroupChange, compare_changes, course_of_measure
from warehouse.questions.three_times import ThreeTimes, three_times
from warehouse.words.changes import (
    change_sentence,
    course_sentences,
    covariance_differences,
    covariance_sentences,
    three_times_sentence,
)
from warehouse.words.numbers import number, p_bare, signed, span

FEW_GROUPS = 3  # groups up to which every comparison is printed as a sentence rather than in a table

DECILES_SHOWN = (0.1, 0.3, 0.5, 0.7, 0.9)


def run(args: argparse.Namespace) -> None:
    if args.course:
        with reading(args) as reader:
            course = course_of_measure(reader, question_from(args))
        say_answer(args, course, _print_course, sentences=course_sentences(course))
        return
    if args.three_times:
        with reading(args) as reader:
            paired = three_times(reader, question_from(args))
        say_answer(args, paired, _print_three_times, sentences=[three_times_sentence(paired)])
        return
    with reading(args) as reader:
        result = compare_changes(reader, question_from(args, by="appliance_category"))
    groups = [change_sentence(result, group) for group in result.groups]
    say_answer(args, result, print_changes, sentences=groups + covariance_sentences(result))


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
    found = covariance_differences(result)
    if len(found) > FEW_GROUPS:
        columns = [f"from the same start, against {result.reference}", "difference", "interval", "corrected p"]
        corrected = {row.name: row.adjusted for row in result.corrected.rows}
        rows = [[label, signed(one.value), span(one.interval), p_bare(corrected.get(label))] for label, one in found]
        print_table("", columns, rows, right=range(1, 4))
        say(f"  corrected p: allowing for {result.corrected.n_comparisons} comparisons ({result.corrected.method}).")
    else:
        say_list(covariance_sentences(result))


def _row(group: GroupChange) -> list[str]:
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
    by_group: dict[str, dict[float, float | None]] = {}
    for row in result.picture.iter_rows(named=True):
        by_group.setdefault(row["group"], {})[round(row["share"], 1)] = row["value"]
    columns = ["of the changes, this share lies below", *(f"{share:.0%}" for share in DECILES_SHOWN)]
    rows = [
        [group.label, *(signed(by_group.get(group.label, {}).get(share)) for share in DECILES_SHOWN)]
        for group in result.groups
    ]
    print_table("", columns, rows, right=range(1, len(columns)))


def _print_three_times(result: ThreeTimes) -> None:
    say(f"{result.measure.label} over three times, in {result.measure.unit}")
    say(f"  cases: {result.selection.sentence()}; build {result.build}")
    say_list([three_times_sentence(result)])


def _print_course(result: Course) -> None:
    say(f"{result.measure.label}: course over the months of treatment, in {result.measure.unit} a year")
    say(f"  cases: {result.selection.sentence()}; build {result.build}")
    say_list(course_sentences(result))
    say_cautions(result.model.warnings)
    say()
    print_changes(result.after)
