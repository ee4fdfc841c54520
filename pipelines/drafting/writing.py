"""A draft as the text of a mapping file, as data for a page, and what is open in it."""

import json
import textwrap
from collections.abc import Iterable
from typing import Any

from pipelines.contract.contract import Contract
from pipelines.contract.delivery import RawTable
from pipelines.contract.targets import MEASURE_CODES, Target
from pipelines.contract.units import units_for
from pipelines.deidentify.pseudonyms import PRACTICE_IN_WORDS
from pipelines.drafting.codes_seen import MOST_SHOWN, NOT_KNOWN, CodesSeen, SeenSpelling
from pipelines.drafting.draft import Draft, DraftLine
from pipelines.mapping.column_mapping import BY_FINISH
from warehouse.plural import number_of as counted

MOST_CANDIDATES = 8
MOST_OPEN = 20  # open things of one kind that are listed on top; the rest are counted

WIDTH = 100
VALUES_SHOWN = 5


def draft_text(draft: Draft, *, contract: Contract) -> str:
    """The draft as TOML. Lines that start with # are for the user to decide; the file loads without them."""
    parts = [
        _head(draft),
        _file(draft),
        _columns(draft),
        *(_codes(seen) for seen in draft.codes),
        _units(draft),
        _constants(draft, contract),
        _ignored(draft),
    ]
    return "\n".join("\n".join(part) + "\n" for part in parts if part)


def left_to_do(draft: Draft) -> list[str]:
    """What the user still has to decide, one sentence each; empty where nothing is left."""
    undecided = [line for line in draft.lines if line.kind in ("unsure", "unknown", "withheld")]
    todo = [f"decide about {counted(len(undecided), 'column')}"] if undecided else []
    if draft.date_order == "unclear":
        todo.append("say date_order: the dates can be read both ways")
    unknown = sum(len(seen.unsettled) for seen in draft.codes)
    if unknown:
        todo.append(f"give {counted(unknown, 'spelling')} a code, or correct the cells")
    if draft.missing:
        todo.append(f"give what is required and has no column: {', '.join(one.name for one in draft.missing)}")
    return [*todo, *draft.notes]


