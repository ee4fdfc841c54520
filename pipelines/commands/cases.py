"""``menton cases``: export the de-identified cases, so that anyone can recount."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands.options import add_warehouse, encryption_key, say

if TYPE_CHECKING:
    import argparse

    import polars as pl


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("cases", help="export the de-identified cases, so that anyone can recount")
    add_warehouse(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="a .parquet, .csv or .xlsx file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the cases."""
    from warehouse.marts.reader import Reader
    from warehouse.questions.case_export import case_frame

    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        frame = case_frame(reader)
        build = reader.snapshot.build_id
    _write(frame, args.out)
    say(f"{frame.height} cases of build {build} written to {args.out}")
    say("One row is one case. outcome_D1, step_D1 and value_D1 (and so on) hold each definition's result.")
    say("These are single cases: keep the file inside the practice; see `menton contribute` for pooling.")
    return 0


def _write(frame: pl.DataFrame, path: Path) -> None:
    from pipelines.template.tables_out import write_table

    write_table(frame, path)
