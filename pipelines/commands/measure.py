"""``menton measure``: measures of a file of points, nothing stored."""

import argparse
import sys

import polars as pl

from pipelines.checking.rules import load_rules
from pipelines.commands.options import print_table, say, say_json, write_text
from pipelines.contract.contract import load_contract
from pipelines.points.points_files import PointsFiles, read_points
from warehouse.errors import RequestError
from warehouse.measures.case_drawing import draw_case
from warehouse.measures.catalogue import CATALOGUE
from warehouse.words.sentences import say as say_text

_SHOWN = 400
_JSON_KEYS = (
    "case_id", "timepoint", "measure", "value", "unit", "variant", "reason", "caution", "view", "examiner", "repeat_no",
)  # fmt: skip


def run(args: argparse.Namespace) -> None:
    if (args.drawing is None) != (args.case is None):
        raise RequestError("a drawing needs both --drawing FILE.svg and --case ID", remedy="give both, or neither")
    files = read_points(args.paths, mapping=args.mapping)
    _tell_problems(files)
    if args.drawing:
        _draw(files, args)
    rows = files.measured()
    if args.json:
        say_json({"values": rows.select(_JSON_KEYS)})
    elif not args.drawing:
        _print(rows)


def _draw(files: PointsFiles, args: argparse.Namespace) -> None:
    title = "Start and finish, superimposed"
    svg = draw_case(files.of_case(args.case), files.visits, title=title, view=args.view, measure=args.measure)
    write_text(args.drawing, svg + "\n", what="drawing")
    say("the drawing is written to the file named with --drawing", to=sys.stderr)


def _tell_problems(files: PointsFiles) -> None:
    """Say on standard error what could not be read, so that the answer alone is on standard output."""
    unused = files.n_read - files.points.height
    if not unused:
        return
    say(f"{unused} of {files.n_read} points could not be used:", to=sys.stderr)
    rules = load_rules(load_contract(), CATALOGUE)
    for file, row, column, rule in files.problems.head(20).iter_rows():
        say(f"  {file}, row {row}, {column}: {rules[rule].reason}", to=sys.stderr)
    if files.problems.is_empty():
        say("  a cell of theirs is blank", to=sys.stderr)


def _print(rows: pl.DataFrame) -> None:
    if rows.is_empty():
        say("No points, so nothing to measure.")
        return
    columns = ["case", "time", "view", "measure", "value", "unit", "variant, or why there is no value"]
    shown = [
        [
            str(row["case_id"]),
            row["timepoint"],
            f"{row['view'].replace('_', ' ')}{f', reading {n}' if (n := row['repeat_no']) != 1 else ''}",
            row["measure"],
            "—" if row["value"] is None else f"{row['value']:.2f}",
            row["unit"],
            row["reason"] or row["variant"],
        ]
        for row in rows.sort("case_id", "timepoint", "view", maintain_order=True).head(_SHOWN).to_dicts()
    ]
    print_table("", columns, shown, right=[4])
    if rows.height > _SHOWN:
        say(f"… and {rows.height - _SHOWN} more: print them all with --json")
    for caution in rows["caution"].drop_nulls().unique().sort():
        say(f"  caution: {caution}")
    say(f"  Nothing was stored. {say_text('audit.of_tracings')}")
