"""The table of starting characteristics as journals set it."""

import polars as pl

from warehouse.analysis.characteristics import CharacteristicRow, LevelSummary, NumberSummary
from warehouse.marts.grouping import GROUPINGS
from warehouse.questions.characteristics import VARIABLES, Characteristics
from warehouse.words.numbers import number, percent
from warehouse.words.sentences import say

_CODES = {"sex": "sex", "incisor_class": "incisor_class"}
FOOTNOTE = say("characteristics.footnote")


def table_as_printed(result: Characteristics, labels: dict[str, dict[str, str]]) -> pl.DataFrame:
    """The table as it is printed: one column a group, texts as journals set them, a line for what is missing.

    ``result``: the characteristics. ``labels``: code list -> code -> label, as a reader has them.
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
    spread = f" ({number(cell.sd, digits=1)})" if cell.sd is not None else ""
    return f"{number(cell.mean, digits=1)}{spread}"


def _share(cell: NumberSummary | LevelSummary) -> str:
    if not isinstance(cell, LevelSummary) or cell.share is None:
        return "—"
    return f"{cell.count:,} ({percent(cell.share, digits=0)})"


def _gap(row: CharacteristicRow) -> str:
    return number(row.standardised_difference)
