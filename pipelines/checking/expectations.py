"""The one place that speaks to Great Expectations: rules and columns in, positions of failing rows out.

A rule on one row says the same of equal values, so each distinct value of a column (or pair of values) is asked about
once, and the answer is carried back to every row that holds it; only for uniqueness the whole column goes over. That
leaves the library some thousand values of a million rows (it copies and hashes whole frames several times over). Frames
go over as pandas frames of plain NumPy columns. The library is imported here and nowhere else, inside the class,
because that takes seconds.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import polars as pl

from pipelines.checking.rules import Rule, allowed
from pipelines.checking.tables import Positions
from warehouse.errors import BrokenRuleError

RESULT_FORMAT = {"result_format": "COMPLETE", "partial_unexpected_count": 0, "return_unexpected_index_query": False}

SIZES = (1_000, 100_000)
"""Columns with up to so many distinct values share a batch; one with more is a batch of its own."""
WHOLE = " (every row)"
"""Ends the name of a column of which not only the distinct values go over; filled up, it would not be unique."""
AT_ONCE = 24
"""Rules whose columns are held at the same time."""


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

    def failing(self, rules: Sequence[Rule], judged: Callable[[Rule], pl.DataFrame]) -> dict[str, Positions]:
        """Which rows fail which rule.

        ``rules``: Rules on rows. ``judged``: Gives what a rule looks at: a column, or two for a pair; asked in another
        thread, a few rules ahead.

        Returns: Rule id -> positions of the failing rows, in order.

        Raises:
            BrokenRuleError: The library could not evaluate a rule.
        """
        parts = [rules[first : first + AT_ONCE] for first in range(0, len(rules), AT_ONCE)]
        failing: dict[str, Positions] = {}
        with ThreadPoolExecutor(max_workers=1) as beside:  # the library works in Python, the columns mostly outside it
            coming = beside.submit(_looked_at, parts[0] if parts else [], judged)
            for number, part in enumerate(parts, start=1):
                columns = coming.result()
                coming = beside.submit(_looked_at, parts[number] if number < len(parts) else [], judged)
                failing |= self._part(part, columns)
        return failing

    def _part(self, rules: Sequence[Rule], columns: Mapping[str, pl.DataFrame]) -> dict[str, Positions]:
        distinct: dict[str, pl.DataFrame] = {}
        for rule in rules:
            if _name(rule) not in distinct:
                distinct[_name(rule)] = _distinct(columns[_name(rule)], rule)
        failing: dict[str, Positions] = {}
        for names in _batches(distinct):
            asked = [rule for rule in rules if _name(rule) in names]
            failing |= self._batch({name: distinct[name] for name in names}, asked)
        return {
            rule.id: _holding(rule, columns[_name(rule)], distinct[_name(rule)], failing.get(rule.id)) for rule in rules
        }

    def _batch(self, columns: Mapping[str, pl.DataFrame], rules: Sequence[Rule]) -> dict[str, Positions]:
        """Rule id -> positions in the distinct values; those beyond them come from filling up."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = _side_by_side(columns).to_pandas()
            batch = self._definition.get_batch(batch_parameters={"dataframe": frame})
            suite = self._library.ExpectationSuite(name="rules", expectations=[self._expectation(r) for r in rules])
            outcome = batch.validate(suite, result_format=RESULT_FORMAT)
        return dict(_positions(result) for result in outcome.results)

    def _expectation(self, rule: Rule) -> Any:  # noqa: ANN401 - the library ships no types we follow
        column, ask = {"column": f"{_name(rule)} value", "meta": {"rule": rule.id}}, self._expectations
        if rule.kind == "required":
            return ask.ExpectColumnValuesToNotBeNull(**column)
        if rule.kind == "unique":
            return ask.ExpectColumnValuesToBeUnique(**column)
        if rule.kind == "range":
            low, high = rule.limits()
            return ask.ExpectColumnValuesToBeBetween(min_value=low, max_value=high, **column)
        if rule.kind == "without":
            return ask.ExpectColumnValuesToNotMatchRegex(regex=rule.arguments["pattern"], **column)
        if rule.kind in ("among", "holds"):
            values = allowed(rule) if rule.kind == "among" else [True]
            return ask.ExpectColumnValuesToBeInSet(value_set=values, **column)
        pair = {"column_A": column.pop("column"), "column_B": f"{_name(rule)} than"}
        pair["ignore_row_if"] = "either_value_is_missing"
        if rule.kind == "above":
            return ask.ExpectColumnPairValuesAToBeGreaterThanB(
                or_equal=rule.arguments.get("or_equal", False), **pair, **column
            )
        return ask.ExpectColumnPairValuesToBeEqual(**pair, **column)


