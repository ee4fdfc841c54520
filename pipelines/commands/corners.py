"""``menton corners``: teeth improved or not against face adverse or not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.commands.options import encryption_key, print_table, say
from pipelines.commands.options_compare import add_asked, say_end, say_head, say_json, say_list
from pipelines.commands.rate import selection_from

if TYPE_CHECKING:
    import argparse

    from warehouse.analysis.corners import FourCorners
    from warehouse.questions.teeth_and_face import CornersResult


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("corners", help="teeth improved or not against face adverse or not")
    add_asked(parser)
    parser.add_argument("--by", metavar="GROUPING", help="the corners of each group too")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the four corners."""
    from warehouse.marts.reader import Reader
    from warehouse.questions.teeth_and_face import corners_of_cases
    from warehouse.words.changes import corners_sentences

    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        result = corners_of_cases(
            reader, by=args.by, definition=args.definition, selection=selection_from(args), level=args.level
        )
    said = corners_sentences(result)
    if args.json:
        say_json(result, sentences=said)
    else:
        _print(result, said)
    return 0


def _print(result: CornersResult, said: list[str]) -> None:
    say_head(
        "Teeth and face: the four corners",
        result.definition,
        growth=result.growth_reference,
        selection=result.selection,
        build=result.build,
    )
    say(f"  {result.improved_means}")
    corners = result.corners
    rows = [
        ["teeth improved", str(corners.better_adverse), str(corners.better_not_adverse)],
        ["teeth not improved", str(corners.not_better_adverse), str(corners.not_better_not_adverse)],
    ]
    print_table("", ["", "face adverse", "face not adverse"], rows, right=range(1, 3))
    say_list(said)
    if result.by is not None:
        columns = ["group", "both judged", "teeth better, face adverse", "interval", "face adverse among improved"]
        print_table("", columns, [_row(one.label, one.corners) for one in result.groups], right=range(1, 5))
    say_end(None, ())


def _row(label: str, corners: FourCorners) -> list[str]:
    from warehouse.words.numbers import counted, percent_range

    known = corners.among_all
    if known.value is None:
        return [label, "0", "none", "—", "—"]
    improved = corners.among_improved
    return [
        label,
        f"{known.n:,}",
        counted(corners.better_adverse, known.n),
        percent_range(known.interval),
        counted(corners.better_adverse, improved.n),
    ]
