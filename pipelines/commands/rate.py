"""``menton rate``: share of cases with an adverse outcome."""

import argparse

from pipelines.commands.options import print_table, question_from, reading, say, say_end, say_json, say_list
from warehouse.questions.shares import GroupRow, Rates, rates
from warehouse.words.sentences import caution_text
from warehouse.words.sentences import say as say_text
from warehouse.words.shares import BESIDE, beside_entries, beside_sentences, first_line, not_told


def run(args: argparse.Namespace) -> None:
    with reading(args) as reader:
        question = question_from(args)
        result = rates(
            reader,
            by=question.by or None,
            definition=question.definition or None,
            selection=question.selection,
            method=args.method,
            level=question.level,
        )
    if args.json:
        say_json(result)
        return
    print_rates(result)


def print_rates(result: Rates, *, again: bool = False) -> None:
    """Print rates for a person: definition, groups, remarks; ``again``: the definition has been printed already."""
    definition = result.definition
    if result.by is None and result.groups[0].counted.n:
        say(first_line(result.groups[0]))
    title = f"Share adverse by {result.by.title.lower()}" if result.by else "Share adverse"
    say(f"{title} — {definition.name}, {definition.label}; build {result.build}")
    if not again:
        say(f"  adverse: {definition.sentence}")
        say(f"  growth: {result.growth_reference}")
        say(f"  cases: {result.selection.sentence()}")
    share = f"share, {100 * result.level:g}% interval"
    columns = ["group", "started", "finished", "counted", "adverse", share, "if the missing…"]
    print_table("", columns, [_row(group) for group in result.groups], right=range(1, 7))
    print_beside(result)
    if not again:
        _print_frame(result)
    _print_notes(result)


def _row(group: GroupRow) -> list[str]:
    interval = group.rate.interval
    known = group.rate.value is not None and interval is not None
    return [
        group.label,
        str(group.started.n),
        str(group.finished.n),
        str(group.counted.n),
        str(group.adverse.n),
        f"{group.rate.value:.1%}\n{interval.low:.1%} to {interval.high:.1%}" if known and interval else "none counted",
        f"{group.if_none.value or 0:.0%} to {group.if_all.value or 0:.0%}" if group.unknown else "none missing",
    ]


def print_beside(result: Rates) -> None:
    """What stands beside the shares: how many moved as far the other way, and the net."""
    told = [group for group in result.groups if group.counted.n]
    if told and result.by is None:
        say_list(beside_sentences(told[0]))
    elif told:
        say_list(not_told(told))
        say(f"  beside the shares, with {100 * result.level:g}% intervals")
        rows = [[group.label, str(group.adverse.n), *beside_entries(group)] for group in told]
        print_table("", ["group", "adverse", *BESIDE], rows, right=range(1, 7))


def _print_frame(result: Rates) -> None:
    flow = result.flow
    counts = {
        "rate.turned_away": flow.turned_away,
        "rate.hand_picked": flow.selected,
        "rate.not_due": flow.not_due,
        "rate.set_apart": flow.set_apart,
        "rate.no_reference": flow.no_reference,
    }
    say_list(say_text(key, n=count.n) for key, count in counts.items() if count.n)
    say_list([say_text("rate.if_missing")])
    say_end()


def _print_notes(result: Rates) -> None:
    if result.by and result.by.note:
        say(f"  note: {result.by.note}")
    say_list(f"{group.label}: {caution_text(one)}" for group in result.groups for one in group.warnings)