def quoted(text: str) -> str:
    """A text as a TOML string on one line."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: object) -> str:
    return quoted(value) if isinstance(value, str) else json.dumps(value)


def _comment(text: str, *, indent: str = "#     ") -> list[str]:
    later = indent.replace("-", " ")
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=later, break_long_words=False, break_on_hyphens=False
    )


def _head(draft: Draft) -> list[str]:
    lines = [f"# Draft of a mapping for {quoted(draft.source)}. Nothing is read that does not stand here."]
    todo = left_to_do(draft)
    if not todo:
        return [*lines, "# Nothing is left to decide; read it through all the same."]
    lines += ["# Lines that start with # are not decided: take away the #, put the right one in, or put a column in"]
    lines += ['# [ignored]. A spelling that says nothing is "".', "#", "# Left to do:"]
    lines += [line for one in todo for line in _comment(one, indent="#   - ")]
    named = [
        *(f"{quoted(line.column)}: {line.why}" for line in draft.lines if line.kind == "unsure"),
        *(
            f"[codes.{seen.section}] {quoted(one.text)}: {one.why or 'not known'}"
            for seen in draft.codes
            for one in seen.unsettled
            if one.is_shown
        ),
    ]
    lines += [line for one in named[:MOST_OPEN] for line in _comment(one, indent="#       ")]
    return [*lines, f"#       and {len(named) - MOST_OPEN} more"] if len(named) > MOST_OPEN else lines


def _file(draft: Draft) -> list[str]:
    lines = ["[file]"]
    if draft.layout != "wide":
        lines.append(f"layout = {quoted(draft.layout)}")
    if draft.table:
        lines.append(f"table = {quoted(draft.table)}")
    if "practice" not in draft.settings:
        lines.append(f'# practice = "HARBOUR"   # a pseudonym of {PRACTICE_IN_WORDS}')
    if "numbers" not in draft.settings:
        lines.append('# numbers = "as written"   # if case numbers such as A1 and a01 are two cases; else they are one')
    if draft.decimal:
        lines.append(f"decimal = {quoted(draft.decimal)}")
    if draft.date_order == "unclear":
        lines.append('# date_order = "dmy"   # or "mdy": the dates can be read both ways')
    elif draft.date_order:
        lines.append(f"date_order = {quoted(draft.date_order)}   # seen in the dates")
    return [*lines, *(f"{name} = {_value(value)}" for name, value in draft.settings.items())]


def _columns(draft: Draft) -> list[str]:
    listed = (line for line in draft.lines if line.kind not in ("identifying", "ignored"))
    return ["[columns]", *(text for line in listed for text in _column(line))]


def _column(line: DraftLine) -> list[str]:
    if line.kind == "mapped":
        return [f"{quoted(line.column)} = {quoted(line.names[0])}"]
    if line.kind == "withheld":
        return [f"# {line.column}: {line.why}"]
    if line.kind == "unknown":
        said = f"{line.why}; " if line.why else ""
        return [f'# {quoted(line.column)} = "?"', *_comment(f"{said}give its contract name, or put it in [ignored]")]
    others = ", ".join(line.names[1:MOST_CANDIDATES])
    offer = f"or {others}: " if others else ""
    return [f"# {quoted(line.column)} = {quoted(line.names[0])}", *_comment(f"{offer}{line.why}")]


def _codes(seen: CodesSeen) -> list[str]:
    if not seen.spellings:
        return []
    lines = [f"[codes.{seen.section}]"]
    read = dict.fromkeys(one.code for one in seen.spellings if one.is_read)
    if read and seen.choices:
        lines += _comment(f"understood as they are: {', '.join(read)}", indent="# ")
    settled = (one for one in seen.spellings if one.code and not one.is_read)
    lines += [f"{quoted(one.text)} = {quoted('' if one.code == NOT_KNOWN else one.code)}" for one in settled]
    if seen.unsettled:
        choices = f"one of {', '.join(seen.choices)}" if seen.choices else "tooth codes such as 14 24, none, yes or no"
        choices = "the code of a measure (`menton measures`)" if seen.section == MEASURE_CODES else choices
        lines += _comment(f"not decided; {choices}", indent="# ")
    for one in seen.unsettled[:MOST_SHOWN]:
        name = quoted(one.text) if one.is_shown else quoted(f"as in row {one.row}")
        lines.append(f'# {name} = "?"   # {_place(one)}')
        lines += _comment(f"{one.why}: {', '.join(one.among)}" if one.among else one.why)
    if len(seen.unsettled) > MOST_SHOWN:
        lines.append(f"# and {counted(len(seen.unsettled) - MOST_SHOWN, 'spelling')} more")
    return lines if len(lines) > 1 else []


def _place(one: SeenSpelling) -> str:
    place = f"{counted(one.count, 'cell')}, first in row {one.row}"
    return place if one.is_shown else f"{one.text}, {place}"


def _units(draft: Draft) -> list[str]:
    lines = [f"{quoted(column)} = {quoted(unit)}" for column, unit in draft.units.items()]
    return ["[units]", *lines] if lines else []


def _constants(draft: Draft, contract: Contract) -> list[str]:
    lines = [f"{name} = {_value(value)}" for name, value in draft.constants.items()]
    if draft.missing:
        lines.append("# required, and no column was found; if it is the same in every row, say it here")
    for target in draft.missing:
        choices = _choices(target, contract)
        choice = f"one of {', '.join(choices)}" if choices else "or map the column that holds it"
        lines += [f'# {target.name} = "?"', *_comment(choice)]
    return ["[constants]", *lines] if lines else []


def _choices(target: Target, contract: Contract) -> list[str]:
    codes = [code.code for code in contract.codes.get(target.codes or "", ())]
    return [*codes, BY_FINISH] if target.name == "status" else codes


def _ignored(draft: Draft) -> list[str]:
    left_out = (line for line in draft.lines if line.kind in ("identifying", "ignored"))
    return ["[ignored]", *(f"{quoted(line.column)} = {quoted(line.why)}" for line in left_out)]


def draft_data(draft: Draft, raw: RawTable, *, contract: Contract) -> dict[str, Any]:
    """The draft for a page: what stands in the mapping file by section, and each column with some of its own cells."""
    stated = {"decimal": draft.decimal, "date_order": draft.date_order if draft.date_order != "unclear" else ""}
    layout = {"layout": draft.layout} if draft.layout != "wide" else {}
    table = {"table": draft.table} if draft.table else {}
    return {
        "settings": layout | table | {name: value for name, value in stated.items() if value} | dict(draft.settings),
        "columns": [_column_data(line, raw) for line in draft.lines],
        "codes": [
            {
                "section": seen.section,
                "choices": seen.choices,
                "spellings": [
                    {
                        "spelling": one.text,
                        "cells": one.count,
                        "row": one.row,
                        "code": "" if one.code == NOT_KNOWN else one.code or None,
                        "read": one.is_read,
                        "among": one.among,
                        "why": one.why,
                        "shown": one.is_shown,
                    }
                    for one in seen.spellings
                ],
            }
            for seen in draft.codes
        ],
        "units": dict(draft.units),
        "constants": dict(draft.constants),
        "required": [{"name": one.name, "choices": _choices(one, contract)} for one in draft.missing],
        "names": [
            {
                "name": one.name,
                "units": units_for(one.unit) if one.unit else (),
                "codes": one.codes or (one.field if one.type == "codes" else ""),
            }
            for one in draft.targets
        ],
        "left": left_to_do(draft),
        "notes": draft.notes,
    }


def _column_data(line: DraftLine, raw: RawTable) -> dict[str, Any]:
    cells: Iterable[object] = ()
    if line.kind != "withheld":
        cells = raw.frame[line.column].drop_nulls().unique(maintain_order=True).head(VALUES_SHOWN).to_list()
    return {
        "heading": line.column,
        "state": line.kind,
        "names": line.names,
        "why": line.why,
        "values": [str(cell) for cell in cells],
    }
