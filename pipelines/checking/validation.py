"""Holding deliveries against the rules: good rows, rows turned away with every reason, remarks on good rows.

Three things are kept apart: a bad file (``BadFileError``, nothing of it is kept), a bad row (turned away, counted,
named), and a broken rule (``BrokenRuleError``, a fault of ours, nothing of the load is kept).
"""

import copyreg
import gc
import os
import sys
import warnings
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import lru_cache, partial
from importlib import import_module
from types import ModuleType
from typing import Any, TypeAlias

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
"""Stacks of up to so many values share a batch; a rule with more distinct values is a stack of its own."""

Stack: TypeAlias = list[tuple[Rule, pl.DataFrame]]
"""Rules that ask the same, each with the distinct values, or pairs, it asks it of."""


class Later(ModuleType):
    """Stands in for a module until something is asked of it: only then it is loaded."""

    def __getattr__(self, name: str) -> object:
        if sys.modules.get(self.__name__) is self:
            del sys.modules[self.__name__]
        return getattr(import_module(self.__name__), name)


NOT_ASKED = ("scipy.stats", "altair", "jsonschema", "mistune")
"""What the library loads for rules and pictures that are not asked of it here: half as long as all the rest."""


@lru_cache(maxsize=1)
def library_begun() -> Future[Any]:
    """Great Expectations, coming up in another thread: seconds of imports, while this one mostly waits for Polars."""
    return ThreadPoolExecutor(max_workers=1).submit(_library)


def _library() -> Any:  # noqa: ANN401 - the library ships no types we follow
    # The library reads this once, at import: it must neither send usage figures nor look for a network.
    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    standing_in = {name: Later(name) for name in NOT_ASKED if name not in sys.modules}
    sys.modules.update(standing_in)
    from pydantic.v1.fields import ModelField

    copyreg.pickle(ModelField, lambda field: (partial(_inherited, field), ()))
    gc.disable()  # a million objects come and stay: to look them through, now and at the end, frees nothing
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # deprecations inside the library are no business of ours
            import great_expectations
        gc.freeze()
    finally:
        gc.enable()
        del copyreg.dispatch_table[ModelField]
        for name in [name for name, module in standing_in.items() if sys.modules.get(name) is module]:
            del sys.modules[name]
    return great_expectations


