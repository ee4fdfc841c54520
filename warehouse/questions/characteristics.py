"""The table of starting characteristics by group, in the layout journals ask for."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from warehouse.analysis.characteristics import (
    CharacteristicRow,
    LevelSummary,
    NumberSummary,
    StartingTable,
    starting_characteristics,
)
from warehouse.marts.grouping import GROUPINGS, NOT_KNOWN, Grouping, group_label, in_order, single_grouping
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question, Stamped, stamp_of
from warehouse.questions.case_table import case_table

VARIABLES: dict[str, str] = {
    "age_at_start": "Age at start (years)",
    "sex": "Sex",
    "plane_at_start": "Mandibular plane to cranial base at start (degrees)",
    "vertical_type": "Vertical type at start",
    "incisor_class": "Incisor class",
    "growth_stage": "Growth stage",
    "extraction": "Extraction status",
    "months_observed": "Months observed",
}
"""Column of a case table -> its name in the table, in order."""

_CODES = {"sex": "sex", "incisor_class": "incisor_class"}
FOOTNOTE = (
    "Numbers: mean (standard deviation); categories: cases (share of those known). SMD: standardised difference, the"
    " largest of all pairs of groups; above 0.1 the groups are worth a second look. No p values: they would say how"
    " many cases there are, not how unlike the groups are."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristics(Stamped):
    """Starting characteristics by group."""

    by: Grouping  # The grouping
    labels: tuple[str, ...]  # Names of the groups, in the order of the table
    table: StartingTable  # The summaries, unrounded
    of_counted: bool  # Whether only cases counted under the definition are described, rather than all started


def starting_table(reader: Reader, question: Question, *, of_counted: bool = False) -> Characteristics:
    """Describe the cases of every group at the start; with ``of_counted`` only those counted under the definition.

    Raises:
        RequestError: A case can be in several groups.
    """
    stamp, way, by = stamp_of(reader, question), single_grouping(question.by), question.by
    variables = [name for name in VARIABLES if name != by]
    frame = case_table(reader, stamp.definition, stamp.selection, columns=[by, *variables])
    if of_counted:
        frame = frame.filter(pl.col("adverse").is_not_null())
    groups = frame[by].cast(pl.String).fill_null(NOT_KNOWN)
    order = in_order(way, dict(groups.value_counts().iter_rows()))
    return Characteristics(
        stamp=stamp,
        by=way,
        labels=tuple(group_label(reader, way, code) for code in order),
        table=starting_characteristics(
            frame.with_columns(groups.alias("group")), group="group", variables=variables, groups=order
        ),
        of_counted=of_counted,
    )


def table_as_printed(result: Characteristics, labels: dict[str, dict[str, str]]) -> pl.DataFrame:
    """The table as it is printed: one column a group, texts as journals set them, a line for what is missing.

    Args:
        result: The characteristics.
        labels: Code list -> code -> label, as a reader has them.
    """
    heads = [f"{label} (n = {n:,})" for label, n in zip(result.labels, result.table.sizes, strict=True)]
    rows: list[list[str]] = []
    for variable, title in VARIABLES.items():
        of_it = [row for row in result.table.rows if row.variable == variable]
        if of_it:
            rows += _variable_rows(title, variable, of_it, labels.get(_CODES.get(variable, ""), {}))
    schema = dict.fromkeys(["characteristic", *heads, "SMD"], pl.String)
    return pl.DataFrame(rows, schema=schema, orient="row")


def _variable_rows(title: str, variable: str, rows: list[CharacteristicRow], labels: dict[str, str]) -> list[list[str]]:
    gap = _gap(rows[0])
    first = rows[0].cells[0] if rows[0].cells else None
    if isinstance(first, NumberSummary) or not rows[0].cells:
        lines = [[title, *(_mean(cell) for cell in rows[0].cells), gap]]
    else:
        lines = [[title, *("" for _ in rows[0].cells), gap]]
        for row in sorted(rows, key=lambda row: _place(variable, row.level)):
            lines.append([f"  {labels.get(row.level, row.level)}", *(_share(cell) for cell in row.cells), ""])
    missing = [cell.missing for cell in rows[0].cells]
    if any(missing):
        lines.append(["  not known", *(str(n) for n in missing), ""])
    return lines


def _place(variable: str, level: str) -> tuple[int, str]:
    order = GROUPINGS[variable].order if variable in GROUPINGS else ()
    return (order.index(level) if level in order else len(order), level)


def _mean(cell: NumberSummary | LevelSummary) -> str:
    if not isinstance(cell, NumberSummary) or cell.mean is None:
        return "—"
    spread = f" ({cell.sd:.1f})" if cell.sd is not None else ""
    return f"{cell.mean:.1f}{spread}"


def _share(cell: NumberSummary | LevelSummary) -> str:
    if not isinstance(cell, LevelSummary) or cell.share is None:
        return "—"
    return f"{cell.count:,} ({100 * cell.share:.0f}%)"


def _gap(row: CharacteristicRow) -> str:
    gap = row.standardised_difference
    return "—" if gap is None else f"{gap:.2f}"
