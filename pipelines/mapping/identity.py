"""The mapping of a file whose columns already carry the contract's names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from pipelines.contract.contract import Contract
from pipelines.contract.delivery import Layout
from pipelines.contract.targets import Targets
from pipelines.mapping.column_mapping import ColumnMapping
from pipelines.mapping.settings import FileSettings
from warehouse.measures.measure import Measure

_TELLING: tuple[tuple[frozenset[str], Layout, str | None], ...] = (
    (frozenset({"landmark", "x", "y"}), "points", "landmarks"),
    (frozenset({"measure", "value"}), "tabular", "measurements"),
    (frozenset({"phase_no"}), "tabular", "phases"),
    (frozenset({"timepoint"}), "tabular", "visits"),
)


def identity_mapping(
    columns: Iterable[str],
    *,
    contract: Contract,
    catalogue: Mapping[str, Measure],
    table: str | None = None,
    settings: FileSettings | None = None,
) -> ColumnMapping:
    """The mapping in which each column goes to the contract name it carries.

    Columns that carry no contract name are left unmapped, so that checking the file against the mapping refuses them.

    Args:
        columns: Headings of the file.
        contract: The contract.
        catalogue: Measures, with those the practice added.
        table: Contract table where it is known (by the name of a file or sheet); None finds layout and table by the
            columns that only one of them has.
        settings: How the file is written; its layout and table are replaced.
    """
    headings = [column.strip() for column in columns]
    layout, found = _layout(headings, contract, catalogue, table)
    targets = Targets(layout, found, contract=contract, measures=catalogue)
    mapped = {heading: target for heading in headings if (target := targets.find(heading)) is not None}
    return ColumnMapping(settings=replace(settings or FileSettings(), layout=layout, table=found), columns=mapped)


def _layout(
    headings: list[str], contract: Contract, catalogue: Mapping[str, Measure], table: str | None
) -> tuple[Layout, str | None]:
    if table is not None:
        return ("points", table) if table == "landmarks" else ("tabular", table)
    for telling, layout, found in _TELLING:
        if telling.issubset(headings):
            return layout, found
    wide = Targets("wide", None, contract=contract, measures=catalogue)
    only_cases = all(target is None or target.table == "cases" for target in map(wide.find, headings))
    return ("tabular", "cases") if only_cases and any(map(wide.find, headings)) else ("wide", None)
