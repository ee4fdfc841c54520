"""``menton quarantine``: what was turned away, and why."""

import argparse
from contextlib import suppress
from functools import partial
from pathlib import Path

import polars as pl

from pipelines.commands.options import print_table, say, say_json, storing
from pipelines.deidentify.file_names import WITHHELD, on_own_screen, own_names
from pipelines.deidentify.shown_reading import read_shown
from pipelines.ingest.own_numbers import keyer_there
from pipelines.ingest.quarantine import open_reasons, write_workbook
from pipelines.ingest.remembered import read_by, recalled_for
from warehouse.errors import KeyProblemError
from warehouse.marts.catalogues import in_force
from warehouse.plural import number_of

SHOWN = 8  # rows of a file that are named for each reason


def run(args: argparse.Namespace) -> None:
    with storing(args) as store:
        reasons = open_reasons(store, in_force(store).measures, remarks=args.remarks, history=args.history)
    reasons = _by_own_names(reasons, args)
    if args.out:
        mappings = {
            one: args.mapping or recalled_for(args.warehouse, None, partial(read_shown, one)) for one in args.source
        }
        sources = [raw for one, by in mappings.items() for raw in read_shown(one, read_by(by) if by else None)]
        write_workbook(reasons, args.out, sources=sources)
        say(f"{_counted(reasons)} written to {args.out}")
    elif args.json:
        say_json({"reasons": reasons.drop("source_sha256")})
    else:
        _print(reasons, remarks=args.remarks, each=args.rows)


def _by_own_names(reasons: pl.DataFrame, args: argparse.Namespace) -> pl.DataFrame:
    """On the owner's own screen, files that lie here or beside ``--source`` by their names, which are kept nowhere."""
    withheld = reasons.filter(pl.col("file").str.contains(WITHHELD, literal=True))
    if withheld.is_empty() or not on_own_screen():
        return reasons
    with suppress(KeyProblemError, OSError):
        folders = {Path.cwd(), *(path.resolve().parent for path in args.source)}
        names = own_names(folders, keyer_there(None, args.warehouse), withheld["practice"].unique())
        return reasons.with_columns(pl.col("file", "found").str.replace_many(names))
    return reasons


def _counted(reasons: pl.DataFrame) -> str:
    return f"{number_of(_n_rows(reasons), 'row')} with {number_of(reasons.height, 'reason')}"


def _n_rows(reasons: pl.DataFrame) -> int:
    return reasons.select("load", "row").n_unique() if reasons.height else 0


def _print(reasons: pl.DataFrame, *, remarks: bool, each: bool) -> None:
    if reasons.is_empty():
        say("No remarks." if remarks else "Nothing is turned away: every row handed over is in the warehouse.")
        return
    say(f"{_counted(reasons)} {'remarked on (the rows are loaded)' if remarks else 'turned away and still open'}")
    if each:
        columns = ["file", "row", "column", "rule", "found"]
        rows = [["—" if cell is None else str(cell) for cell in row] for row in reasons.select(columns).iter_rows()]
        print_table("", columns, rows, right=[1])
    summed = sorted(reasons.partition_by("rule", maintain_order=True), key=lambda one: -_n_rows(one))
    for one in summed:
        (rule, reason, remedy) = one.select("rule", "reason", "what to do").row(0)
        say(f"{number_of(_n_rows(one), 'row')}: {reason} ({rule})")
        say(f"    what to do: {remedy}")
        for (file,), mine in one.partition_by("file", as_dict=True, maintain_order=True).items():
            places = mine["row"].unique(maintain_order=True).to_list()
            more = f" and {len(places) - SHOWN} more" if len(places) > SHOWN else ""
            say(f"    {file}: row {', '.join(map(str, places[:SHOWN]))}{more}")
    if not each:
        say("Each cell with what was found in it: `menton quarantine --rows`.")
    say("Correct the rows in your own file and ingest it again; or have the rows alone in a workbook, with")
    say("`menton quarantine --out FILE.xlsx --source YOUR FILE`, correct them there and ingest that workbook.")
