"""``menton rate``: share of cases with an adverse outcome."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from pipelines.commands.options import add_warehouse, encryption_key, print_table, say
from warehouse.words.sentences import caution_text
from warehouse.words.sentences import say as say_text

if TYPE_CHECKING:
    import argparse

    from warehouse.marts.reader import Reader
    from warehouse.questions.misclassified import Surety
    from warehouse.questions.shares import GroupRow, Rates
    from warehouse.selection import Selection

METHODS = ("wilson", "clopper_pearson", "mid_p", "jeffreys")


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("rate", help="share of cases with an adverse outcome, overall or by group")
    add_warehouse(parser)
    parser.add_argument("--by", metavar="GROUPING", help="appliance_category, age_band, extraction, and others")
    parser.add_argument("--definition", metavar="ID", help="outcome definition (default: the headline one)")
    parser.add_argument("--method", choices=METHODS, default="wilson", help="method of the interval")
    parser.add_argument("--level", type=float, default=0.95, help="level of the interval (default 0.95)")
    parser.add_argument("--comparison", choices=("treated", "untreated"), default="treated")
    parser.add_argument("--selection", choices=("consecutive", "selected", "both"), default="consecutive")
    parser.add_argument(
        "--only",
        action="append",
        default=[],
        metavar="FILTER=VALUE",
        help="keep cases with this value; may be repeated",
    )
    parser.add_argument(
        "--surety", action="store_true", help="also say how surely: the share once measuring error is allowed for"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the rate."""
    from pipelines.commands.as_data import as_data
    from warehouse.marts.reader import Reader
    from warehouse.questions.shares import rates, rates_as_data

    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        result = rates(
            reader,
            by=args.by,
            definition=args.definition,
            selection=selection_from(args),
            method=args.method,
            level=args.level,
        )
        found = _surety(reader, args) if args.surety else None
    if args.json:
        say(json.dumps(as_data(_with_surety(rates_as_data(result), found)), indent=2))
    else:
        print_rates(result)
        if found is not None:
            print_surety(found)
    return 0


def _surety(reader: Reader, args: argparse.Namespace) -> Surety:
    from warehouse.questions.misclassified import surety

    return surety(reader, by=args.by, definition=args.definition, selection=selection_from(args), level=args.level)


def _with_surety(data: dict[str, Any], found: Surety | None) -> dict[str, Any]:
    """The rates as data, with a key ``surety`` in every group where it was asked for."""
    if found is None:
        return data
    from warehouse.questions.misclassified import surety_as_data
    from warehouse.words.sentences import caution_text
    from warehouse.words.shares import errors_sentence

    by_group = surety_as_data(found)
    groups = [{**group, "surety": by_group.get(group["group"])} for group in data["groups"]]
    said = {
        "reason": caution_text(found.reason) if found.reason else "",
        "error_source": errors_sentence(found.errors) if found.part else "",
        "warnings": found.cautions,
    }
    return {**data, "groups": groups, "surety": said}


def print_surety(found: Surety) -> None:
    """Print how surely cases went adverse."""
    from warehouse.words.sentences import caution_text
    from warehouse.words.shares import errors_sentence, surety_sentence

    say("How surely")
    if found.reason:
        say(f"  {caution_text(found.reason)}")
        return
    for group in found.groups:
        say(f"  {group.label}: {surety_sentence(group)}.")
    if any(group.share.expected != group.by_error_alone.expected for group in found.groups):
        say("  growth of single children: by more than the child would have grown anyway, so far as that is known.")
    say(f"  {errors_sentence(found.errors)}")
    for caution in found.cautions:
        say(f"  {caution_text(caution)}")
    if found.groups:
        say(f"  {caution_text(found.groups[0].share.assumptions)}")


def selection_from(args: argparse.Namespace) -> Selection:
    """The selection of cases asked for on the command line."""
    from warehouse.errors import RequestError
    from warehouse.selection import Selection

    filters: dict[str, tuple[str, ...]] = {}
    for given in args.only:
        name, equals, value = given.partition("=")
        if not equals:
            found = f"--only {given!r} is not of the form FILTER=VALUE"
            raise RequestError(found, remedy="such as --only sex=female")
        filters[name] = (*filters.get(name, ()), value)
    return Selection(comparison=args.comparison, selection=args.selection, filters=filters)


def print_rates(result: Rates, *, again: bool = False) -> None:
    """Print rates for a person: the definition first, then a line a group, then what to keep in mind.

    ``again``: other groups of the same cases under the same definition, which has been printed already.
    """
    definition = result.definition
    title = f"Share adverse by {result.by.title.lower()}" if result.by else "Share adverse"
    say(f"{title} — {definition.name}, {definition.label}; build {result.build}")
    if not again:
        say(f"  adverse: {definition.sentence}")
        say(f"  growth: {result.growth_reference}")
        say(f"  cases: {result.selection.sentence()}")
    columns = ["group", "started", "finished", "counted", "adverse", "share", interval_title(result), "if the missing…"]
    rows = [_row(group) for group in result.groups]
    print_table("", columns, rows, right=range(1, 8))
    if not again:
        _print_frame(result)
    _print_notes(result)


def interval_title(result: Rates) -> str:
    """Heading of the interval column."""
    return f"{100 * result.level:g}% interval"


def _row(group: GroupRow) -> list[str]:
    interval = group.rate.interval
    known = group.rate.value is not None and interval is not None
    return [
        group.label,
        str(group.started.n),
        str(group.finished.n),
        str(group.counted.n),
        str(group.adverse.n),
        f"{group.rate.value:.1%}" if known else "none counted",
        f"{interval.low:.1%} to {interval.high:.1%}" if known and interval else "—",
        f"{group.if_none.value or 0:.0%} to {group.if_all.value or 0:.0%}" if group.missing.n else "none missing",
    ]


def _print_frame(result: Rates) -> None:
    flow = result.flow
    if flow.turned_away.n:
        say(f"  {say_text('rate.turned_away', n=flow.turned_away.n)}")
    if flow.selected.n:
        say(f"  {say_text('rate.hand_picked', n=flow.selected.n)}")
    if flow.not_due.n:
        say(f"  {say_text('rate.not_due', n=flow.not_due.n)}")
    say(f"  {say_text('rate.if_missing')}")
    say(f"  {say_text('audit.short')}")


def _print_notes(result: Rates) -> None:
    if result.by and result.by.note:
        say(f"  note: {result.by.note}")
    for group in result.groups:
        for caution in group.warnings:
            say(f"  {group.label}: {caution_text(caution)}")
