"""Drafting a mapping: every column of a file with what it may be, and every code seen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

import polars as pl

from pipelines.cells.dates import order_of
from pipelines.cells.numbers import decimal_of
from pipelines.cells.understood import Expected
from pipelines.contract.contract import Contract
from pipelines.contract.delivery import Layout, RawTable
from pipelines.contract.targets import Target, Targets
from pipelines.deidentify.headings import heading_reason, shown_headings
from pipelines.deidentify.refusing import content_reason
from pipelines.drafting.codes_seen import CodesSeen, alias_spellings, codes_seen
from pipelines.drafting.contents import doubt, hint
from pipelines.drafting.names import NOTHING, Match, TabularNames, WideNames, has_t_zero, names_a_t_number
from pipelines.mapping.column_mapping import check_sources, missing_required, own_spellings
from pipelines.mapping.trade_words import known_terms
from pipelines.reading.cells import share_of_numbers
from pipelines.reading.decimals import MIN_NUMBERS, SAMPLE_ROWS
from warehouse.errors import BadFileError
from warehouse.measures.measure import Measure

Kind = Literal["mapped", "unsure", "identifying", "unknown", "withheld"]
Order = Literal["dmy", "mdy", "unclear", ""]


@dataclass(frozen=True, slots=True)
class DraftLine:
    """One column of the file in a draft."""

    column: str  # Its heading; for `withheld` what is said instead of it
    # `mapped`, `unsure` (left to the user), `identifying` (left out), `unknown`, or `withheld` where the heading
    # looks like a name and is not repeated
    kind: Kind
    names: tuple[str, ...] = ()  # Contract names it may go to, the likeliest first
    why: str = ""  # Why it is not mapped


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A proposal for a mapping file."""

    source: str  # Name of the file it is for
    layout: Layout  # Layout taken
    table: str | None  # Contract table of a tabular file
    decimal: str  # Decimal mark seen, or empty
    date_order: Order  # Order of dates seen; `unclear` where dates can be read both ways
    lines: tuple[DraftLine, ...]  # The columns in file order
    codes: tuple[CodesSeen, ...]  # Codes seen in the coded columns that are mapped
    missing: tuple[Target, ...]  # Required contract names that no column fills
    notes: tuple[str, ...]  # Remarks on the file as a whole


def draft_mapping(raw: RawTable, *, contract: Contract, catalogue: Mapping[str, Measure]) -> Draft:
    """Propose a mapping for a file.

    Headings propose; cells only confirm or raise doubts. Whatever could mean two things is left to the user.

    Args:
        raw: The file as read.
        contract: The contract.
        catalogue: Measures, with those the practice added.

    Raises:
        BadFileError: The headings look like data: the file has no header row, or another one.
    """
    return _Drafter(raw, contract, catalogue).draft()