def _inherited(field: Any) -> Any:  # noqa: ANN401 - of a library of the library's
    """A field for a model that inherits it, copied as far as models change it: a full copy took a third of it all."""
    again, info = (object.__new__(type(one)) for one in (field, field.field_info))
    for one, other in ((field, again), (field.field_info, info)):
        for slot in one.__slots__:
            setattr(other, slot, getattr(one, slot))
    info.extra, again.field_info, again.class_validators = {**info.extra}, info, {**field.class_validators}
    again.sub_fields = field.sub_fields and [_inherited(one) for one in field.sub_fields]
    again.key_field = field.key_field and _inherited(field.key_field)
    return again


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

        ``judged`` gives what a rule looks at, a column or two for a pair. The library takes about as long for one value
        as for a thousand, so what all rules of a kind look at goes over as one column.
        """
        told: dict[str, pl.DataFrame] = {}
        distinct: dict[str, pl.DataFrame] = {}
        stacks: dict[str, Stack] = {}
        for rule in rules:
            if (name := _name(rule)) not in told:
                told[name], distinct[name] = _told(judged(rule), rule)
            if distinct[name].height:
                stacks.setdefault(_question(rule, distinct[name]), []).append((rule, distinct[name]))
        failing: dict[str, pl.DataFrame] = {}
        for together in _batches(stacks.values()):
            for stack, positions in zip(together, self._batch(together), strict=True):
                failing |= _parted(stack, positions)
        return {rule.id: _holding(told[_name(rule)], failing.get(rule.id)) for rule in rules}

    def _batch(self, stacks: Sequence[Stack]) -> list[Positions]:
        """Of each stack the positions of the values that fail, in order; those beyond it come from filling up."""
        asked = [one for place, stack in enumerate(stacks) for one in self._expectations_of(stack[0][0], place)]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = _side_by_side([pl.concat([_asked(*one) for one in stack]) for stack in stacks]).to_pandas()
            batch = self._definition.get_batch(batch_parameters={"dataframe": frame})
            suite = self._library.ExpectationSuite(name="rules", expectations=asked)
            outcome = batch.validate(suite, result_format=RESULT_FORMAT)
        found = [np.array([], dtype=np.int64) for _ in stacks]
        for result in outcome.results:
            place = result.expectation_config.meta["stack"]
            found[place] = np.union1d(found[place], _positions(result, stacks[place]))
        return found

    def _expectations_of(self, rule: Rule, place: int) -> list[Any]:
        """What is asked of the stack in this place of a batch, whose rules ask as this one does."""
        ask, value, meta = self._expectations, f"{place} value", {"stack": place}
        if rule.kind == "required":
            return [ask.ExpectColumnValuesToNotBeNull(column=value, meta=meta)]
        if rule.kind == "unique":
            return [ask.ExpectColumnValuesToBeUnique(column=value, meta=meta)]
        if rule.kind == "without":
            return [ask.ExpectColumnValuesToNotMatchRegex(column=value, regex=rule.arguments["pattern"], meta=meta)]
        if rule.kind in ("among", "holds"):
            values = allowed(rule) if rule.kind == "among" else [True]
            return [ask.ExpectColumnValuesToBeInSet(column=value, value_set=values, meta=meta)]
        both: dict[str, Any] = {"ignore_row_if": "either_value_is_missing", "meta": meta}
        if rule.kind == "equal":
            return [ask.ExpectColumnPairValuesToBeEqual(column_A=value, column_B=f"{place} than", **both)]
        both["or_equal"] = rule.arguments.get("or_equal", rule.kind == "range")
        sides = [("value", "low"), ("high", "value")] if rule.kind == "range" else [("value", "than")]
        return [
            ask.ExpectColumnPairValuesAToBeGreaterThanB(column_A=f"{place} {one}", column_B=f"{place} {other}", **both)
            for one, other in sides
        ]


def _name(rule: Rule) -> str:
    """What a rule looks at: equal for rules that look at the same; blanks, and every copy, are looked at apart."""
    seen = rule.measures or rule.value or rule.columns[0]
    return f"{rule.table} {seen} {rule.than} {rule.kind if rule.kind in ('required', 'unique') else ''}"


def _told(frame: pl.DataFrame, rule: Rule) -> tuple[pl.DataFrame, pl.DataFrame]:
    """What a rule looks at, numbers as such, any value as true where only blanks are looked for; and what it judges."""
    if rule.kind == "required":
        value = frame["value"]
        there = (value.fill_nan(None) if value.dtype.is_float() else value).is_not_null().alias("value")
        told = there.to_frame().select(value=pl.when("value").then(pl.lit(value=True)))
        return told, told.unique()
    told = frame if rule.kind == "unique" else pl.DataFrame([_plain(column) for column in frame])
    return told, told.drop_nulls() if rule.kind == "unique" else told.drop_nulls().unique()


def _plain(column: pl.Series) -> pl.Series:
    if column.dtype.is_numeric():
        numbers = column.cast(pl.Float64)
        return numbers.fill_nan(None) if numbers.is_nan().any() else numbers
    return column if column.dtype in (pl.String, pl.Boolean) else column.cast(pl.String)


def _question(rule: Rule, values: pl.DataFrame) -> str:
    """Equal for rules that ask the same of values of the same kind; one with many values asks alone."""
    alone = rule.kind in ("unique", "among", "without") or values.height > SIZES[1]
    return f"{rule.kind} {rule.arguments.get('or_equal')} {values.dtypes} {rule.id if alone else ''}"


def _asked(rule: Rule, values: pl.DataFrame) -> pl.DataFrame:
    """Distinct values with all they are held against; the limits of a range stand beside each of them."""
    if rule.kind != "range":
        return values
    low, high = (pl.lit(limit, dtype=pl.Float64) for limit in rule.limits())
    return values.with_columns(low=low, high=high)


def _batches(stacks: Iterable[Stack]) -> list[list[Stack]]:
    """The stacks that go over together: short ones, and each longer one by itself; filled up, none would be unique."""
    batches: dict[int, list[Stack]] = {}
    for place, stack in enumerate(stacks):
        is_short = stack[0][0].kind != "unique" and sum(values.height for _, values in stack) <= SIZES[0]
        batches.setdefault(-1 if is_short else place, []).append(stack)
    return list(batches.values())


def _side_by_side(frames: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Columns of different lengths in one frame, the shorter ones filled up with their first value again."""
    longest = max(frame.height for frame in frames)
    return pl.DataFrame(
        [
            pl.concat([column, column.head(1).new_from_index(0, longest - len(column))]).alias(f"{place} {column.name}")
            for place, frame in enumerate(frames)
            for column in frame
        ]
    )


