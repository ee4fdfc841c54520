"""One practice as the coordinator knows it: single generalised cases, or tables with small counts hidden."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import polars as pl

from warehouse.disclosure import Release
from warehouse.disclosure.hierarchy import ANY
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import result_column
from warehouse.pooled.handing_over import counts_by
from warehouse.pooled.history import Moments
from warehouse.pooled.ranges import NONE, Range, exactly, tightened
from warehouse.pooled.tables import ALL, COUNTED, breakdown_name, coarser, members_at, totals_name
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE, RESULTS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Member:
    """A practice's contribution, taken in."""

    id: str  # Id of the contribution; another one of the same practice has another
    replaces: tuple[str, ...]  # Ids of the practice's earlier contributions, oldest first
    pseudonym: str  # The practice's pseudonym in this group
    cases: pl.DataFrame | None = None  # Its generalised cases, or None
    levels: Mapping[str, int] = field(
        default_factory=lambda: MappingProxyType({})
    )  # Variable -> level of generalisation
    tables: Mapping[str, Release] = field(default_factory=lambda: MappingProxyType({}))  # Its tables, by name
    # Outcome -> number, mean and variance of the changes behind it
    means: Mapping[str, Moments] = field(default_factory=lambda: MappingProxyType({}))

    def results(self, outcome: str) -> dict[str, Range] | None:
        """Result -> cases; None where the practice could not give them."""
        if self.cases is not None:
            found = dict(self.cases[result_column(outcome)].value_counts().iter_rows())
            return {result: exactly(int(found.get(result, 0))) for result in RESULTS}
        table = self.tables.get(totals_name(outcome))
        if table is None:
            return None
        parts = {result: known_range(table, (result,)) for result in RESULTS}
        both = {name: parts[name] for name in (ADVERSE, NOT_ADVERSE)}
        return {**parts, **tightened(both, known_range(table, (COUNTED,)))}

    def groups(self, agreement: Agreement, outcome: str, by: str) -> Groups | str:
        """Counts by a variable at the level the practice gave, or why there are none."""
        if self.cases is not None:
            labels = agreement.hierarchy(by).levels[self.levels[by]]
            if set(labels.values()) == {ANY}:
                return "had to drop this variable"
            counts = counts_by(self.cases, outcome, by, tuple(dict.fromkeys(labels.values())))
            return Groups(
                self.levels[by],
                {label: exactly(adverse) for label, (adverse, _) in counts.items()},
                {label: exactly(counted) for label, (_, counted) in counts.items()},
            )
        table = self.tables.get(breakdown_name(outcome, by))
        if table is None:
            return "gave no such table, so as not to give small counts away"
        members = table.layout.dimensions[0].members
        return _from_table(table, level_of(agreement, by, {name: own for name, own in members.items() if name != ALL}))


@dataclass(frozen=True, slots=True)
class Groups:
    """Adverse and counted cases of one practice by the groups of a variable, at one of its levels."""

    level: int
    adverse: Mapping[str, Range]
    counted: Mapping[str, Range]

    @property
    def is_exact(self) -> bool:
        """Whether no count is hidden."""
        return all(one.is_exact for one in (*self.adverse.values(), *self.counted.values()))

    def at(self, agreement: Agreement, by: str, level: int) -> Groups:
        """The same at a coarser level."""
        mapping = coarser(agreement.hierarchy(by), self.level, level)
        return Groups(level, _merged(self.adverse, mapping), _merged(self.counted, mapping))


def _merged(counts: Mapping[str, Range], mapping: Mapping[str, str]) -> dict[str, Range]:
    found = dict.fromkeys(mapping.values(), NONE)
    for label, count in counts.items():
        found[mapping[label]] += count
    return found


def level_of(agreement: Agreement, by: str, members: Mapping[str, tuple[str, ...]]) -> int | None:
    """The level of a variable that has exactly these groups, or None."""
    hierarchy = agreement.hierarchy(by)
    levels = range(len(hierarchy.levels))
    return next((level for level in levels if members_at(hierarchy, level) == dict(members)), None)


def _from_table(table: Release, level: int | None) -> Groups | str:
    if level is None:
        return "gave groups the group did not agree on"
    names = [name for name in table.layout.dimensions[0].members if name != ALL]
    whole = {column: known_range(table, (ALL, column)) for column in (ADVERSE, COUNTED)} if len(names) > 1 else {}
    counted = {name: known_range(table, (name, COUNTED)) for name in names}
    if whole:
        counted = tightened(counted, whole[COUNTED])
    adverse = {name: known_range(table, (name, ADVERSE)).within(Range(0, counted[name].high)) for name in names}
    if whole:
        adverse = tightened(adverse, whole[ADVERSE])
    return Groups(level, adverse, counted)


def known_range(table: Release, key: tuple[str, ...]) -> Range:
    """A count of a table within the limits a reader has of it."""
    low, high = table.bounds(key)
    return Range(int(low), int(min(high, 10_000_000)))
