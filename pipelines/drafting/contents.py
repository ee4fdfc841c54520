"""What the cells of a column say for or against a proposed name. They never propose one by themselves."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipelines.cells.codes import teeth_text
from pipelines.cells.reading import PSEUDONYM_FIELDS, read_cells
from pipelines.cells.understood import Expected, text_of
from pipelines.contract.contract import Contract
from pipelines.contract.targets import Target
from pipelines.contract.units import factor, units_for
from pipelines.contract.words import written_in_cells
from pipelines.deidentify.refusing import content_reason
from warehouse.measures.measure import Measure

ENOUGH = 0.8
"""Share of the filled cells that must fit for the content not to speak against a name."""

ENOUGH_TEETH = 0.5
"""The same for tooth codes: what is written otherwise can be given its codes in the mapping."""

MANY_DIFFERENT = 30
"""A coded column with more different values than this, of which none is known, is hardly coded."""


def doubt(cells: pl.Series, expected: Expected, *, contract: Contract, measures: Mapping[str, Measure]) -> str:
    """Why the cells speak against the name, or the empty string.

    Args:
        cells: Cells of the column, of any type.
        expected: What they must hold if the name is right; spellings with those that drafts know.
        contract: Gives the ranges of its numbers.
        measures: Give the plausible ranges.
    """
    target = expected.target
    understood = read_cells(cells, expected)
    filled = understood.values.len() - understood.values.null_count() + understood.bad.height
    if filled == 0:
        return ""
    if target.field == "case_id":
        return _doubt_of_keys(understood.values) if target.table == "cases" else ""
    if target.field in PSEUDONYM_FIELDS:
        return (
            "it holds words that are not pseudonyms; give each one in [codes], or leave the column out"
            if understood.bad.height
            else ""
        )
    if target.type == "code":
        different = understood.bad["text"].n_unique()
        none_known = understood.bad.height == filled and different > MANY_DIFFERENT
        return f"it holds {different} different values, and none is known as a code" if none_known else ""
    fitting = filled - understood.bad.height
    if fitting < filled * (ENOUGH_TEETH if target.type == "codes" else ENOUGH):
        return f"only {fitting} of {filled} filled cells are {_PLURALS[target.type]}"
    return _doubt_of_range(understood.values, target, contract, measures) if target.type == "number" else ""


_PLURALS = {
    "number": "numbers",
    "integer": "whole numbers",
    "codes": "tooth codes",
    "quarter": "quarters",
    "date": "dates",
    "text": "of the right form",
}


def _doubt_of_keys(values: pl.Series) -> str:
    filled = values.drop_nulls()
    if filled.n_unique() >= ENOUGH * filled.len():
        return ""
    return "the same values stand in many rows, which a number of a case would not"


def _doubt_of_range(values: pl.Series, target: Target, contract: Contract, measures: Mapping[str, Measure]) -> str:
    limits = _limits(target, contract, measures)
    if limits is None or _within(values, limits) >= ENOUGH:
        return ""
    low, high = limits
    for unit in units_for(str(target.unit))[1:]:
        if _within(values * (factor(unit, str(target.unit)) or 1.0), limits) >= ENOUGH:
            return f'the values fit if they are in {unit}: then add "..." = "{unit}" to [units]'
    share = _within(values, limits)
    return f"only {share:.0%} of the values lie within {low:g} to {high:g} {target.unit}"


def _limits(target: Target, contract: Contract, measures: Mapping[str, Measure]) -> tuple[float, float] | None:
    if target.measure:
        return measures[target.field].plausible
    column = contract.table(target.table).column(target.field)
    return None if column.min is None or column.max is None else (column.min, column.max)


def _within(values: pl.Series, limits: tuple[float, float]) -> float:
    filled = values.drop_nulls()
    return float(filled.is_between(*limits).mean() or 0.0)  # type: ignore[arg-type]


def hint(cells: pl.Series, contract: Contract) -> str:
    """What the cells of a column with an unknown heading look like, in words; empty where they say nothing.

    No value is repeated.
    """
    reason = content_reason(cells)
    if reason:
        return f"its cells hold {reason}"
    texts = text_of(cells).drop_nulls().unique().head(200).str.to_lowercase()
    texts = texts.filter(~texts.is_in(sorted(contract.missing)))
    if texts.is_empty():
        return "it is empty"
    if all(teeth_text(text) for text in texts):
        return "its cells hold tooth codes" if texts.len() > 1 else ""
    sexes = {spelling for code in contract.codes["sex"] for spelling in (code.code, *code.also, *code.aliases)}
    sexes |= {letter for pair in written_in_cells().sexes for letter in pair}
    return "its cells hold codes of sex" if set(texts) <= sexes and texts.len() > 1 else ""
