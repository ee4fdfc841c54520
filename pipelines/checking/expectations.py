"""The one place that speaks to Great Expectations: rules in, positions of failing rows out.

A rule on one column says the same of equal values, so each distinct value of a column is asked about once, and the
answer is carried back to every row that holds it; likewise for each distinct combination of truths. That leaves the
library some thousand values of a million rows (it copies and hashes whole frames several times over). Frames go over
as pandas frames of plain NumPy columns. The library is imported here and nowhere else, inside the class, because that
takes seconds.
"""

from __future__ import annotations

import os
import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from warehouse.errors import BrokenRuleError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from pipelines.checking.rules import Rule
    from pipelines.checking.tables import Mask, Positions

RESULT_FORMAT = {"result_format": "COMPLETE", "partial_unexpected_count": 0, "return_unexpected_index_query": False}


MANY = 100_000
"""A column with more distinct values than this is a batch of its own; the others of a table are one batch."""
BITS = 60
"""Truths packed into one number."""


class Examiner:
    """A context of the library, for any number of tables."""

    def __init__(self) -> None:
        # The library reads this once, at import: it must neither send usage figures nor look for a network.
        os.environ["GX_ANALYTICS_ENABLED"] = "false"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # deprecations inside the library are no business of ours
            import great_expectations as library
            import great_expectations.expectations as expectations
            from great_expectations.data_context.types.base import ProgressBarsConfig

            self._library: Any = library
            self._expectations: Any = expectations
            context = library.get_context(mode="ephemeral")
            context.variables.progress_bars = ProgressBarsConfig(globally=False)
            asset = context.data_sources.add_pandas("load").add_dataframe_asset("rows")
            self._definition: Any = asset.add_batch_definition_whole_dataframe("all rows")

    def failing(
        self, frame: pl.DataFrame, rules: Sequence[Rule], truths: Mapping[str, Callable[[], Mask]]
    ) -> dict[str, Positions]:
        """Which rows of a table fail which rule.

        Args:
            frame: Rows of the table.
            rules: Rules of the kinds ``required``, ``range`` and ``check``.
            truths: For each rule of kind ``check``, what gives whether it holds, shape (rows,); asked after the values
                have been looked at.

        Returns:
            Rule id -> positions of the failing rows, in order.

        Raises:
            BrokenRuleError: The library could not evaluate a rule.
        """
        if frame.is_empty():
            return {rule.id: np.array([], dtype=np.int64) for rule in rules}
        on_values = [rule for rule in rules if rule.kind in ("required", "range")]
        found = self._on_values(frame, on_values) if on_values else {}
        names = list(truths)
        for first in range(0, len(names), BITS):
            found |= self._on_truths({name: truths[name]() for name in names[first : first + BITS]})
        return found

    def _on_values(self, frame: pl.DataFrame, rules: Sequence[Rule]) -> dict[str, Positions]:
        by_column: dict[str, list[Rule]] = {}
        for rule in rules:
            by_column.setdefault(rule.columns[0], []).append(rule)
        columns = {name: _asked_of(frame[name], of_column) for name, of_column in by_column.items()}
        distinct = {name: column.unique() for name, column in columns.items()}
        failing: dict[str, Positions] = {}
        for names in _batches(distinct):
            asked = [self._expectation(rule) for name in names for rule in by_column[name]]
            failing |= self._batch(_side_by_side({name: distinct[name] for name in names}), asked)
        return {
            rule.id: _holding(columns[name], distinct[name], failing[rule.id])
            for name, of_column in by_column.items()
            for rule in of_column
        }

    def _on_truths(self, truths: Mapping[str, Mask]) -> dict[str, Positions]:
        packed = _packed(truths)
        patterns = pl.Series("pattern", packed).unique()
        bits = patterns.to_numpy()
        table = pl.DataFrame({name: (bits >> np.uint64(i)) & np.uint64(1) == 1 for i, name in enumerate(truths)})
        failing = self._batch(table, [self._truth(name) for name in truths])
        return {
            name: np.flatnonzero(np.isin(packed, bits[patterns_failing]))
            if len(patterns_failing := failing[name])
            else patterns_failing
            for name in truths
        }

    def _expectation(self, rule: Rule) -> Any:  # noqa: ANN401 - the library ships no types we follow
        column, meta = rule.columns[0], {"rule": rule.id}
        if rule.kind == "required":
            return self._expectations.ExpectColumnValuesToNotBeNull(column=column, meta=meta)
        low, high = rule.number("low"), rule.number("high")
        return self._expectations.ExpectColumnValuesToBeBetween(column=column, min_value=low, max_value=high, meta=meta)

    def _truth(self, rule_id: str) -> Any:  # noqa: ANN401
        return self._expectations.ExpectColumnValuesToBeInSet(column=rule_id, value_set=[True], meta={"rule": rule_id})

    def _batch(self, frame: pl.DataFrame, expectations: list[Any]) -> dict[str, Positions]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            batch = self._definition.get_batch(batch_parameters={"dataframe": frame.to_pandas()})
            suite = self._library.ExpectationSuite(name="rules", expectations=expectations)
            outcome = batch.validate(suite, result_format=RESULT_FORMAT)
        return dict(_positions(result) for result in outcome.results)


def _asked_of(column: pl.Series, rules: Sequence[Rule]) -> pl.Series:
    """A column as numbers; where only blanks are looked for, 1 stands for any value."""
    if all(rule.kind == "required" for rule in rules):
        return column.is_not_null().cast(pl.Float64).replace(0.0, None)
    return column.cast(pl.Float64).fill_nan(None) if column.dtype.is_numeric() else column


def _batches(distinct: Mapping[str, pl.Series]) -> list[list[str]]:
    few = [name for name, values in distinct.items() if len(values) <= MANY]
    return ([few] if few else []) + [[name] for name in distinct if name not in few]


def _side_by_side(distinct: Mapping[str, pl.Series]) -> pl.DataFrame:
    """Columns of different lengths in one frame, the shorter ones filled up with their first value again."""
    longest = max(len(values) for values in distinct.values())
    return pl.DataFrame(
        {name: pl.concat([v, v.head(1).new_from_index(0, longest - len(v))]) for name, v in distinct.items()}
    )


def _holding(column: pl.Series, distinct: pl.Series, failing: Positions) -> Positions:
    """Positions in the column of the distinct values that fail."""
    if not len(failing):
        return failing
    values = distinct.gather(np.unique(failing[failing < len(distinct)]))
    return np.flatnonzero(column.is_in(values.implode(), nulls_equal=True).to_numpy())


def _packed(truths: Mapping[str, Mask]) -> NDArray[np.uint64]:
    """Truths of every row as the bits of one number, shape (rows,)."""
    columns = list(truths.values())
    packed = np.zeros(len(columns[0]), dtype=np.uint64)
    for i, truth in enumerate(columns):
        packed |= truth.astype(np.uint64) << np.uint64(i)
    return packed


def _positions(result: Any) -> tuple[str, Positions]:  # noqa: ANN401
    rule = result.expectation_config.meta["rule"]
    trouble = result.exception_info
    # One record, or one for each step the library took.
    parts = [trouble] if "raised_exception" in trouble else list(trouble.values())
    said = next((str(part["exception_message"]) for part in parts if part["raised_exception"]), None)
    if said is not None:
        found = f"The rule {rule} could not be evaluated."
        remedy = f"This is a fault of the rule, not of the data: {said.splitlines()[0][:200]}"
        raise BrokenRuleError(found, where="validation", expected="an answer for every row", remedy=remedy)
    return rule, np.array(result.result.get("unexpected_index_list", []), dtype=np.int64)
