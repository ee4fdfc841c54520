"""The codes seen in a coded column, and what a draft says about each; nothing that could identify is repeated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipelines.cells.codes import teeth_text
from pipelines.cells.understood import text_of
from pipelines.contract.contract import Code, Contract
from pipelines.contract.targets import Target
from pipelines.deidentify.redaction import redact_series

MOST_SHOWN = 40
"""Unknown spellings told one by one; the rest are counted."""


@dataclass(frozen=True, slots=True)
class UnknownCode:
    """A spelling that no code is known for: where it first stands, how often, and what may be said of it."""

    row: int
    count: int
    described: str


@dataclass(frozen=True, slots=True)
class CodesSeen:
    """What one coded column holds."""

    section: str  # Name of its [codes] section
    understood: tuple[str, ...]  # Codes that are read without a mapping
    proposed: Mapping[str, str]  # Spelling, in lower case -> code that it usually means
    unknown: tuple[UnknownCode, ...]  # Spellings for the user to decide
    choices: tuple[str, ...]  # The codes there are


def alias_spellings(codes: tuple[Code, ...]) -> dict[str, str]:
    """Spelling in lower case -> code, for words that usually mean a code; words that two codes share are left out."""
    found: dict[str, str] = {}
    shared: set[str] = set()
    for code in codes:
        for alias in (code.label, *code.aliases):
            key = " ".join(alias.lower().split())
            if found.setdefault(key, code.code) != code.code:
                shared.add(key)
    return {key: code for key, code in found.items() if key not in shared}


def codes_seen(cells: pl.Series, rows: pl.Series, target: Target, *, contract: Contract) -> CodesSeen:
    """What a coded column, or a column of teeth, holds.

    Args:
        cells: Cells of the column.
        rows: Row in the file of each cell.
        target: Where the column goes.
        contract: The contract.
    """
    codes = contract.codes[str(target.codes)] if target.type == "code" else ()
    taken = contract.spellings(str(target.codes)) if target.type == "code" else {}
    aliases = {key: code for key, code in alias_spellings(codes).items() if key not in taken}
    seen = _counted(cells, rows)
    understood: dict[str, None] = {}
    proposed: dict[str, str] = {}
    unknown: list[tuple[str, int, int]] = []
    for text, row, count in seen.iter_rows():
        code = taken.get(text) or (teeth_text(text) if target.type == "codes" else None)
        if code:
            understood.setdefault(code)
        elif text in aliases:
            proposed[text] = aliases[text]
        elif text not in contract.missing:
            unknown.append((text, row, count))
    return CodesSeen(
        section=str(target.codes) if target.type == "code" else target.field,
        understood=tuple(understood) if target.type == "code" else (),
        proposed=proposed,
        unknown=_described(unknown, codes),
        choices=tuple(code.code for code in codes),
    )


def _counted(cells: pl.Series, rows: pl.Series) -> pl.DataFrame:
    text = text_of(cells).str.to_lowercase().str.replace_all(r"\s+", " ")
    frame = pl.DataFrame({"text": text, "row": rows}).drop_nulls("text")
    counted = frame.group_by("text").agg(pl.col("row").min(), pl.len().alias("count"))
    return counted.sort(["count", "row"], descending=[True, False])


def _described(unknown: list[tuple[str, int, int]], codes: tuple[Code, ...]) -> tuple[UnknownCode, ...]:
    if not unknown:
        return ()
    said = redact_series(pl.Series([text for text, _, _ in unknown], dtype=pl.String), codes)
    return tuple(UnknownCode(row, count, one) for (_, row, count), one in zip(unknown, said, strict=True))