class _Drafter:
    def __init__(self, raw: RawTable, contract: Contract, catalogue: Mapping[str, Measure]) -> None:
        self.raw, self.contract, self.catalogue = raw, contract, catalogue
        self.shown = shown_headings(raw.frame.columns, known_terms(contract, catalogue))
        self._refuse_data_as_headings()
        self.layout, self.table = self._layout()
        self.targets = Targets(self.layout, self.table, contract=contract, measures=catalogue)
        self.decimal = self._decimal()

    def _refuse_data_as_headings(self) -> None:
        places = [place for place, text in enumerate(self.shown.values(), 1) if _looks_like_data(text)]
        if places:
            found = f"the headings look like data (columns {', '.join(map(str, places))})"
            remedy = "export the file with a row of headings, or say which row they are in with header_row"
            raise BadFileError(found, where=self.raw.source.name, expected="a row of headings", remedy=remedy)

    def _layout(self) -> tuple[Layout, str | None]:
        for layout, table, telling in _TABULAR:
            names = TabularNames(table, self.contract)
            if telling <= {name for heading in self.raw.frame.columns for name in names.match(heading).names}:
                return layout, table
        return "wide", None

    def _decimal(self) -> str:
        texts = self.raw.frame.select(pl.col(pl.String)).iter_columns()
        found = decimal_of(column for column in texts if share_of_numbers(column.head(SAMPLE_ROWS)) >= MIN_NUMBERS)
        return found if found in (".", ",") else ""

    def draft(self) -> Draft:
        lines = self._without_clashes([self._line(heading) for heading in self.raw.frame.columns])
        mapped = {line.column: self._target(line.names[0]) for line in lines if line.kind == "mapped"}
        return Draft(
            source=self.raw.source.name,
            layout=self.layout,
            table=self.table if self.layout == "tabular" else None,
            decimal=self.decimal,
            date_order=self._date_order(lines),
            lines=tuple(lines),
            codes=self._codes(mapped),
            missing=tuple(missing_required(mapped.values(), self.targets)),
            notes=tuple(self._notes(list(mapped.values()))),
        )

    def _target(self, name: str) -> Target:
        target = self.targets.find(name)
        if target is None:  # pragma: no cover - names come from the targets
            raise KeyError(name)
        return target

    def _line(self, heading: str) -> DraftLine:
        if not self.shown[heading].startswith('"'):
            return DraftLine(self.shown[heading], "withheld", why="repeat the heading yourself")
        match = self._match(heading)
        if match.sure:
            why = self._doubt(heading, match.names[0])
            return DraftLine(heading, "unsure" if why else "mapped", match.names, why)
        if match.names:
            return DraftLine(heading, "unsure", match.names, match.why)
        return self._unmatched(heading)

    def _match(self, heading: str) -> Match:
        match = self._names().match(heading, t_numbers_unclear=has_t_zero(self.raw.frame.columns))
        return Match(tuple(name for name in match.names if name in self.targets), match.why) if match.names else NOTHING

    def _names(self) -> WideNames | TabularNames:
        if self.layout == "wide":
            return WideNames(self.contract, self.catalogue)
        return TabularNames(str(self.table), self.contract)

    def _unmatched(self, heading: str) -> DraftLine:
        reason = heading_reason(heading)
        if reason:
            return DraftLine(heading, "identifying", why=reason)
        cells = self.raw.frame[heading]
        content = content_reason(cells)
        if content and content != "full dates":
            return DraftLine(heading, "identifying", why=content)
        said = hint(cells, self.contract)
        if names_a_t_number(heading):
            said = "the contract has no time of that number" + (f"; {said}" if said else "")
        return DraftLine(heading, "unknown", why=said)

    def _doubt(self, heading: str, name: str) -> str:
        expected = self._expected(heading, self._target(name))
        return doubt(self.raw.frame[heading], expected, contract=self.contract, measures=self.catalogue)

    def _expected(self, heading: str, target: Target) -> Expected:
        spellings = dict(own_spellings(target, contract=self.contract, measures=self.catalogue))
        if target.type == "code" and target.codes in self.contract.codes:
            spellings = alias_spellings(self.contract.codes[str(target.codes)]) | spellings
        order = order_of(self.raw.frame[heading]) if target.type == "date" else ""
        return Expected(
            target=target,
            today=date.today(),
            spellings=spellings,
            missing=self.contract.missing,
            decimal="," if self.decimal == "," else ".",
            unit=target.unit,
            date_order="mdy" if order == "mdy" else "dmy",
        )

    def _without_clashes(self, lines: list[DraftLine]) -> list[DraftLine]:
        """Two columns for one name: neither is mapped."""
        counts = Counter(line.names[0] for line in lines if line.kind == "mapped")
        twice = {name for name, count in counts.items() if count > 1}
        why = "another column may be the same thing: choose one and put the other in [ignored]"
        return [
            replace(line, kind="unsure", why=why) if line.kind == "mapped" and line.names[0] in twice else line
            for line in lines
        ]

    def _date_order(self, lines: Sequence[DraftLine]) -> Order:
        orders = {
            order_of(self.raw.frame[line.column])
            for line in lines
            if line.kind in ("mapped", "unsure") and self._target(line.names[0]).type == "date"
        } - {"none needed"}
        if not orders:
            return ""
        certain = orders - {"ambiguous"}
        if certain == {"dmy"}:
            return "dmy"
        return "mdy" if certain == {"mdy"} else "unclear"

    def _codes(self, mapped: Mapping[str, Target]) -> tuple[CodesSeen, ...]:
        sections: dict[str, CodesSeen] = {}
        for column, target in mapped.items():
            if target.type not in ("code", "codes") or (
                target.type == "code" and target.codes not in self.contract.codes
            ):
                continue
            seen = codes_seen(self.raw.frame[column], self.raw.rows, target, contract=self.contract)
            sections[seen.section] = _joined(sections[seen.section], seen) if seen.section in sections else seen
        return tuple(sections.values())

    def _notes(self, mapped: Sequence[Target]) -> list[str]:
        notes = [f"{name}: {found}; {remedy}" for name, found, remedy in check_sources(mapped)]
        times = TabularNames("measurements", self.contract)
        per_visit = any(times.match(heading).names == ("timepoint",) for heading in self.raw.frame.columns)
        if self.layout == "wide" and per_visit:
            notes.append(
                "the file seems to have one row a visit; export one row a case with the times side by side, "
                "or one row a reading with the columns timepoint, measure and value"
            )
        return notes


_TABULAR: tuple[tuple[Layout, str, frozenset[str]], ...] = (
    ("points", "landmarks", frozenset({"landmark", "x", "y"})),
    ("tabular", "measurements", frozenset({"timepoint", "measure", "value"})),
)


def _looks_like_data(shown: str) -> bool:
    return not shown.startswith('"') and "personal name" not in shown and "like data" not in shown


def _joined(first: CodesSeen, second: CodesSeen) -> CodesSeen:
    return replace(
        first,
        understood=tuple(dict.fromkeys((*first.understood, *second.understood))),
        proposed={**first.proposed, **second.proposed},
        unknown=(*first.unknown, *second.unknown),
    )
