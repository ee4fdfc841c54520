"""The spellings seen in a coded column, and what a draft says about each.

A draft is the practice's own file and stays with it, so spellings are shown as they stand; only where the column or a
cell looks like a name, a contact or a note is it described instead.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipelines.cells.codes import is_sex_letter, sexes_settled, teeth_by_letters, teeth_text, universal_tooth
from pipelines.cells.phases_in_turn import in_turn
from pipelines.cells.understood import text_of
from pipelines.contract.contract import Code, Contract
from pipelines.contract.targets import IN_TURN, MEASURE_CODES, Target
from pipelines.contract.words import AskedWord, written_in_cells
from pipelines.deidentify.contents import NAME, kinds_of
from pipelines.deidentify.redaction import redact_series
from pipelines.deidentify.refusing import content_reason
from pipelines.drafting.names import OTHER_TIMES, WideNames
from pipelines.mapping.trade_words import squeezed

NOT_KNOWN = "(not known)"  # code of a spelling that a mapping states to say nothing

SEX_AS_A_SET = "letters of sex mean something only as a set"
MOST_SHOWN = 40  # open spellings told one by one; the rest are counted


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenSpelling:
    """One spelling of a coded column: where it first stands, how often, what it is proposed to mean."""

    text: str  # As it stands, in lower case; described where `is_shown` is false
    row: int
    count: int
    is_shown: bool = True
    code: str = ""  # Code it is read as or usually means; empty where that is open
    is_read: bool = False  # Whether it is read without a mapping
    among: tuple[str, ...] = ()  # Codes it may mean, where only some come into question
    why: str = ""  # Why it is open


@dataclass(frozen=True, slots=True)
class CodesSeen:
    """What one coded column holds."""

    section: str  # Name of its [codes] section
    spellings: tuple[SeenSpelling, ...]
    choices: tuple[str, ...]  # The codes there are; none for teeth

    @property
    def unsettled(self) -> tuple[SeenSpelling, ...]:
        """The spellings for the user to decide."""
        return tuple(one for one in self.spellings if not one.code)


def alias_spellings(codes: tuple[Code, ...]) -> dict[str, str]:
    """Spelling, squeezed -> code, for words that usually mean a code; words that two codes share are left out."""
    found: dict[str, str] = {}
    shared: set[str] = set()
    for code in codes:
        for alias in (code.label, *code.also, *code.aliases):
            key = squeezed(alias)
            if key and found.setdefault(key, code.code) != code.code:
                shared.add(key)
    return {key: code for key, code in found.items() if key not in shared}


def teeth_spellings() -> dict[str, str]:
    """The same for words about teeth taken out: none, or that it is not known which."""
    return {squeezed(word): code for code, words in written_in_cells().aliases["extracted"].items() for word in words}


_TOOTH = re.compile(r"(?<![A-Za-z0-9])#?\d+(?![A-Za-z0-9])")


def is_universal(cells: pl.Series) -> bool:
    """Whether teeth are numbered from 1 to 32: all numbers fit, and not all are codes of ISO 3950.

    Single numbers without a sign before them may count the teeth.
    """
    lists = [_TOOTH.findall(text) for text in text_of(cells).drop_nulls().unique()]
    numbers = {part for parts in lists for part in parts}
    is_list = any(len(parts) > 1 or "#" in parts[0] for parts in lists if parts)
    return is_list and all(map(universal_tooth, numbers)) and not all(map(teeth_text, numbers))


def codes_seen(
    cells: pl.Series,
    rows: pl.Series,
    target: Target,
    *,
    contract: Contract,
    names: WideNames,
    stated: Mapping[str, str] | None = None,
) -> CodesSeen:
    """What a coded column, or a column of teeth, holds.

    ``stated``: Spelling in lower case -> code, of an earlier mapping.
    """
    seen = _counted(cells, rows, in_turn=target.field == IN_TURN)
    understand = _Spellings(target, contract, names, stated or {}, frozenset(seen["text"]))
    found = [understand(*row) for row in seen.iter_rows() if row[0] not in contract.missing]
    section = str(target.codes) if target.type == "code" else target.field
    return CodesSeen(section, tuple(_described(found, cells, understand.codes)), understand.choices)


def _unclear(codes: str | None, present: frozenset[str]) -> dict[str, str]:
    """Spellings that would be read, but mean something else beside others that are present, and why."""
    if codes == "sex" and {"0", "1"} <= present and "2" not in present:
        return dict.fromkeys(("0", "1"), "0 and 1 are used both ways round")
    if codes == "timepoint" and "t0" in present:
        return dict.fromkeys(("t1", "t2", "t3"), OTHER_TIMES)
    return {}


class _Spellings:
    """Tells what a spelling of one column means."""

    def __init__(
        self, target: Target, contract: Contract, names: WideNames, stated: Mapping[str, str], present: frozenset[str]
    ) -> None:
        self.is_measure, self.names = target.codes == MEASURE_CODES, names
        coded = target.type == "code" and not self.is_measure
        self.codes = contract.codes[str(target.codes)] if coded else ()
        self.read = contract.spellings(str(target.codes)) if coded else {}
        self.aliases = alias_spellings(self.codes) if coded else teeth_spellings() if target.type == "codes" else {}
        self.asks = {
            squeezed(word): one for one in written_in_cells().asks if one.codes == target.codes for word in one.words
        }
        self.stated = dict(stated)
        self.choices = tuple(names.measures) if self.is_measure else tuple(code.code for code in self.codes)
        self.is_universal = target.type == "codes" and is_universal(pl.Series(list(present)))
        self.is_sex = target.codes == "sex"
        self.unclear = _unclear(target.codes, present)
        if self.is_sex:
            self.unclear |= dict.fromkeys(filter(is_sex_letter, present - self.unclear.keys()), SEX_AS_A_SET)
        self.read = {text: code for text, code in self.read.items() if text not in self.unclear}
        self.aliases = {text: code for text, code in self.aliases.items() if text not in self.unclear}
        if self.is_sex:
            self.aliases |= sexes_settled(present - {"0", "1"} if "0" in self.unclear else present, stated)

    def __call__(self, text: str, row: int, count: int) -> SeenSpelling:
        if text in self.stated:
            return SeenSpelling(text=text, row=row, count=count, code=self.stated[text] or NOT_KNOWN)
        code = self.read.get(text)
        if code is None and not self.choices:
            code = teeth_text(text, universal=self.is_universal)
        if code:
            return SeenSpelling(text=text, row=row, count=count, code=code, is_read=True)
        if self.is_measure:
            return self._measure(text, row, count)
        teeth = "" if self.codes or self.is_universal else teeth_by_letters(text)
        if teeth:
            return SeenSpelling(text=text, row=row, count=count, code=teeth)
        key = squeezed(text)
        asked: AskedWord | None = self.asks.get(key)
        if asked or key not in self.aliases:
            among, why = (asked.among, asked.why) if asked else ((), self.unclear.get(text, ""))
            return SeenSpelling(text=text, row=row, count=count, among=among, why=why)
        return SeenSpelling(text=text, row=row, count=count, code=self.aliases[key])

    def _measure(self, text: str, row: int, count: int) -> SeenSpelling:
        codes, why = self.names.measures_named(text)
        if len(codes) == 1 and not why:
            return SeenSpelling(text=text, row=row, count=count, code=codes[0], is_read=text == codes[0])
        return SeenSpelling(text=text, row=row, count=count, among=codes, why=why or 'no measure; "" leaves it out')


def _counted(cells: pl.Series, rows: pl.Series, *, in_turn: bool = False) -> pl.DataFrame:
    text = text_of(cells).str.to_lowercase().str.replace_all(r"\s+", " ")
    frame = pl.DataFrame({"text": text, "row": rows}).drop_nulls("text")
    if in_turn:
        frame = parts_in_turn(frame)
    counted = frame.group_by("text").agg(pl.col("row").min(), pl.len().alias("count"))
    return counted.sort(["count", "row"], descending=[True, False])


def parts_in_turn(frame: pl.DataFrame) -> pl.DataFrame:
    """One row an appliance, where several stand in a cell one after the other."""
    return frame.with_columns(pl.col("text").map_elements(in_turn, return_dtype=pl.List(pl.String))).explode("text")


def _described(found: list[SeenSpelling], cells: pl.Series, codes: tuple[Code, ...]) -> list[SeenSpelling]:
    """The spellings, those of persons described."""
    unsettled = [one for one in found if not one.code]
    if not unsettled:
        return found
    all_hidden = len(unsettled) == len(found) and content_reason(cells) is not None
    texts = pl.Series([one.text for one in unsettled], dtype=pl.String)
    kinds = dict(zip(texts, kinds_of(texts), strict=True))
    hidden = {text for text, kind in kinds.items() if all_hidden or kind not in (None, NAME)}
    said = dict(zip(texts, redact_series(texts, codes), strict=True)) if hidden else {}
    return [
        SeenSpelling(text=said[one.text], row=one.row, count=one.count, is_shown=False)
        if not one.code and one.text in hidden
        else one
        for one in found
    ]
