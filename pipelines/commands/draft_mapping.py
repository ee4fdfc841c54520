"""``menton draft-mapping``: propose a mapping file for a spreadsheet of your own."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

    from pipelines.contract.delivery import RawTable


def add(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("file", type=Path, metavar="FILE", help="spreadsheet, CSV or Parquet file to propose it for")
    parser.add_argument("--out", type=Path, metavar="FILE.toml", help="write it there instead of printing it")
    parser.add_argument("--overwrite", action="store_true", help="replace the --out file if it is there")
    parser.add_argument("--own-measures", type=Path, metavar="FILE.toml", help="measures that you defined yourself")
    parser.add_argument("--sheet", help="name of the sheet of a workbook")
    parser.add_argument("--header-row", type=int, metavar="N", help="row of the headings, counted from 1")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read the file, print or write the draft, and say what is left to do."""
    from pipelines.contract.contract import load_contract
    from pipelines.deidentify.shown_reading import read_shown
    from pipelines.drafting import draft_mapping, draft_text, left_to_do
    from pipelines.reading import ReadSettings
    from warehouse.measures.catalogue import CATALOGUE, load_own_measures

    _refuse_overwriting(args)
    catalogue = CATALOGUE.with_own(load_own_measures(args.own_measures)) if args.own_measures else CATALOGUE
    tables = read_shown(args.file, ReadSettings(sheet=args.sheet, header_row=args.header_row))
    raw = _widest(tables)
    contract = load_contract()
    draft = draft_mapping(raw, contract=contract, catalogue=catalogue)
    text = draft_text(draft, contract=contract)
    if args.out:
        args.out.write_text(text, encoding="utf-8", newline="\n")
    else:
        sys.stdout.write(text)
    _tell(left_to_do(draft), args.out, raw, len(tables))
    return 0


def _refuse_overwriting(args: argparse.Namespace) -> None:
    from warehouse.errors import RequestError

    if args.out and args.out.exists() and not args.overwrite:
        found = "the file to write to is already there"
        raise RequestError(found, where=args.out.name, remedy="choose another name, or add --overwrite")


def _widest(tables: list[RawTable]) -> RawTable:
    """The table with the most columns: in a workbook of a practice that is the one with the cases."""
    return max(tables, key=lambda raw: raw.frame.width)


def _tell(todo: list[str], out: Path | None, raw: RawTable, n_tables: int) -> None:
    lines = [f"wrote {out.name}"] if out else []
    if n_tables > 1:
        lines.append(f"the file has {n_tables} sheets; this draft is for {raw.source.sheet}. Use --sheet for another")
    lines += ["left to do:", *(f"  - {one}" for one in todo)] if todo else ["nothing is left to decide"]
    sys.stderr.write("\n".join(lines) + "\n")
