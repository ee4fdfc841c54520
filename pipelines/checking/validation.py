"""Holding deliveries against the rules: good rows, rows turned away with every reason, remarks on good rows.

Three things are kept apart: a bad file (``BadFileError``, nothing of it is kept), a bad row (turned away, counted,
named), and a broken rule (``BrokenRuleError``, a fault of ours, nothing of the load is kept).
"""

import gc
import os
import sys
import warnings
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import lru_cache
from importlib import import_module
from types import ModuleType
from typing import Any

import numpy as np
import polars as pl

from pipelines.checking.computed import COMPUTED, OF_ANY_TABLE, row_key
from pipelines.checking.failures import cell_findings, findings, told_at_their_points
from pipelines.checking.rules import ALL_MEASURES, Rule, allowed, load_rules
from pipelines.checking.tables import Assembled, CheckedTables, Mask, Positions, assemble, highest_of, main_table
from pipelines.contract.contract import Contract
from pipelines.contract.delivery import PROBLEM_COLUMNS, Delivery, Sorted
from pipelines.deidentify.file_names import said_name
from pipelines.points.tracing import POINTS, without_points_turned_away
from warehouse.errors import BadFileError, BrokenRuleError, near_names
from warehouse.measures.measure import Measure

RESULT_FORMAT = {"result_format": "COMPLETE", "partial_unexpected_count": 0, "return_unexpected_index_query": False}

SIZES = (1_000, 100_000)
"""Columns with up to so many distinct values share a batch; one with more is a batch of its own."""
WHOLE = " (every row)"
"""Ends the name of a column of which not only the distinct values go over; filled up, it would not be unique."""
AT_ONCE = 24  # rules whose columns are held at the same time


class Later(ModuleType):
    """Stands in for a module until something is asked of it: only then it is loaded."""

    def __getattr__(self, name: str) -> object:
        if sys.modules.get(self.__name__) is self:
            del sys.modules[self.__name__]
        return getattr(import_module(self.__name__), name)


NOT_ASKED = ("scipy.stats", "altair")
"""What the library loads for a rule and its picture that are not asked of it here: half as long as all the rest."""


@lru_cache(maxsize=1)
def library_begun() -> Future[Any]:
    """Great Expectations, coming up in another thread: seconds of imports, while this one mostly waits for Polars."""
    return ThreadPoolExecutor(max_workers=1).submit(_library)


def _library() -> Any:  # noqa: ANN401 - the library ships no types we follow
    # The library reads this once, at import: it must neither send usage figures nor look for a network.
    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    standing_in = {name: Later(name) for name in NOT_ASKED if name not in sys.modules}
    sys.modules.update(standing_in)
    gc.disable()  # a million objects come and stay: to look them through, now and at the end, frees nothing
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # deprecations inside the library are no business of ours
            import great_expectations
        gc.freeze()
    finally:
        gc.enable()
        for name in [name for name, module in standing_in.items() if sys.modules.get(name) is module]:
            del sys.modules[name]
    return great_expectations


