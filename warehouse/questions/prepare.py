"""Two groups of a case table made ready for comparison: complete cases, strata, names a person can read."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

import polars as pl

from warehouse.analysis.group_pair import pair_groups
from warehouse.analysis.stratified import Stratum
from warehouse.errors import RequestError
from warehouse.marts.grouping import grouping
from warehouse.questions.case_table import case_table
from warehouse.questions.covariates import ADJUSTABLE, adjustables
from warehouse.questions.methods import PreparedPair

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition
    from warehouse.selection import Selection

OUTCOME = "adverse outcome"
GROUP = "group"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwoGroupFrame:
    """Cases of two groups, before anything is left out."""

    # One row a case started: `group` (a label), `adverse outcome`, `is_due`, the variables adjusted for under the
    # names a person reads, and the strata columns under `stratum_column`
    frame: pl.DataFrame
    labels: tuple[str, str]  # Names of the first and of the second group
    titles: tuple[str, ...]  # Names of the variables adjusted for, as in the frame
    strata: tuple[str, ...]  # Strata columns
    in_both: int  # Cases left out because they belong to both groups

    def sizes(self, condition: pl.Expr) -> tuple[int, int]:
        """Cases of the first and of the second group that meet a condition."""
        counts = [(condition & (pl.col(GROUP) == label)).sum().alias(label) for label in self.labels]
        first, second = self.frame.select(counts).row(0)
        return int(first), int(second)


def two_group_frame(
    reader: Reader,
    *,
    by: str,
    codes: tuple[str, str],
    labels: tuple[str, str],
    definition: Definition,
    selection: Selection,
    adjust: Sequence[str],
    strata: Sequence[str],
) -> TwoGroupFrame:
    """Read the cases of two groups.

    Raises:
        RequestError: The variable adjusted for is the grouping itself.
    """
    items = adjustables(adjust)
    way = grouping(by)
    _refuse_own_grouping(by, adjust, strata)
    columns = [by, *(item.name for item in items), *strata]
    among = {by: codes} if way.column else None
    table = case_table(reader, definition, selection, columns=columns, among=among)
    table, in_both = _with_group(table, by, codes, labels, several=way.column is None)
    layers = tuple(dict.fromkeys(strata))
    renamed = [pl.col(item.name).alias(item.title) for item in items]
    stratified = [pl.col(column).alias(stratum_column(column)) for column in layers]
    frame = table.select(GROUP, pl.col("adverse").alias(OUTCOME), "is_due", *renamed, *stratified)
    return TwoGroupFrame(
        frame=frame,
        labels=labels,
        titles=tuple(item.title for item in items),
        strata=layers,
        in_both=in_both,
    )


def prepared_pair(cases: TwoGroupFrame, *, adjust: Sequence[str], level: float) -> PreparedPair:
    """Complete cases of the two groups, with their strata and the model of the groups.

    A case counts for every method or for none: it needs an outcome, every variable adjusted for and every strata
    column. Who is left out is counted by reason.
    """
    frame = cases.frame
    lacking: dict[str, int] = {}
    for column in cases.strata:
        is_missing = pl.col(stratum_column(column)).is_null()
        n, lost = frame.select(is_missing.sum(), (is_missing & pl.col(OUTCOME).is_not_null()).sum().alias("lost")).row(
            0
        )
        lacking |= {f"{_strata_title(column)} missing": lost} if lost else {}
        frame = frame.filter(~is_missing) if n else frame
    covariates = [replace(item.covariate, name=item.title) for item in adjustables(adjust)]
    pair = pair_groups(
        frame, outcome=OUTCOME, group=GROUP, first=cases.labels[0], second=cases.labels[1], covariates=covariates
    )
    no_outcome = int(cases.frame[OUTCOME].is_null().sum())
    others = {reason: n for reason, n in pair.left_out.items() if reason != f"{OUTCOME} missing"}
    counted: Mapping[str, int] = MappingProxyType(
        {reason: n for reason, n in ({f"{OUTCOME} missing": no_outcome} | lacking | others).items() if n}
    )
    pair = replace(pair, left_out=counted)
    counted_by = (GROUP, OUTCOME, *map(stratum_column, cases.strata))
    kept = frame.select(counted_by).filter(pl.Series(pair.design.kept, dtype=pl.Boolean))
    return PreparedPair(
        pair=pair,
        strata=_strata(kept, cases),
        stratified_by=tuple(_strata_title(column) for column in cases.strata),
        level=level,
    )


def stratum_column(column: str) -> str:
    """Name of a strata column in the frame: a variable can be adjusted for and stratified by at once."""
    return f"stratum {column}"


def _refuse_own_grouping(by: str, adjust: Sequence[str], strata: Sequence[str]) -> None:
    same = {by, *(item.name for item in ADJUSTABLE.values() if item.banded == by)}
    both = sorted(same & {*adjust, *strata})
    if both:
        found = f"the groups are made by {by}, so they cannot be adjusted for {', '.join(both)}"
        raise RequestError(found, expected="other variables", remedy="leave it out of --adjust and --strata")


def _with_group(
    table: pl.DataFrame, by: str, codes: tuple[str, str], labels: tuple[str, str], *, several: bool
) -> tuple[pl.DataFrame, int]:
    """The table with the group as a label; where a case can have several groups, those with both are left out."""
    if not several:
        named = pl.col(by).cast(pl.String).replace_strict(list(codes), list(labels), default=None)
        return table.with_columns(named.alias(GROUP)), 0
    listed = (" + " + pl.col(by) + " + ").fill_null("")
    has = [listed.str.contains(f" + {code} + ", literal=True) for code in codes]
    in_both = table.filter(has[0] & has[1]).height
    named = pl.when(has[0]).then(pl.lit(labels[0])).otherwise(pl.lit(labels[1]))
    return table.filter(has[0] != has[1]).with_columns(named.alias(GROUP)), in_both


def _strata_title(column: str) -> str:
    known = ADJUSTABLE.get(column)
    return known.title if known else column.replace("_", " ")


def _strata(kept: pl.DataFrame, cases: TwoGroupFrame) -> tuple[Stratum, ...]:
    is_first = pl.col(GROUP) == cases.labels[0]
    counts = (
        (pl.col(OUTCOME) & is_first).sum().alias("x1"),
        is_first.sum().alias("n1"),
        (pl.col(OUTCOME) & ~is_first).sum().alias("x2"),
        (~is_first).sum().alias("n2"),
    )
    if not cases.strata:
        rows = kept.select(*counts).iter_rows()
        return tuple(Stratum("all cases", *row) for row in rows)
    columns = [stratum_column(column) for column in cases.strata]
    grouped = kept.group_by(columns).agg(*counts).sort(columns)
    width = len(columns)
    return tuple(Stratum(" / ".join(map(str, row[:width])), *row[width:]) for row in grouped.iter_rows())
