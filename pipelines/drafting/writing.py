"""A draft as the text of a mapping file, and what is left for the user to do."""

from __future__ import annotations

import json

from pipelines.contract.contract import Contract
from pipelines.deidentify.pseudonyms import PRACTICE_IN_WORDS
from pipelines.drafting.codes_seen import MOST_SHOWN, CodesSeen
from pipelines.drafting.draft import Draft, DraftLine

MOST_CANDIDATES = 8


def draft_text(draft: Draft, *, contract: Contract) -> str:
    """The draft as TOML. Lines that start with # are for the user to decide; the file loads without them."""
    parts = [
        _head(draft),
        _file(draft),
        _columns(draft),
        *(_codes(seen) for seen in draft.codes),
        _constants(draft, contract),
        _ignored(draft),
        _tail(draft),
    ]
    return "\n".join("\n".join(part) + "\n" for part in parts if part)


def left_to_do(draft: Draft) -> list[str]:
    """What the user still has to decide, one sentence each; empty where nothing is left."""
    undecided = [line for line in draft.lines if line.kind in ("unsure", "unknown", "withheld")]
    todo = [f"decide about {_count(len(undecided), 'column')}"] if undecided else []
    if draft.date_order == "unclear":
        todo.append("say date_order: the dates can be read both ways")
    unknown = sum(len(seen.unknown) for seen in draft.codes)
    if unknown:
        todo.append(f"give {_count(unknown, 'spelling')} a code, or correct the cells")
    if draft.missing:
        todo.append(f"give what is required and has no column: {', '.join(one.name for one in draft.missing)}")
    return [*todo, *draft.notes]


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def quoted(text: str) -> str:
    """A text as a TOML string on one line."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _head(draft: Draft) -> list[str]:
    return [
        f"# Draft of a mapping for {quoted(draft.source)}. Nothing is read that does not stand here.",
        "# Lines that start with # are not decided: take away the # of the right one, or put the column in [ignored].",
    ]


def _file(draft: Draft) -> list[str]:
    lines = ["[file]"]
    if draft.layout != "wide":
        lines.append(f"layout = {quoted(draft.layout)}")
    if draft.table:
        lines.append(f"table = {quoted(draft.table)}")
    lines.append(f'# practice = "HARBOUR"   # a pseudonym of {PRACTICE_IN_WORDS}')
    if draft.decimal:
        lines.append(f"decimal = {quoted(draft.decimal)}")
    if draft.date_order == "unclear":
        lines.append('# date_order = "dmy"   # or "mdy": the dates can be read both ways')
    elif draft.date_order:
        lines.append(f"date_order = {quoted(draft.date_order)}   # seen in the dates")
    return lines


def _columns(draft: Draft) -> list[str]:
    return ["[columns]", *(_column(line) for line in draft.lines if line.kind != "identifying")]


def _column(line: DraftLine) -> str:
    if line.kind == "mapped":
        return f"{quoted(line.column)} = {quoted(line.names[0])}"
    if line.kind == "withheld":
        return f"# {line.column}: {line.why}"
    if line.kind == "unknown":
        said = f"{line.why}; " if line.why else ""
        return f'# {quoted(line.column)} = ""   # {said}give its contract name, or put it in [ignored]'
    others = ", ".join(line.names[1:MOST_CANDIDATES])
    offer = f"or {others}: " if others else ""
    return f"# {quoted(line.column)} = {quoted(line.names[0])}   # {offer}{line.why}"


def _codes(seen: CodesSeen) -> list[str]:
    if not (seen.proposed or seen.unknown or seen.understood):
        return []
    lines = [f"[codes.{seen.section}]"]
    if seen.understood:
        lines.append(f"# understood as they are: {', '.join(seen.understood)}")
    lines += [f"{quoted(spelling)} = {quoted(code)}" for spelling, code in seen.proposed.items()]
    choices = f"; one of {', '.join(seen.choices)}" if seen.choices else "; tooth codes such as 14 24, or none"
    for unknown in seen.unknown[:MOST_SHOWN]:
        place = f"{unknown.described}, {_count(unknown.count, 'cell')}, first in row {unknown.row}"
        lines.append(f'# "as in row {unknown.row}" = ""   # {place}{choices}')
    if len(seen.unknown) > MOST_SHOWN:
        lines.append(f"# and {_count(len(seen.unknown) - MOST_SHOWN, 'spelling')} more")
    return lines


def _constants(draft: Draft, contract: Contract) -> list[str]:
    if not draft.missing:
        return []
    lines = ["[constants]", "# required, and no column was found; if it is the same in every row, say it here"]
    for target in draft.missing:
        codes = [code.code for code in contract.codes.get(target.codes or "", ())]
        choice = f"one of {', '.join(codes)}" if codes else "or map the column that holds it"
        lines.append(f'# {target.name} = ""   # {choice}')
    return lines


def _ignored(draft: Draft) -> list[str]:
    lines = [f"{quoted(line.column)} = {quoted(line.why)}" for line in draft.lines if line.kind == "identifying"]
    return ["[ignored]", *lines]


def _tail(draft: Draft) -> list[str]:
    todo = left_to_do(draft)
    if not todo:
        return ["# Nothing is left to decide; read it through all the same."]
    return ["# Left to do:", *(f"#   - {one}" for one in todo)]