def _name(rule: Rule) -> str:
    """What a rule looks at: equal for rules that look at the same."""
    return f"{rule.measures or rule.value or rule.columns[0]} {rule.than}{WHOLE if rule.kind == 'unique' else ''}"


def _looked_at(rules: Sequence[Rule], judged: Callable[[Rule], pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """What the rules look at, by name; numbers as such, any other value where only blanks are looked for as 1."""
    by_name: dict[str, list[Rule]] = {}
    for rule in rules:
        by_name.setdefault(_name(rule), []).append(rule)
    return {name: _told(judged(of_name[0]), of_name) for name, of_name in by_name.items()}


def _told(frame: pl.DataFrame, rules: Sequence[Rule]) -> pl.DataFrame:
    if all(rule.kind == "required" for rule in rules):
        return frame.select(value=pl.when(pl.col("value").is_not_null()).then(1.0))
    if rules[0].kind == "unique":
        return frame
    return pl.DataFrame([_plain(column) for column in frame])


def _plain(column: pl.Series) -> pl.Series:
    if column.dtype.is_numeric():
        return column.cast(pl.Float64).fill_nan(None)
    return column if column.dtype in (pl.String, pl.Boolean) else column.cast(pl.String)


def _distinct(column: pl.DataFrame, rule: Rule) -> pl.DataFrame:
    if rule.kind == "unique":
        return column.drop_nulls()
    return column.unique() if column.width == 1 else column.drop_nulls().unique()


def _batches(distinct: Mapping[str, pl.DataFrame]) -> list[list[str]]:
    """Names of the columns that go over together; those without a value stay here."""
    small, large = SIZES
    filled = {name: values.height for name, values in distinct.items() if values.height}
    alone = [name for name, height in filled.items() if height > large or name.endswith(WHOLE)]
    few = [name for name, height in filled.items() if height <= small and name not in alone]
    many = [name for name in filled if name not in few and name not in alone]
    return [names for names in (few, many, *([name] for name in alone)) if names]


def _side_by_side(columns: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Columns of different lengths in one frame, the shorter ones filled up with their first value again."""
    longest = max(frame.height for frame in columns.values())
    return pl.DataFrame(
        [
            pl.concat([column, column.head(1).new_from_index(0, longest - len(column))]).alias(f"{name} {column.name}")
            for name, frame in columns.items()
            for column in frame
        ]
    )


def _holding(rule: Rule, column: pl.DataFrame, distinct: pl.DataFrame, failing: Positions | None) -> Positions:
    """Positions in the column of the distinct values that fail."""
    if failing is None or not len(failing):
        return np.array([], dtype=np.int64)
    if rule.kind == "unique":
        return column.select(pl.all().is_not_null()).to_series().arg_true().to_numpy()[failing].astype(np.int64)
    values = distinct[np.unique(failing[failing < distinct.height])]
    if values.width > 1:
        rows = column.with_row_index("position").join(values, on=values.columns, how="semi", maintain_order="left")
        return rows["position"].to_numpy().astype(np.int64)
    return np.flatnonzero(column["value"].is_in(values["value"].implode(), nulls_equal=True).to_numpy())


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