def _parted(stack: Stack, positions: Positions) -> dict[str, pl.DataFrame]:
    """Rule id -> which of its values stand at these positions of the stack, if any do."""
    found: dict[str, pl.DataFrame] = {}
    first = 0
    for rule, values in stack:
        low, high = np.searchsorted(positions, (first, first + values.height))
        if high > low:
            found[rule.id] = values[positions[low:high] - first]
        first += values.height
    return found


def _holding(told: pl.DataFrame, values: pl.DataFrame | None) -> Positions:
    """Positions of the rows that hold one of the values."""
    if values is None:
        return np.array([], dtype=np.int64)
    if values.width > 1:
        rows = told.with_row_index("position").join(values, on=values.columns, how="semi", maintain_order="left")
        return rows["position"].to_numpy().astype(np.int64)
    return np.flatnonzero(told["value"].is_in(values["value"].unique().implode(), nulls_equal=True).to_numpy())


def _positions(result: Any, stack: Stack) -> Positions:  # noqa: ANN401
    trouble = result.exception_info
    parts = [trouble] if "raised_exception" in trouble else list(trouble.values())  # one record, or one a step
    said = next((str(part["exception_message"]) for part in parts if part["raised_exception"]), None)
    if said is not None:
        found = f"The rule {' or '.join(rule.id for rule, _ in stack)} could not be evaluated."
        remedy = f"This is a fault of the rule, not of the data: {said.splitlines()[0][:200]}"
        raise BrokenRuleError(found, where="validation", expected="an answer for every row", remedy=remedy)
    return np.array(result.result.get("unexpected_index_list", []), dtype=np.int64)


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
            for table, frame in good.items():
                good[table] = frame.filter(_staying(turned, highest=frame["row"])[frame["row"].to_numpy()])
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


def _staying(turned: pl.Series, *, highest: pl.Series) -> Mask:
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
        left = (rows > 0) & _staying(turned, highest=pl.Series(rows))[rows]
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
    """Rule id -> positions of failing rows in its table."""
    filled = [table for table, frame in tables.frames.items() if not frame.is_empty()]
    asked = [rule for table in filled for rule in rules if rule.table == table and _is_asked(rule, tables)]
    failing = examiner.failing(asked, Judged(tables))
    for rule in rules:
        if rule.id in failing and rule.milder_than in failing:
            failing[rule.id] = np.setdiff1d(failing[rule.id], failing[rule.milder_than])
    return failing


class Judged:
    """Gives what a rule looks at in its table; each computed column is made once."""

    def __init__(self, tables: CheckedTables) -> None:
        self.tables, self.frames = tables, dict(tables.frames)

    def __call__(self, rule: Rule) -> pl.DataFrame:
        """One column, or two for a pair; shape (rows of the table,)."""
        try:
            asked = rule.judged()
            for name in {name for one in asked.values() for name in one.meta.root_names()}:
                if name not in self.frames[rule.table].columns:
                    made = self._computed(name, rule).alias(name)
                    self.frames[rule.table] = self.frames[rule.table].with_columns(made)
            return self.frames[rule.table].select(**asked)
        except (pl.exceptions.PolarsError, KeyError, TypeError, ValueError, IndexError) as fault:
            found = f"The rule {rule.id} could not be evaluated."
            said = f"{type(fault).__name__}: {str(fault).splitlines()[0][:200] if str(fault) else 'no reason given'}"
            remedy = f"This is a fault of the rule, not of the data: {said}"
            raise BrokenRuleError(
                found, where="validation", expected="an answer for every row", remedy=remedy
            ) from fault

    def _computed(self, name: str, rule: Rule) -> pl.Series:
        if name == "row_key":
            return row_key(self.tables, rule.table, rule.columns)
        if name in OF_ANY_TABLE:
            return OF_ANY_TABLE[name](self.tables, rule.table)
        return COMPUTED[rule.table][name](self.tables)


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
