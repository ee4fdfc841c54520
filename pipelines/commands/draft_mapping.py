"""``menton draft-mapping``: propose a mapping file for a spreadsheet of your own."""

import argparse
import sys
from dataclasses import replace
from typing import Any

from pipelines.commands.options import say, say_json, write_text
from pipelines.contract.contract import Contract, load_contract
from pipelines.contract.delivery import RawTable
from pipelines.deidentify.shown_reading import read_shown
from pipelines.drafting.draft import draft_mapping
from pipelines.drafting.names import WideNames
from pipelines.drafting.writing import draft_data, draft_text, left_to_do
from pipelines.ingest.remembered import nearest
from pipelines.interpreting.reshaping import put_together, sheet_name
from pipelines.mapping.mapping_file import mapping_sections
from pipelines.reading.settings import ReadSettings
from warehouse.errors import RequestError
from warehouse.measures.catalogue import CATALOGUE, Catalogue, load_own_measures


def run(args: argparse.Namespace) -> None:
    _refuse_overwriting(args)
    catalogue = CATALOGUE.with_own(load_own_measures(args.own_measures)) if args.own_measures else CATALOGUE
    settings = ReadSettings(sheet=args.sheet, header_row=args.header_row)
    tables = [table for path in args.files for table in read_shown(path, settings)]
    contract = load_contract()
    earlier, notes = _earlier(args, tables), []
    together = earlier.get("file", {}).get("together") or _keys_of_one_case(tables, contract, catalogue)
    raw = put_together(tables, together)[0] if together else max(tables, key=lambda table: table.frame.width)
    said = {name: given for name in ("sheet", "header_row") if (given := getattr(args, name)) is not None}
    if len(args.files) == 1 and not together and len({frozenset(table.frame.columns) for table in tables}) > 1:
        said["sheet"] = raw.source.given_sheet
        told = f"the file has {len(tables)} sheets; this draft is for {raw.source.sheet} alone; --sheet drafts another"
        notes.append(told)
    notes += [f"hidden columns are read too: {one.taken}" for one in raw.assumptions if one.about == "hidden columns"]
    earlier |= {"file": earlier.get("file", {}) | said}
    draft = draft_mapping(raw, contract=contract, catalogue=catalogue, earlier=earlier, together=together)
    draft = replace(draft, notes=(*draft.notes, *notes))
    if args.json:
        say_json(draft_data(draft, raw, contract=contract))
        return
    text = draft_text(draft, contract=contract)
    if not args.out:
        sys.stdout.write(text)
    else:
        write_text(args.out, text, what="draft")
        say(f"wrote {args.out.name}", to=sys.stderr)
    todo = [f"  - {one}" for one in left_to_do(draft)]
    for line in ["left to do:", *todo] if todo else ["nothing is left to decide"]:
        say(line, to=sys.stderr)


def _earlier(args: argparse.Namespace, tables: list[RawTable]) -> dict[str, Any]:
    headings = {heading for table in tables for heading in table.frame.columns}
    path = args.earlier or (nearest(args.remembered, headings) if args.remembered else None)
    return mapping_sections(path, contract=load_contract()) if path else {}


def _keys_of_one_case(tables: list[RawTable], contract: Contract, catalogue: Catalogue) -> list[str]:
    """Headings of the case number of sheets or files that belong together; none where they are of one shape.

    Sheets of one shape are files of different years, unless their names name times.
    """
    names = WideNames(contract, catalogue)
    keys = {
        place: next((one for one in table.frame.columns if names.match(one).names == ("case_id",)), None)
        for place, table in enumerate(tables)
    }
    keyed = [place for place, key in keys.items() if key is not None]
    shapes = {frozenset(tables[place].frame.columns) for place in keyed}
    timed = all(names.names_a_time(sheet_name(tables[place])) for place in keyed)
    if len(keyed) < 2 or (len(shapes) == 1 and not timed):
        return []
    return list(dict.fromkeys(str(keys[place]) for place in keyed))


def _refuse_overwriting(args: argparse.Namespace) -> None:
    if args.out and args.out.exists() and not args.overwrite:
        found = "the file to write to is already there"
        raise RequestError(found, where=args.out.name, remedy="choose another name, or add --overwrite")