class Examiner:
    """A context of the library, for any number of tables."""

    def __init__(self) -> None:
        self._library: Any = library_begun().result()
        from great_expectations.data_context.types.base import ProgressBarsConfig

        self._expectations: Any = self._library.expectations
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            context = self._library.get_context(mode="ephemeral")
            context.variables.progress_bars = ProgressBarsConfig(globally=False)
            asset = context.data_sources.add_pandas("load").add_dataframe_asset("rows")
            self._definition: Any = asset.add_batch_definition_whole_dataframe("all rows")

    def failing(self, rules: Sequence[Rule], judged: Callable[[Rule], pl.DataFrame]) -> dict[str, Positions]:
        """Rule id -> positions of the failing rows, in order; BrokenRuleError where the library could not evaluate one.

        ``judged`` gives what a rule looks at, a column or two for a pair; it is asked in another thread, a few rules
        ahead.
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


def sort_delivery(
    delivery: Delivery, file: int, found: pl.DataFrame, *, rejecting: Sequence[str], assembled: Assembled
) -> Sorted:
    """The rows of one delivery, parted; BrokenRuleError where good rows and rows turned away are not all rows.

    A row of a file of one row a case goes or stays with everything made from it; a row of any other file by itself. A
    point that goes takes along the values made from it. ``found`` may be on other files as well. The tables of the
    delivery itself go on without rows.
    """
    mine = found.filter(pl.col("file") == file).sort("row", "rule", "column", maintain_order=True)
    turned = mine.filter(pl.col("rule").is_in(rejecting))["row"].unique()
    if "measurements" in delivery.tables:
        good = {"readings": _good_readings(file, turned, assembled)}
        n_good = sum(
            good["readings"][name].count() for name in good["readings"].columns if name in assembled.value_rows
        )
    else:
        good = dict(delivery.tables)
        if len(turned):
            good = {table: frame.filter(_stays(frame["row"], turned)) for table, frame in good.items()}
        n_good = good[main_table(delivery)].height
        if POINTS in good and "readings" in good:
            good["readings"] = without_points_turned_away(delivery, good[POINTS], turned, assembled.tables.measures)
    listed = mine.select(*PROBLEM_COLUMNS, "case_id")
    away = mine["row"].is_in(turned.implode())
    return Sorted(
        delivery=replace(delivery, tables={table: frame.clear() for table, frame in delivery.tables.items()}),
        good=good,
        turned_away=listed.filter(away),
        remarks=listed.filter(~away),
        n_good=n_good,
        n_turned_away=len(turned),
    )


def _stays(rows: pl.Series, turned: pl.Series) -> pl.Series:
    """Whether each row is not among those turned away; shape (rows,)."""
    return pl.Series(_marked(turned, highest=rows)[rows.to_numpy()])


def _marked(turned: pl.Series, *, highest: pl.Series) -> Mask:
    """Row number -> whether it stays."""
    marked = np.ones(max(highest_of(turned), highest_of(highest)) + 1, dtype=np.bool_)
    marked[turned.to_numpy()] = False
    return marked


def _good_readings(file: int, turned: pl.Series, assembled: Assembled) -> pl.DataFrame:
    """The readings of a file of single values without the values of the rows turned away.

    ``row`` is the first row that is left of a reading; a measure or reading of which nothing is left goes.
    """
    readings = assembled.tables["readings"]
    place = ((readings["file"] == file) & ~pl.Series(assembled.tables.wide[readings["file"].to_numpy()])).to_numpy()
    mine = readings.filter(pl.Series(place))
    first = np.full(mine.height, np.iinfo(np.uint32).max, dtype=np.uint32)
    values: list[pl.Series] = []
    for code, all_rows in assembled.value_rows.items():
        rows = all_rows[place]
        left = (rows > 0) & _marked(turned, highest=pl.Series(rows))[rows]
        if left.any():
            first = np.where(left, np.minimum(first, rows), first)
            values.append(pl.select(pl.when(pl.Series(left)).then(mine[code]).alias(code))[code])
    kept = pl.DataFrame(
        [pl.Series("row", first), *(mine[n] for n in ("case_id", "timepoint", "examiner", "repeat_no"))]
    )
    return kept.with_columns(values).filter(pl.col("row") < np.iinfo(np.uint32).max)


READING_COLUMNS = frozenset({"row", "case_id", "timepoint", "examiner", "repeat_no"})


def refuse_bad_files(deliveries: Sequence[Delivery], *, contract: Contract, catalogue: Mapping[str, Measure]) -> None:
    """Refuse (BadFileError, which begins with the id of the rule) the first file that cannot be used as a whole."""
    for delivery in deliveries:
        if delivery.n_read == 0:
            raise _refusal("F004", "no rows", delivery, contract, catalogue)
        for table, frame in delivery.tables.items():
            found = _trouble(table, frame, delivery, contract, catalogue)
            if found is not None:
                rule, what = found
                raise _refusal(rule, what, delivery, contract, catalogue)


def _trouble(
    table: str, frame: pl.DataFrame, delivery: Delivery, contract: Contract, catalogue: Mapping[str, Measure]
) -> tuple[str, str] | None:
    """Id of the rule a table breaks, and the column or table in question."""
    if table == "readings":
        strangers = [name for name in frame.columns if name not in READING_COLUMNS and name not in catalogue]
        return ("F003", _named(strangers[0], catalogue)) if strangers else None
    if table not in {known.name for known in contract.tables}:
        return "F005", table
    known = {column.name for column in contract.table(table).columns}
    strangers = [name for name in frame.columns if name != "row" and name not in known]
    if strangers:
        return "F005", _named(strangers[0], known)
    return _required_trouble(table, frame, delivery, contract)


def _required_trouble(
    table: str, frame: pl.DataFrame, delivery: Delivery, contract: Contract
) -> tuple[str, str] | None:
    if delivery.layout == "wide" and table != "cases":
        return None  # made from cells of the row of the case, so a blank in it is a matter of that row
    required = [column.name for column in contract.table(table).columns if column.required]
    missing = [name for name in required if name not in frame.columns]
    if missing:
        return "F001", ", ".join(missing)
    # A cell that could not be understood, or that another of its row makes useless, is null too, but the column is not
    # empty: its rows are turned away instead.
    doubted = set(delivery.problems["column"]) if delivery.problems.height else set()
    if doubted and frame["row"].is_in(delivery.problems["row"].implode()).all():
        return None
    empty = [
        name
        for name in required
        if frame.height and frame[name].null_count() == frame.height and delivery.columns.get(name, name) not in doubted
    ]
    return ("F002", ", ".join(delivery.columns.get(name, name) for name in empty)) if empty else None


def _named(name: str, known: Mapping[str, Measure] | set[str]) -> str:
    hint = near_names(name, known)
    return f"{name} ({hint})" if hint else name


def _refusal(
    rule_id: str, what: str, delivery: Delivery, contract: Contract, catalogue: Mapping[str, Measure]
) -> BadFileError:
    rule = load_rules(contract, catalogue)[rule_id]
    place = said_name(delivery.source) + (f", sheet {delivery.source.sheet}" if delivery.source.sheet else "")
    return BadFileError(f"{rule.id}: {rule.reason}", where=f"{place}: {what}", remedy=rule.remedy)


SECOND_ROUND = "case_was_accepted"  # what can be asked only once it is known which cases are turned away


def validate(
    deliveries: Sequence[Delivery],
    *,
    contract: Contract,
    catalogue: Mapping[str, Measure],
    known_cases: pl.Series | None = None,
) -> list[Sorted]:
    """Hold the deliveries of one load against every rule, together, so that rows are also held against each other.

    ``known_cases``: Keys of the cases of earlier loads. Gives one result a delivery, in order; rows read are rows good
    plus rows turned away. ``turned_away`` has every finding on such a row, those that only warn too, so that one
    correction mends all of it. Raises BadFileError: a file cannot be used as a whole; BrokenRuleError: a rule could not
    be evaluated, or the rows do not add up.
    """
    if not deliveries:
        return []
    refuse_bad_files(deliveries, contract=contract, catalogue=catalogue)
    rules = load_rules(contract, catalogue)
    assembled = assemble(deliveries, catalogue=catalogue, known_cases=known_cases)
    examiner = Examiner()
    first = [rule for rule in rules.values() if rule.value != SECOND_ROUND]
    cells = cell_findings(deliveries)
    found = findings(_failing(assembled.tables, first, examiner), rules, assembled, deliveries)
    found = pl.concat([cells, _without_doubled(found, cells, rules)])
    found = told_at_their_points(found, rules, deliveries, catalogue)
    rejecting = [rule.id for rule in rules.values() if rule.severity == "reject"]
    found = pl.concat([found, _second_round(found, rejecting, rules, assembled, deliveries, examiner)])
    return [
        sort_delivery(delivery, file, found, rejecting=rejecting, assembled=assembled)
        for file, delivery in enumerate(deliveries)
    ]


def _failing(tables: CheckedTables, rules: Sequence[Rule], examiner: Examiner) -> dict[str, Positions]:
    """Rule id -> positions of failing rows, table by table."""
    failing: dict[str, Positions] = {}
    for table, frame in tables.frames.items():
        asked = [rule for rule in rules if rule.table == table and not frame.is_empty() and _is_asked(rule, tables)]
        # rules on the columns themselves first: the computed ones are made meanwhile
        asked.sort(key=lambda rule: bool(rule.value or rule.measures))
        failing |= examiner.failing(asked, Judged(tables, table))
    for rule in rules:
        if rule.id in failing and rule.milder_than in failing:
            failing[rule.id] = np.setdiff1d(failing[rule.id], failing[rule.milder_than])
    return failing


class Judged:
    """Gives what rules of one table look at; each computed column is made once."""

    def __init__(self, tables: CheckedTables, table: str) -> None:
        self.tables, self.table, self.frame = tables, table, tables[table]

    def __call__(self, rule: Rule) -> pl.DataFrame:
        """One column, or two for a pair; shape (rows of the table,)."""
        try:
            asked = rule.judged()
            for name in {name for one in asked.values() for name in one.meta.root_names()}:
                if name not in self.frame.columns:
                    self.frame = self.frame.with_columns(self._computed(name, rule).alias(name))
            return self.frame.select(**asked)
        except (pl.exceptions.PolarsError, KeyError, TypeError, ValueError, IndexError) as fault:
            found = f"The rule {rule.id} could not be evaluated."
            said = f"{type(fault).__name__}: {str(fault).splitlines()[0][:200] if str(fault) else 'no reason given'}"
            remedy = f"This is a fault of the rule, not of the data: {said}"
            raise BrokenRuleError(
                found, where="validation", expected="an answer for every row", remedy=remedy
            ) from fault

    def _computed(self, name: str, rule: Rule) -> pl.Series:
        if name == "row_key":
            return row_key(self.tables, self.table, rule.columns)
        if name in OF_ANY_TABLE:
            return OF_ANY_TABLE[name](self.tables, self.table)
        return COMPUTED[self.table][name](self.tables)


def _is_asked(rule: Rule, tables: CheckedTables) -> bool:
    """Whether the load has what the rule needs, and the question can arise in it."""
    if not all(table in tables for table in rule.needs):
        return False
    if rule.value in ("case_is_known", SECOND_ROUND) and tables.wide.all():
        return False
    if rule.value in ("reading_given_once", "single_given_once") and not tables.wide.any():
        return False
    if rule.kind == "unique" and rule.table != "cases" and tables.wide.all():
        return False  # in files of one row a case only the case itself can be given twice
    if rule.columns == (ALL_MEASURES,):
        return True
    frame = tables[rule.table]
    if rule.kind == "required":
        return rule.columns[0] in frame.columns
    return all(name in frame.columns and frame[name].null_count() < frame.height for name in rule.columns)


def _without_doubled(found: pl.DataFrame, cells: pl.DataFrame, rules: Mapping[str, Rule]) -> pl.DataFrame:
    """Findings without those that call a cell empty which was given but not understood."""
    if cells.is_empty():
        return found
    required = [rule.id for rule in rules.values() if rule.kind == "required"]
    blank = pl.col("rule").is_in(required)
    given = found.filter(blank).join(cells, on=["file", "row", "column"], how="anti", nulls_equal=True)
    return pl.concat([found.filter(~blank), given])


def _second_round(
    found: pl.DataFrame,
    rejecting: Sequence[str],
    rules: Mapping[str, Rule],
    assembled: Assembled,
    deliveries: Sequence[Delivery],
    examiner: Examiner,
) -> pl.DataFrame:
    """Findings on rows whose case was turned away."""
    tables = assembled.tables
    if "cases" not in tables or tables.wide.all():
        return found.clear()
    turned = found.filter(pl.col("rule").is_in(rejecting)).select("file", "row").unique()
    accepted = np.zeros(tables.n_cases + 1, dtype=np.bool_)
    accepted[tables["cases"].join(turned, on=["file", "row"], how="anti")["case"].to_numpy()] = True
    tables = replace(tables, accepted=accepted)
    asked = [rule for rule in rules.values() if rule.value == SECOND_ROUND]
    return findings(_failing(tables, asked, examiner), rules, assembled, deliveries)
