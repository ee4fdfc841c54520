"""Whether a mapping covers the columns a file has: what is not mapped is refused, never guessed."""

from collections.abc import Iterable, Mapping, Sequence

from pipelines.contract.contract import Contract
from pipelines.contract.delivery import RawTable
from pipelines.contract.targets import Targets
from pipelines.deidentify.headings import heading_terms, shown_headings, told_heading
from pipelines.deidentify.refusing import refusals
from pipelines.mapping.column_mapping import ColumnMapping, check_sources, missing_required
from pipelines.mapping.trade_words import known_terms
from warehouse.errors import MappingError, near_names
from warehouse.measures.measure import Measure

_UNKNOWN = "not a contract name"
_MOST_TOLD = 20  # more columns than these are counted, but for those of which more can be said


def check_columns(
    raw: RawTable, mapping: ColumnMapping, *, contract: Contract, catalogue: Mapping[str, Measure]
) -> None:
    """Refuse a file with columns that the mapping neither maps nor leaves out, or without ones that it maps.

    Raises MappingError: names every such column with the reason. A heading that looks like data is not repeated, nor is
    a word of it that is neither of the contract nor of the trade.
    """
    targets = Targets(mapping.settings.layout, mapping.settings.table, contract=contract, measures=catalogue)
    faults = []
    if not set(mapping.columns) <= set(raw.frame.columns) <= {*mapping.columns, *mapping.ignored}:
        words = known_terms(contract, catalogue)
        shown = _shown(raw.frame.columns, words)
        faults = [*_uncovered(raw, mapping, targets, shown), *_absent(mapping, shown, words)]
    if not mapping.stated:
        faults += [
            f"{one.name}: required, but the file has no such column"
            for one in missing_required(mapping.targets(), targets)
        ]
        faults += [f"{name}: {found}" for name, found, _ in check_sources(mapping.targets())]
    if not faults:
        return
    found = "\n".join(["the columns of the file do not fit; nothing of it was read:", *(f"  {one}" for one in faults)])
    expected = "columns that carry contract names"
    remedy = "menton draft-mapping FILE proposes a mapping file; menton template shows the contract names"
    if mapping.stated:
        expected = "every column in [columns] or in [ignored]"
        remedy = f"add each column to [columns] or [ignored] of {mapping.origin}; correct names that the file has not"
    raise MappingError(found, where=_place(raw, mapping), expected=expected, remedy=remedy)


def _place(raw: RawTable, mapping: ColumnMapping) -> str:
    sheet = f", sheet {raw.source.sheet}" if raw.source.sheet else ""
    return f"{raw.source.name}{sheet}" + (f", read by {mapping.origin}" if mapping.stated else "")


def _uncovered(raw: RawTable, mapping: ColumnMapping, targets: Targets, shown: Mapping[str, str]) -> list[str]:
    uncovered = [one for one in raw.frame.columns if one not in mapping.columns and one not in mapping.ignored]
    reasons = refusals(uncovered, {one: raw.frame[one] for one in uncovered})
    told = [(shown[one], _reason(one, reasons.get(one), targets)) for one in uncovered]
    if len(told) <= _MOST_TOLD:
        return [f"{heading}: {reason}" for heading, reason in told]
    telling = [f"{heading}: {reason}" for heading, reason in told if reason != _UNKNOWN][:_MOST_TOLD]
    first = next((heading for heading, reason in told if reason == _UNKNOWN), told[0][0])
    return [*telling, f"{len(told) - len(telling):,} further columns are not decided, first {first}"]


def _reason(heading: str, identifying: str | None, targets: Targets) -> str:
    if identifying:
        return f"identifying: {identifying}"
    near = targets.near("_".join(heading_terms(heading)))
    return f"{_UNKNOWN}; {near}" if near else _UNKNOWN


def _absent(mapping: ColumnMapping, shown: Mapping[str, str], words: Iterable[str]) -> list[str]:
    free = [one for one, text in shown.items() if one not in mapping.columns and text.startswith('"')]
    absent = [(column, near_names(column, free)) for column in mapping.columns if column not in shown]
    return [
        f"{told_heading(column, None, words)}: mapped, but the file has no such column{'; ' if near else ''}{near}"
        for column, near in absent
    ]


def _shown(headings: Sequence[str], words: Iterable[str]) -> Mapping[str, str]:
    """Each heading as a refusal may repeat it."""
    shown = shown_headings(headings, words)
    return {
        heading: told_heading(heading, place, words) if shown[heading].startswith('"') else shown[heading]
        for place, heading in enumerate(headings, 1)
    }
